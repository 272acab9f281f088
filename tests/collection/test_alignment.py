"""The way from one scan of a specimen to another: found from the teeth, and decisions carried along it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from sketch import SPACING, scan_facts, sketch_reading
from test_replay import said

from ossicle.account import MadeBy
from ossicle.collection import Add, Cut, Decision, Discard, PlaceLandmark, Rename, SetMidplane, hints_of, replay
from ossicle.collection.alignment import rigid, way_between
from ossicle.collection.anchors import inner_points, moved_by
from ossicle.collection.carrying import carried
from ossicle.collection.readings import KeptReading
from ossicle.reading.records import Reading

FIRST, OTHER = "5" * 64, "6" * 64


@pytest.fixture(scope="module")
def drawn() -> Reading:
    return sketch_reading(pictures=False)


def turned(degrees: tuple[float, float, float], shift: tuple[float, float, float]) -> np.ndarray:
    out = np.eye(4)
    out[:3, :3] = Rotation.from_euler("xyz", degrees, degrees=True).as_matrix()
    out[:3, 3] = shift
    return out


def laid(
    reading: Reading,
    move: np.ndarray,
    *,
    off: float = 0.0,
    lost: int = 0,
    jaw: np.ndarray | None = None,
    pose_off: np.ndarray | None = None,
) -> Reading:
    """Return a reading of the specimen laid otherwise (its labels left as they are: they are not looked at here).

    ``off`` is how far centres are off (sd, mm), ``lost`` how many teeth are not found, ``jaw`` how the lower jaw stands
    to the skull, ``pose_off`` by what the new pose is wrong (skull mm).
    """
    rng = np.random.default_rng(4)
    teeth = []
    for tooth in reading.teeth[lost:]:
        way = move @ jaw if jaw is not None and tooth.jaw == "lower" else move
        (centre,) = moved_by(way, [tooth.centroid_mm_xyz])
        x, y, z = np.asarray(centre) + rng.normal(0, off, 3)
        teeth.append(replace(tooth, part=tooth.part + 500, centroid_mm_xyz=(float(x), float(y), float(z))))
    pose = np.asarray(reading.pose.scan_to_skull, float) @ np.linalg.inv(move)
    if pose_off is not None:
        pose = pose_off @ pose
    order = rng.permutation(len(teeth))
    return replace(
        reading, teeth=tuple(teeth[i] for i in order), pose=replace(reading.pose, scan_to_skull=pose, found=True)
    )


@pytest.mark.parametrize("mirrored", [False, True])
def test_rigid_agrees_with_a_reference_library(mirrored: bool) -> None:
    """scipy.spatial.transform.Rotation.align_vectors."""
    rng = np.random.default_rng(2)
    for _ in range(20):
        first = rng.normal(size=(9, 3))
        second = first @ Rotation.random(random_state=rng).as_matrix().T + rng.normal(0, 0.1, (9, 3)) + [1, 2, 3]
        if mirrored:
            second[:, 0] *= -1
        found = rigid(first, second, mirrored=mirrored)
        flip = np.array([-1.0 if mirrored else 1.0, 1, 1])
        best, _ = Rotation.align_vectors((second - second.mean(0)) * flip, first - first.mean(0))
        np.testing.assert_allclose(found[:3, :3], np.diag(flip) @ best.as_matrix(), atol=1e-9)
        np.testing.assert_allclose(found[:3, :3] @ first.mean(0) + found[:3, 3], second.mean(0), atol=1e-12)


def test_points_lie_where_they_lay_though_the_pose_is_off_and_teeth_are_lost(drawn: Reading) -> None:
    move = turned((8, -5, 30), (4, -3, 6))
    wrong = turned((1.5, 1.0, -1.0), (0.2, 0.1, -0.3))
    way = way_between(drawn, laid(drawn, move, off=0.05, lost=5, pose_off=wrong))
    assert way is not None
    assert way.by_teeth
    for tooth in drawn.teeth:
        told, true = (moved_by(m, [tooth.centroid_mm_xyz])[0] for m in (way.of(tooth.jaw), move))
        assert np.linalg.norm(np.subtract(told, true)) < 0.1


@pytest.mark.parametrize("turn", [(0, 0, 180), (0, 180, 0), (180, 0, 0)])
def test_the_way_is_found_though_one_pose_is_upside_down(drawn: Reading, turn: tuple[float, float, float]) -> None:
    """As seen on practice specimens whose up is told by little: then jaws and sides are called otherwise as well."""
    move = turned((4, -3, 12), (2, 1, -1))
    other = laid(drawn, move, off=0.05, lost=3, pose_off=turned(turn, (0.0, 1.5, 0.8)))
    jaws = {"upper": "lower", "lower": "upper"}
    other = replace(other, teeth=tuple(replace(t, jaw=jaws[t.jaw]) for t in other.teeth))  # type: ignore[arg-type]
    way = way_between(drawn, other)
    assert way is not None
    assert way.by_teeth
    for tooth in drawn.teeth:
        told, true = (moved_by(m, [tooth.centroid_mm_xyz])[0] for m in (way.of(tooth.jaw), move))
        assert np.linalg.norm(np.subtract(told, true)) < 0.1


def test_a_lower_jaw_that_stands_otherwise_is_laid_by_itself(drawn: Reading) -> None:
    move, gape = turned((3, 0, 0), (1, 1, 1)), turned((2.0, 0, 0), (0.0, 0.3, 0.0))
    way = way_between(drawn, laid(drawn, move, off=0.03, jaw=gape))
    assert way is not None
    for tooth in drawn.teeth:
        true = moved_by(move @ gape if tooth.jaw == "lower" else move, [tooth.centroid_mm_xyz])[0]
        assert np.linalg.norm(np.subtract(moved_by(way.of(tooth.jaw), [tooth.centroid_mm_xyz])[0], true)) < 0.1


def test_without_teeth_the_poses_lead_and_without_a_pose_nothing(drawn: Reading) -> None:
    move = turned((3, 0, 0), (1, 1, 1))
    bare = replace(laid(drawn, move), teeth=())
    way = way_between(drawn, bare)
    assert way is not None
    assert not way.by_teeth
    np.testing.assert_allclose(way.upper, move, atol=1e-9)
    assert way_between(drawn, replace(bare, pose=replace(bare.pose, found=False))) is None


def kept_of(reading: Reading, scan: str) -> KeptReading:
    inner = inner_points(reading.labels, (SPACING,) * 3)
    return KeptReading(reading, scan_facts(), MadeBy("0", {}, 1.0, 1.0), scan, inner)


def test_what_was_said_on_one_scan_is_told_to_the_reading_of_another(drawn: Reading) -> None:
    """Until it has been read once nothing leads there; then hints lie where the structures lie in that scan."""
    first = kept_of(drawn, FIRST)
    cut = max(drawn.teeth, key=lambda t: t.volume_mm3)
    ends = [first.structures().anchor(cut.part).points_mm[k] for k in (0, -1)]
    decisions: list[Decision] = []
    for asked in (
        Rename(drawn.teeth[0].part, "P2"),
        Cut(cut.part, seeds=(ends[0], ends[1])),
        Discard(drawn.teeth[5].part),
        Add((1.0, 1.0, 1.0)),
        PlaceLandmark("basion", (2.0, 3.0, 4.0)),
        SetMidplane(((9.5, 1.0, 1.0), (9.5, 4.0, 1.0), (9.5, 2.0, 9.0)), up=(0.0, 1.0, 0.0)),
    ):
        decisions.append(said(first, decisions, asked))
    move = turned((0, 0, 20), (3, -1, 2))
    other = kept_of(laid(drawn, move), OTHER)
    alone, led = other.structures(), other.structures([first])
    assert hints_of(carried(decisions, alone), OTHER) == hints_of([], OTHER)
    assert carried(decisions, first.structures()) == decisions
    hints = hints_of(carried(decisions, led), OTHER)
    (name,), (split,), (gone,), (missed,), (mark,) = (
        hints.names, hints.cuts, hints.discards, hints.missed, hints.landmarks,
    )  # fmt: skip
    here = hints_of(decisions, FIRST)
    for told, was in (
        (name.point_mm, here.names[0].point_mm), (split.seeds_mm[0], ends[0]), (split.seeds_mm[1], ends[1]),
        (gone.point_mm, here.discards[0].point_mm), (missed.point_mm, (1.0, 1.0, 1.0)),
        (mark.point_mm, (2.0, 3.0, 4.0)),
    ):  # fmt: skip
        np.testing.assert_allclose(told, moved_by(move, [was])[0], atol=1e-6)
    assert hints.midplane is not None
    np.testing.assert_allclose(hints.midplane.up_mm, move[:3, :3] @ [0.0, 1.0, 0.0], atol=1e-6)
    # The account says that the next reading will heed them, and what cannot be told there.
    told = replay(led, other.facts, other.made_by, decisions)
    assert told.stale
    assert {f.number for f in told.waiting} == {2, 4, 6}
    told = replay(alone, other.facts, other.made_by, decisions)
    assert not told.stale
    assert {f.why for f in told.unfit if f.number in (2, 4, 6)} == {"it was made on another scan"}
