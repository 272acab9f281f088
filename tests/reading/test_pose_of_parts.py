"""Pose of jaws and skulls that are not whole, on solids of simple shape in any orientation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from ossicle.reading.pose import find_pose

STEP = 0.5


def solid(*boxes: tuple[tuple[float, float], tuple[float, float], tuple[float, float]]) -> np.ndarray:
    """Points (n, 3) on a grid in boxes given by their extents in x (left), y (up), z (front), mm."""
    clouds = []
    for box in boxes:
        axes = [np.arange(a, b + 1e-9, STEP) for a, b in box]
        clouds.append(np.stack([g.ravel() for g in np.meshgrid(*axes, indexing="ij")], axis=1))
    return np.unique(np.round(np.concatenate(clouds), 3), axis=0)


def dentary(sign: float) -> np.ndarray:
    """A jaw that bends to the midline at its front, with a ramus that rises behind."""
    cloud = solid(((3.5, 4.5), (-4.0, -1.5), (-12.0, 6.0)), ((3.5, 4.5), (-4.0, 5.0), (-14.0, -10.0)))
    bend = np.maximum(cloud[:, 2], 0.0) ** 2 / 6.0**2 * 3.2
    cloud[:, 0] = (cloud[:, 0] - bend) * sign
    return cloud


def row(sign: float, height: float) -> np.ndarray:
    z = np.linspace(-8.0, 5.5, 9)
    return np.stack([sign * (4.0 - np.maximum(z, 0.0) ** 2 / 6.0**2 * 3.2), np.full(9, height), z], axis=1)


CRANIUM = solid(
    ((-5.0, 5.0), (2.0, 3.0), (-9.0, 6.0)),  # palate and what bears the teeth
    ((-4.0, 4.0), (3.0, 7.0), (-4.0, 4.0)),
    ((-6.0, 6.0), (1.0, 9.0), (-20.0, -9.0)),  # braincase
)


def posed(
    bone: np.ndarray, teeth: np.ndarray, looks: np.ndarray, turn: Rotation
) -> tuple[np.ndarray, float, tuple[str, ...], np.ndarray]:
    """Axes found (rows left, up, front) in the specimen's own frame, confidence, questions, teeth in skull space."""
    moved = turn.apply(bone)
    low = moved.min(axis=0) - 3.0
    index = np.rint((moved - low) / STEP).astype(int)
    mask = np.zeros(index.max(axis=0) + 7, bool)
    for shift in np.ndindex(2, 2, 2):
        mask[tuple((index + np.array(shift)).T)] = True
    scan = turn.apply(teeth) - low
    pose, frame, _ = find_pose(
        mask.transpose(2, 1, 0), (STEP,) * 3, scan, np.ones(len(teeth)), teeth_away=turn.apply(looks)
    )
    axes = turn.inv().apply(np.stack([frame.left, frame.up, frame.front]))
    matrix = np.asarray(pose.scan_to_skull)
    return axes, pose.confidence, pose.questions, scan @ matrix[:3, :3].T + matrix[:3, 3]


TURNS = Rotation.random(4, random_state=5)


@pytest.mark.parametrize("k", range(4))
def test_a_palate_tells_up_where_the_skull_is_cut_behind_it(k: int) -> None:
    """A snout with both jaws, without a braincase: only the roof between the upper rows tells up from down."""
    whole = np.concatenate([CRANIUM, dentary(1.0), dentary(-1.0)])
    bone = whole[whole[:, 2] > -6.0]
    teeth = np.concatenate([row(s, h) for s in (1.0, -1.0) for h in (1.0, -0.5)])
    looks = np.repeat([[0, -0.4, 0], [0, 0.4, 0]] * 2, 9, axis=0)
    axes, _, _, _ = posed(bone, teeth[teeth[:, 2] > -6.0], looks[teeth[:, 2] > -6.0], TURNS[k])
    assert np.diag(axes).min() > 0.9


@pytest.mark.parametrize("k", range(4))
def test_dentaries_alone_stand_as_their_crowns_look(k: int) -> None:
    bone = np.concatenate([dentary(1.0), dentary(-1.0)])
    teeth = np.concatenate([row(1.0, -1.0), row(-1.0, -1.0)])
    axes, _, _, _ = posed(bone, teeth, np.tile([0, 0.4, 0], (18, 1)), TURNS[k])
    assert np.diag(axes).min() > 0.9


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("k", range(2))
def test_one_dentary_lies_beside_its_midplane_and_on_its_own_side(sign: float, k: int) -> None:
    teeth = row(sign, -1.0)
    axes, confidence, _, placed = posed(dentary(sign), teeth, np.tile([0, 0.4, 0], (9, 1)), TURNS[k])
    assert np.diag(axes).min() > 0.85
    assert (placed[:, 0] * sign > -0.3).all()
    assert confidence < 0.8
