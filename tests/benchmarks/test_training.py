"""Training the reading's models: what a voxel is, renderings, patches, the network's loop, the whole way."""

import hashlib
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import lightgbm as lgb
import numpy as np
import pytest
from benchmarks.matrix import root_of_project
from benchmarks.training import __main__ as training
from benchmarks.training import arrays, object_models, patches, specimens, store
from benchmarks.training.arrays import CLOSE, ENAMEL_BIT, NUMBER, Prepared, prepare
from benchmarks.training.conversion import float_thresholds, largest_difference, onnx_chances, to_onnx
from benchmarks.training.patches import Motion, take, targets
from benchmarks.training.rendering import BETWEEN, NEAR, OTHER, TOOTH, Look, classes, draw_look, rerender
from benchmarks.training.specimens import Specimen, Volumes
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import binary_erosion, center_of_mass, gaussian_filter

from ossicle.errors import OssicleError
from ossicle.reading.greys import normalise
from ossicle.reading.grow import Contact
from ossicle.reading.judgement import OBJECT_MEASURES, PAIR_MEASURES
from ossicle.reading.tissue_model import ToothChance
from ossicle.reading.votes import Votes

TEETH: tuple[dict[str, Any], ...] = (
    {"label": 11, "emergence": "erupted", "generation": "deciduous", "class": "premolar"},
    {"label": 12, "emergence": "in_crypt", "generation": "unreplaced", "class": "molar"},
)
AIR, BONE, DENTINE, ENAMEL = 0, 2, 3, 4


def toy(side: int = 48) -> Volumes:
    """A block of bone (label 1) that holds two teeth with enamel on one end; bone twice as bright as air."""
    labels = np.zeros((side, side, side), np.int32)
    labels[4:28, 6:42, 5:43] = 1
    tissue = np.where(labels == 1, BONE, AIR).astype(np.uint8)
    for label, x in ((11, 8), (12, 26)):
        labels[8:44, 10:24, x : x + 14] = label
        tissue[8:32, 10:24, x : x + 14] = DENTINE
        tissue[32:44, 10:24, x : x + 14] = ENAMEL
    grey = np.array([1000, 1000, 2000, 2200, 3200], np.float32)[tissue]
    grey = gaussian_filter(grey, 0.7) + np.random.default_rng(0).normal(0, 20, grey.shape).astype(np.float32)
    return Volumes(grey.astype(np.float32), labels, tissue, TEETH, (0.1, 0.1, 0.1))


@pytest.mark.parametrize(("side", "labels"), [(6, (7, 9)), (9, (300, 2))])
def test_classes_of_two_cubes_one_voxel_apart(side: int, labels: tuple[int, int]) -> None:
    volume = np.ones((side + 12, side + 12, 2 * side + 13), np.int32)  # bone, label 1, all round
    for label, x in zip(labels, (6, 6 + side + 1), strict=True):
        volume[6 : 6 + side, 6 : 6 + side, x : x + side] = label
    found = np.bincount(classes(volume, labels).ravel(), minlength=4)
    # Squared distances are whole numbers, so "within 2.3" means at most 5. Tooth voxels one layer deep are 2 from the
    # other cube, the next layer 3. In the gap's plane both cubes are 1 away, which leaves 4 sideways: the square, four
    # strips 2 wide and one voxel (1, 1) at each corner. Beside a facing layer the other cube is 2 away, which leaves 1.
    near = 2 * side**2
    between = (side**2 + 8 * side + 4) + 2 * 4 * side
    assert found.tolist() == [volume.size - 2 * side**3 - between, 2 * side**3 - near, near, between]


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=15, deadline=None)
def test_classes_are_those_of_every_pair_of_voxels(seed: int) -> None:
    rng = np.random.default_rng(seed)
    labels = np.where(rng.random((6, 7, 8)) < 0.06, rng.integers(1, 5, (6, 7, 8)), 0)  # 1 to 3 are teeth, 4 is bone
    places = np.argwhere((labels > 0) & (labels < 4))
    expected = np.zeros(labels.shape, np.int8)
    for at in np.ndindex(labels.shape):
        near = {int(labels[tuple(p)]) for p in places if np.linalg.norm(p - np.array(at)) <= 2.3}
        own = 0 < labels[at] < 4
        expected[at] = (NEAR if own else BETWEEN) if len(near) > 1 else (TOOTH if own else OTHER)
    np.testing.assert_array_equal(classes(labels, [1, 2, 3]), expected)


def test_classes_without_two_teeth_near_each_other() -> None:
    volume = np.zeros((20, 20, 20), np.int32)
    assert not classes(volume, [5]).any()
    volume[0:4, 0:4, 0:4] = 5  # at the very edge of the scan
    volume[0:4, 0:4, 9:13] = 6  # five voxels on
    found = classes(volume, [5, 6])
    assert (found == TOOTH).sum() == 128
    assert not np.isin(found, (NEAR, BETWEEN)).any()
    assert (classes(volume, [5]) == TOOTH).sum() == 64  # what is not named a tooth is none


def test_rerender_reaches_the_contrasts_asked_for() -> None:
    volumes = toy()
    look = Look(surround=0.2, dentine=1.15, enamel=1.6, tooth={11: 1.0, 12: 0.8}, blur=0.6, noise=0.0)
    grey = rerender(volumes, look, np.random.default_rng(3))

    def deep(tissue: int, label: int) -> float:
        mask = binary_erosion((volumes.tissue == tissue) & (volumes.labels == label), iterations=3)
        assert mask.sum() > 100
        return float(grey[mask].mean())

    assert deep(AIR, 0) == pytest.approx(0.2, abs=0.002)
    assert deep(BONE, 1) == pytest.approx(1.0, abs=0.04)  # times the scan's own relief
    assert deep(DENTINE, 11) == pytest.approx(1.15, rel=0.005)
    assert deep(ENAMEL, 11) == pytest.approx(1.15 * 1.6, rel=0.005)
    assert deep(DENTINE, 12) == pytest.approx(1.15 * 0.8, rel=0.005)
    assert deep(ENAMEL, 12) == pytest.approx(1.15 * 1.6 * 0.8, rel=0.005)


def test_rerender_has_the_noise_and_texture_asked_for() -> None:
    volumes = toy()
    air = binary_erosion(volumes.tissue == AIR, iterations=4)
    for grain in (0.0, 0.6):
        grey = rerender(volumes, Look(noise=0.1, noise_grain=grain), np.random.default_rng(4))
        assert grey[air].std() == pytest.approx(0.1, rel=0.03)
    inside = binary_erosion(volumes.tissue == BONE, iterations=1)
    plain, rough = (
        rerender(volumes, Look(noise=0.0, blur=0.55, texture=t, texture_scale=3), np.random.default_rng(5))[
            inside
        ].std()
        for t in (0.0, 0.15)
    )
    assert rough > plain + 0.03


def test_rerender_keeps_labels_where_they_are() -> None:
    volumes = toy()
    labels, tissue = volumes.labels.copy(), volumes.tissue.copy()
    grey = rerender(volumes, Look(dentine=1.2, enamel=1.7, blur=0.55, noise=0.02), np.random.default_rng(6))
    assert grey.shape == labels.shape
    assert grey.dtype == np.float32
    np.testing.assert_array_equal(volumes.labels, labels)
    np.testing.assert_array_equal(volumes.tissue, tissue)
    # Midway between two levels lies the boundary of the tissues: a shift of one voxel would cost a layer of each face.
    for level, truth in ((0.5, tissue != AIR), (1.2 * 1.35, tissue == ENAMEL)):
        said = grey > level
        overlap = _overlap(said, truth)
        assert overlap > 0.95  # the blur rounds edges off
        for axis in range(3):
            for step in (-1, 1):
                assert _overlap(np.roll(said, step, axis), truth) < overlap - 0.015


def _overlap(one: np.ndarray, other: np.ndarray) -> float:
    """Dice coefficient of two masks."""
    return float(2 * (one & other).sum() / (one.sum() + other.sum()))


def test_draws_are_repeatable_and_within_their_ranges() -> None:
    volumes = toy()
    looks = [draw_look(volumes, np.random.default_rng(n)) for n in range(200)]
    assert looks[7] == draw_look(volumes, np.random.default_rng(7))
    assert all(0.95 <= x.dentine <= 1.3 and 1.25 <= x.enamel <= 1.9 and 0.02 <= x.noise <= 0.13 for x in looks)
    assert 8 <= sum(x.surround > 0 for x in looks) <= 45  # one in eight lies in fluid
    assert min(x.tooth[12] for x in looks) < 0.85 < 0.95 <= min(x.tooth[11] for x in looks)  # 12 lies in its crypt


def ball(side: int, centre: tuple[float, float, float] | np.ndarray, radius: float) -> np.ndarray:
    off = (np.indices((side,) * 3).T - np.array(centre)).T
    return np.linalg.norm(off, axis=0) <= radius


def balls() -> Prepared:
    """Two balls of unlike grey in the middle of 60 voxels; the first has a smaller ball of enamel in it."""
    side = 60
    one, two = ball(side, (27.0, 30.0, 23.0), 6.0), ball(side, (32.0, 28.0, 37.0), 5.0)
    truth = (one * 1 + two * 2).astype(np.uint16)
    truth[ball(side, (27.0, 30.0, 23.0), 4.0)] |= ENAMEL_BIT
    truth[two] |= CLOSE
    teeth = np.array([[0, 0, 0, -1, -1], [27, 30, 23, 1, 2], [32, 28, 37, 0, 3]], np.float32)
    grey = (one * 1.5 + two * 1.0).astype(np.float16)
    inside = np.argwhere((truth & NUMBER) > 0).astype(np.int16)
    return Prepared(np.stack([grey, 2 * grey]), truth, teeth, inside, inside)


def moved(s: Prepared, motion: Motion, at: tuple[int, int, int] = (30, 30, 30), side: int = 44) -> patches.Patch:
    grey, truth, centres = take(s.greys[0], s.truth, s.teeth[:, :3], at, motion, side)
    return targets(grey, truth, centres, s.teeth)


def pointed(patch: patches.Patch) -> np.ndarray:
    """Where each voxel points, (3, z, y, x)."""
    return patch.way + np.indices(patch.tooth.shape)


def test_a_patch_that_is_not_moved_is_the_volume() -> None:
    s = balls()
    patch = moved(s, Motion())
    box = (slice(8, 52),) * 3
    np.testing.assert_array_equal(patch.grey, s.greys[0][box])
    np.testing.assert_array_equal(patch.tooth > 0, (s.truth[box] & NUMBER) > 0)
    for number in (1, 2):
        own = (s.truth[box] & NUMBER) == number
        expected = np.broadcast_to((s.teeth[number, :3] - 8)[:, None], (3, int(own.sum())))
        np.testing.assert_allclose(pointed(patch)[:, own], expected, atol=1e-5)
        assert (patch.deciduous[own] == s.teeth[number, 3]).all()
        assert (patch.form[own] == s.teeth[number, 4]).all()
    assert not patch.way[:, patch.tooth == 0].any()
    assert (patch.form[patch.tooth == 0] == -1).all()
    assert (patch.deciduous[patch.tooth == 0] == -1).all()


AXES = st.permutations([0, 1, 2]).map(tuple)
MIRRORED = st.sets(st.integers(0, 2)).map(tuple)


@given(AXES, MIRRORED)
@settings(max_examples=30, deadline=None)
def test_ways_turn_with_the_axes(axes: tuple[int, int, int], mirrored: tuple[int, ...]) -> None:
    s = balls()
    still, patch = moved(s, Motion()), moved(s, Motion(axes=axes, mirrored=mirrored))
    for name in ("grey", "tooth", "enamel", "close", "deciduous", "form"):
        np.testing.assert_array_equal(
            getattr(patch, name), np.flip(getattr(still, name).transpose(axes), mirrored), err_msg=name
        )
    # The component along each axis is that of the axis it came from, its sign changed where that is mirrored.
    for axis in range(3):
        own = np.flip(still.way[axes[axis]].transpose(axes), mirrored) * (-1 if axis in mirrored else 1)
        np.testing.assert_allclose(patch.way[axis], own, atol=1e-4)


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=30, deadline=None)
def test_every_voxel_points_to_the_centre_of_its_ball_however_it_is_moved(seed: int) -> None:
    # A ball stays a ball: its centre of mass in the patch is found without any of the arithmetic of motions, and its
    # volume grows with the cube of the zoom.
    rng = np.random.default_rng(seed)
    s, motion = balls(), patches.draw_motion(rng)
    assert 0.72 <= motion.zoom <= 1.35
    if motion.turn is not None:
        np.testing.assert_allclose(motion.turn @ motion.turn.T, np.eye(3), atol=1e-12)
        assert np.linalg.det(motion.turn) == pytest.approx(1)
    patch = moved(s, motion, side=56)
    for form, radius, bright in ((2, 6.0, 1.5), (3, 5.0, 1.0)):
        own = patch.form == form
        assert own.sum() == pytest.approx(4 / 3 * np.pi * (radius * motion.zoom) ** 3, rel=0.12)
        centre = np.array(center_of_mass(own))
        to = pointed(patch)[:, own]
        assert np.ptp(to, axis=1).max() < 1e-3  # all to one place
        np.testing.assert_allclose(to.mean(axis=1), centre, atol=0.25)
        deep = own & ball(len(own), centre, radius * motion.zoom - 2.5)
        np.testing.assert_allclose(patch.grey[deep], bright, rtol=1e-3)  # greys go where the truth goes
    assert (patch.enamel[patch.form == 2].mean()) == pytest.approx((4 / 6) ** 3, rel=0.15)
    assert not patch.enamel[patch.form == 3].any()
    assert (patch.close > 0).tolist() == (patch.form == 3).tolist()


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=20, deadline=None)
def test_a_turned_patch_samples_the_scan_where_its_matrix_says(seed: int) -> None:
    # A ramp is reproduced exactly by linear interpolation, so the grey tells the place it was taken from.
    motion = patches.draw_motion(np.random.default_rng(seed))
    z, y, x = np.indices((70,) * 3)
    ramp = ((z + 100 * y + 10000 * x) / 1000).astype(np.float64)
    grey, _, centres = take(
        ramp, np.zeros((70,) * 3, np.uint16), np.array([[31.0, 36.0, 38.0]], np.float32), (35, 35, 35), motion, 24
    )
    places = np.array([[12.0, 9.0, 10.0], [3.0, 20.0, 14.0]])
    # A place of the patch taken back by hand: mirrored, axes, turned about the middle.
    back = places.copy()
    for axis in motion.mirrored:
        back[:, axis] = 23 - back[:, axis]
    before = np.empty_like(back)
    before[:, list(motion.axes)] = back
    matrix = np.eye(3) if motion.turn is None else motion.turn
    scan = (before - 11.5) @ matrix.T / motion.zoom
    first = scan[0] - scan[1]
    told = grey[tuple(places[0].astype(int))] - grey[tuple(places[1].astype(int))]
    assert told == pytest.approx(float(first @ [1, 100, 10000]) / 1000, abs=0.01)
    # The centre's own place in the patch, read off the ramp too.
    at = np.rint(centres[0]).astype(int)
    assert float(grey[tuple(at)]) == pytest.approx((31 + 3600 + 380000) / 1000, abs=0.9 * 10.2 / motion.zoom)


def test_what_lies_outside_the_scan_is_nothing() -> None:
    s = balls()
    patch = moved(s, Motion(), at=(0, 30, 80))
    assert not patch.tooth.any()
    assert not patch.grey.any()
    half = moved(s, Motion(), at=(27, 30, 1), side=48)
    assert half.tooth.any()
    assert not half.grey[:, :, :23].any()
    np.testing.assert_allclose(pointed(half)[:, half.form == 2].mean(axis=1), (24, 24, 46), atol=1e-4)


def test_draws_are_repeatable_and_mostly_of_teeth() -> None:
    s = balls()
    drawn = [patches.draw([s, s], [1, 3], 24, np.random.default_rng([1, n])) for n in range(60)]
    again = patches.draw([s, s], [1, 3], 24, np.random.default_rng([1, 7]))
    np.testing.assert_array_equal(drawn[7].grey, again.grey)
    assert sum(bool(p.tooth.any()) for p in drawn) > 45
    assert all(p.grey.min() >= -1 and p.grey.max() <= 4 for p in drawn)
    heavy = replace(s, greys=np.zeros_like(s.greys), truth=np.zeros_like(s.truth))
    shown = [patches.draw([s, heavy], [1, 3], 24, np.random.default_rng([2, n])) for n in range(200)]
    assert 15 < sum(bool(p.tooth.any()) for p in shown) < 80  # a quarter, by weight


def test_roughening_keeps_the_mean_within_what_scans_do() -> None:
    grey = np.where(ball(24, (12, 12, 12), 8), 1.0, 0.0).astype(np.float32)
    inside = ball(24, (12, 12, 12), 5)
    out = [patches.roughen(grey, np.random.default_rng(n)) for n in range(150)]
    assert grey.max() == 1  # the given patch is left alone
    means = [float(o[inside].mean()) for o in out]
    assert 0.75 < min(means) < 0.95
    assert 1.05 < max(means) < 1.25
    assert any(np.array_equal(o, grey) for o in out)
    assert max(float(o[~ball(24, (12, 12, 12), 10)].std()) for o in out) > 0.05  # noise


def test_prepared_arrays_are_the_truth_by_voxel() -> None:
    volumes = toy()
    s = Prepared.of(prepare(volumes, np.random.default_rng(1)))
    for row, tooth in enumerate(TEETH, start=1):
        own = volumes.labels == tooth["label"]
        np.testing.assert_array_equal((s.truth & NUMBER) == row, own)
        np.testing.assert_allclose(s.teeth[row, :3], center_of_mass(own), atol=1e-4)
    assert s.teeth[1:, 3].tolist() == [1, -1]  # what nothing replaces is of neither generation
    assert [arrays.FORMS[int(n)] for n in s.teeth[1:, 4]] == ["premolar", "molar"]
    np.testing.assert_array_equal((s.truth & ENAMEL_BIT) > 0, volumes.tissue == ENAMEL)
    np.testing.assert_array_equal((s.truth & CLOSE) > 0, classes(volumes.labels, (11, 12)) >= NEAR)
    np.testing.assert_array_equal(s.greys[0], normalise(volumes.grey)[0].values.astype(np.float16))
    assert np.abs(s.greys[1].astype(float) - s.greys[2]).mean() > 0.01
    own = (s.truth & NUMBER)[tuple(s.inside.T.astype(int))]
    assert np.bincount(own).tolist() == [0, arrays.POINTS_OF_A_TOOTH, arrays.POINTS_OF_A_TOOTH]
    assert (s.greys[0][tuple(s.solid.T.astype(int))] > 0.5).all()
    none = Prepared.of(prepare(replace(volumes, teeth=()), np.random.default_rng(1)))
    assert len(none.greys) == len(none.teeth) == 1
    assert len(none.inside) == 0
    drawn = patches.draw([none], [1], 24, np.random.default_rng(2))
    assert not drawn.tooth.any()
    assert drawn.grey.max() > 0.5  # something solid is shown


@pytest.fixture(scope="module")
def trees() -> tuple[lgb.Booster, np.ndarray]:
    rng = np.random.default_rng(2)
    rows = rng.normal(0, 1, (4000, 30)).astype(np.float32)
    truth = (rows[:, 0] + 0.5 * rows[:, 1] * rows[:, 2] + 0.3 * rng.normal(size=4000) > 0).astype(np.int8)
    return object_models.fit([object_models.Examples("a", rows, truth)], [f"m {k}" for k in range(30)]), rows


def at_thresholds(booster: lgb.Booster, rows: np.ndarray) -> np.ndarray:
    """Rows moved onto thresholds of the trees: the float32 nearest to each, the next above and the next below."""
    splits: list[tuple[int, float]] = []
    nodes = [tree["tree_structure"] for tree in booster.dump_model()["tree_info"]]
    while nodes:
        node = nodes.pop()
        if "threshold" in node:
            splits.append((node["split_feature"], node["threshold"]))
            nodes += [node["left_child"], node["right_child"]]
    out = []
    for n, (feature, threshold) in enumerate(splits):
        value = np.float32(threshold)
        for moved in (value, np.nextafter(value, np.float32(np.inf)), np.nextafter(value, np.float32(-np.inf))):
            row = rows[n % len(rows)].copy()
            row[feature] = moved
            out.append(row)
    return np.array(out, np.float32)


def test_onnx_gives_what_lightgbm_gives(trees: tuple[lgb.Booster, np.ndarray]) -> None:
    # Reference: LightGBM's own prediction with its float64 thresholds. Tolerance 1e-5: ONNX sums leaves in float32.
    booster, rows = trees
    model = to_onnx(booster, "test")
    assert largest_difference(booster, model, rows) < 1e-5
    edge = at_thresholds(booster, rows)
    assert len(edge) > 1000
    assert largest_difference(booster, model, edge) < 1e-5  # at the thresholds too
    np.testing.assert_array_equal(
        booster.predict(edge, num_threads=1), float_thresholds(booster).predict(edge, num_threads=1)
    )
    np.testing.assert_allclose(onnx_chances(model, rows[:9]).sum(axis=1), 1, atol=1e-5)


def test_onnx_of_two_classes_and_the_fit_is_repeatable() -> None:
    rng = np.random.default_rng(3)
    measures = rng.normal(0, 1, (500, len(PAIR_MEASURES)))
    truth = (measures[:, 3] + 0.3 * rng.normal(size=500) > 0).astype(np.int8)
    data = [object_models.Examples("ab"[k], measures[k::2], truth[k::2]) for k in range(2)]
    names = PAIR_MEASURES
    booster = object_models.fit(data, names)
    assert booster.model_to_string() == object_models.fit(data, names).model_to_string()
    model = to_onnx(booster, "test")
    assert largest_difference(booster, model, measures) < 1e-5
    said = onnx_chances(model, measures)
    assert said.shape == (500, 2)
    assert ((said[:, 1] > 0.5) == truth).mean() > 0.9
    score = object_models.scores(data, names, np.array([0, 1]))
    assert score["auc"] is not None
    assert 0.9 < score["auc"] < 1  # fitted on one half, tested on the other
    shuffled = [object_models.Examples(d.group, d.measures, rng.permutation(d.truth)) for d in data]
    chance = object_models.scores(shuffled, names, np.array([0, 1]))["auc"]
    assert chance is not None
    assert 0.4 < chance < 0.6  # nothing to be learnt, nothing claimed


def test_folds_never_part_an_animal() -> None:
    groups = ["a"] * 5 + ["b"] * 2 + ["c"] * 3 + ["d", "e", "f"]
    folds = object_models.folds_of(groups)
    assert set(folds.tolist()) == {0, 1, 2, 3}
    for g in set(groups):
        assert len({int(f) for f, own in zip(folds, groups, strict=True) if own == g}) == 1
    with pytest.raises(ValueError, match="two kinds"):
        object_models.folds_of(["a", "a"])


def test_plans_keep_clear_of_each_other_and_of_what_is_measured() -> None:
    network, objects, measured = specimens.full_plan(), specimens.object_plan(), specimens.measured_seeds()
    assert {("practice", 11), ("foreign", 521)} <= measured
    specimens.check_apart(network, objects, measured)
    specimens.check_apart(specimens.quick_plan(), specimens.quick_object_plan(), measured)
    assert len({s.name for s in [*network, *objects]}) == len(network) + len(objects)
    for maker, reserved in specimens.RESERVED.items():
        assert {n for m, n in measured if m == maker} <= set(reserved)  # the range stated covers what is measured now
    kept = "kept for measuring"
    wrong: tuple[tuple[Specimen, set[tuple[str, int]], str], ...] = (
        (Specimen("foreign", "bat", "adult", 401), measured, kept),
        (Specimen("practice", "bat-like", "adult", 57), measured, kept),
        (Specimen("foreign", "bat", "adult", 599), set(), kept),
        (Specimen("foreign", "bat", "adult", 9001), {("foreign", 9001)}, kept),  # whatever the range says
        (Specimen("practice", "bat-like", "old", network[0].seed), measured, "the network learns from"),
    )
    for specimen, seeds, why in wrong:
        with pytest.raises(OssicleError, match=why):
            specimens.check_apart(network, [*objects, specimen], seeds)
    specimens.check_apart(network, [*objects, Specimen("foreign", "bat", "adult", 9001)], measured)


def test_plans_are_read_from_their_table() -> None:
    network, objects = specimens.full_plan(), specimens.object_plan()
    assert {s.animal for s in network if s.maker == "practice"} == {
        "carnivore-like", "metatherian", "small-placental", "rodent-like", "bat-like", "browser-like", "diprotodont",
    }  # fmt: skip
    (one,) = (s for s in network if s.maker == "foreign" and s.seed == 709)
    assert (one.voxel, one.cupping, one.rings, one.wet, one.noise, one.weight) == (0.08, 0.15, 1.0, False, 1.0, 1.6)
    assert dict(one.in_bench().settings)["tilt"] == "any"
    (faulty,) = (s for s in network if s.maker == "practice" and s.seed == 402)
    assert faulty.faults == ("missing-teeth", "healed-alveoli")
    assert dict(faulty.in_bench().settings)["fault"] == "missing-teeth+healed-alveoli"
    assert sum(s.wet for s in objects) == 2
    assert len({s.key() for s in [*network, *objects]}) == len(network) + len(objects)
    assert replace(one, noise=2.0).key() != one.key()
    assert replace(one, weight=2.0).key() == one.key()  # no voxel depends on it


def test_true_cores_and_pairs_of_one_tooth() -> None:
    truth = np.zeros((4, 4, 12), np.int32)
    truth[:, :, 0:6], truth[:, :, 6:9] = 21, 22
    labels = np.zeros_like(truth)
    labels[:, :, 0:3], labels[:, :, 3:7], labels[:, :, 7:9], labels[:, :, 9:12] = 1, 2, 3, 4  # 2 reaches into 22
    pairs = [Contact(a, a + 1, 16, 0.5, 0.6, 0.5, (0.0, 0.0, 1.0)) for a in (1, 2, 3)]
    assert object_models.same_tooth(pairs, labels, truth).tolist() == [1, 0, 0]
    # Markers differ from the pieces: the fourth lies in no tooth.
    count = np.bincount(labels.ravel(), minlength=5)[1:].astype(np.int64)
    blank = np.zeros(4)
    found = object_models.Candidates(
        labels, np.zeros((4, 3)), count, blank, blank, blank, blank, blank, blank, np.zeros((4, 3))
    )
    assert object_models.true_cores(found, truth > 0).tolist() == [True, True, True, False]
    assert object_models.true_cores(found, truth == 22).tolist() == [False, False, True, False]


def test_finished_steps_are_kept_and_never_half_written(tmp_path: Path) -> None:
    made = []

    def work_out() -> store.Arrays:
        made.append(1)
        return {"a": np.arange(3)}

    for _ in range(2):
        assert store.arrays(tmp_path / "deep" / "x.npz", work_out)["a"].tolist() == [0, 1, 2]
    assert len(made) == 1

    def stopped() -> store.Arrays:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        store.arrays(tmp_path / "deep" / "y.npz", stopped)
    assert [p.name for p in (tmp_path / "deep").iterdir()] == ["x.npz"]


def test_folders_of_arrays_are_kept_and_never_half_written(tmp_path: Path) -> None:
    made = []

    def work_out() -> store.Arrays:
        made.append(1)
        return {"a": np.arange(3), "b": np.zeros((2, 2), np.float16)}

    for _ in range(2):
        kept = store.folder(tmp_path / "x", work_out)
        assert {k: v.tolist() for k, v in kept.items()} == {"a": [0, 1, 2], "b": [[0, 0], [0, 0]]}
    assert len(made) == 1

    def stopped() -> store.Arrays:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        store.folder(tmp_path / "y", stopped)
    assert [p.name for p in tmp_path.iterdir()] == ["x"]


def test_figures_of_the_network_in_closed_form() -> None:
    volumes = toy()
    is_tooth, enamel = volumes.is_tooth, volumes.tissue == ENAMEL
    half = is_tooth & (np.arange(48) % 2 == 0)  # every second plane, of both teeth alike
    index = np.flatnonzero(is_tooth)
    label = volumes.labels.ravel()[index]
    centres = {n: np.array(center_of_mass(volumes.labels == n)) for n in (11, 12)}
    to = np.stack([centres[int(n)] for n in label]) + np.array([0.0, 3.0, 4.0])
    form = np.zeros((len(index), 4), np.float32)
    form[:, 2] = 1  # all said to be premolars, which those of label 11 are
    chance = ToothChance(
        half.astype(np.float32),
        np.zeros(half.shape, np.float32),
        enamel.astype(np.float32),
        Votes(index, to.astype(np.float32), np.full(len(index), 0.9, np.float32), form),
    )
    found = dict(zip(object_models.VOXEL_FIGURES, object_models.voxel_figures(chance, volumes), strict=True))
    assert found["tooth_dice"] == pytest.approx(2 * half.sum() / (half.sum() + is_tooth.sum()))
    assert found["enamel_dice"] == 1
    assert found["way_off_voxels"] == pytest.approx(5, abs=1e-4)
    assert found["deciduous_right"] == 1  # of label 11 alone: 12 is of neither generation
    assert found["form_right"] == pytest.approx((volumes.labels == 11).sum() / is_tooth.sum())


def test_the_network_given_by_path_is_run_in_place_of_the_reading_s(tmp_path: Path) -> None:
    onnx = pytest.importorskip("onnx")
    sides: list[Any] = ["z", "y", "x"]
    value, node = onnx.helper.make_tensor_value_info, onnx.helper.make_node
    scale = np.array([1, 0.5, 0.25, 0, 0, 0, 1, 0, 1, 0, 0], np.float32).reshape(1, 11, 1, 1, 1)
    graph = onnx.helper.make_graph(
        [node("Clip", ["grey", "low", "high"], ["clipped"]), node("Mul", ["clipped", "scale"], ["voxels"])],
        "scaled",
        [value("grey", 1, [1, 1, *sides])],
        [value("voxels", 1, [1, 11, *sides])],
        [
            onnx.numpy_helper.from_array(a, n)
            for n, a in (("low", np.float32(0)), ("high", np.float32(1)), ("scale", scale))
        ],
    )
    path = tmp_path / "mine.onnx"
    path.write_bytes(
        onnx.helper.make_model(
            graph, opset_imports=[onnx.helper.make_opsetid("", 17)], ir_version=8
        ).SerializeToString()
    )
    volume = normalise(toy().grey)[0]
    chance = object_models.chance_by(path, volume, threads=1)
    expected, solid = np.clip(volume.values, 0, 1), volume.values > 0.5  # all that is solid is looked at
    np.testing.assert_allclose(chance.tooth[solid], expected[solid], atol=1e-6)
    np.testing.assert_allclose(chance.enamel[solid], expected[solid] / 2, atol=1e-6)
    assert (chance.votes.form.argmax(axis=1) == 1).all()


def test_models_of_a_quick_run_are_never_installed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert training.main(["install", "--work", str(tmp_path), "--quick"]) == 2
    assert "no worth" in capsys.readouterr().err
    assert training.main(["everything", "--work", str(tmp_path)]) == 2
    assert "no such stage" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_a_plan_may_be_cut_to_the_names_in_a_file(tmp_path: Path) -> None:
    plan, file = specimens.full_plan(), tmp_path / "names"
    file.write_text("foreign-bat-adult-728\npractice-metatherian-old-201\n")
    assert [s.name for s in training.named(plan, file)] == ["practice-metatherian-old-201", "foreign-bat-adult-728"]
    for text, why in (("foreign-bat-adult-1\n", "foreign-bat-adult-1"), ("\n", "names no specimen")):
        file.write_text(text)
        with pytest.raises(OssicleError, match=why):
            training.named(plan, file)


def test_only_models_that_belong_together_are_installed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(training, "root_of_project", lambda: tmp_path / "project")
    models = tmp_path / "models"
    record: dict[str, dict[str, str]] = {}
    for name in training.MODELS:
        store.write(models / f"{name}.onnx", name.encode())
        record[name] = {"sha256": hashlib.sha256(name.encode()).hexdigest()}
        if name != "tooth_network":
            record[name]["seen_through"] = record["tooth_network"]["sha256"]

    def install(**wrong: dict[str, str]) -> int:
        store.write(models / "models.json", json.dumps({"models": {**record, **wrong}}).encode())
        return training.main(["install", "--work", str(tmp_path)])

    assert install(pair_model={**record["pair_model"], "seen_through": "0"}) == 2
    assert "another network" in capsys.readouterr().err
    assert install(object_model={**record["object_model"], "sha256": "0"}) == 2
    assert "not the one on record" in capsys.readouterr().err
    assert not (tmp_path / "project").exists()
    assert install() == 0
    package = tmp_path / "project" / "src" / "ossicle" / "reading" / "data"
    assert {p.name for p in package.iterdir()} == {"models.json", *(f"{n}.onnx" for n in training.MODELS)}


def course(**given: Any) -> Any:
    from benchmarks.training.fitting import Course

    return Course(**{"side": 16, "widths": (4, 6), "half": False, "threads": 1, "every": 4, "rate": 1e-2, **given})


def test_a_folded_network_gives_the_same_and_its_onnx_file_too(tmp_path: Path) -> None:
    torch = pytest.importorskip("torch")
    from benchmarks.training import network

    torch.manual_seed(3)
    net = network.ToothNetwork((4, 6, 8)).eval()
    for part in net.modules():
        if isinstance(part, network.Convolution):
            torch.nn.init.uniform_(part.gain, 0.5, 1.5)
            torch.nn.init.normal_(part.convolution.bias, 0, 0.1)
            if not part.plain:  # standardised: no mean, and the norm that its gain says
                weight = part.weight().detach()
                np.testing.assert_allclose(weight.mean((1, 2, 3, 4)), 0, atol=1e-6)
                norm = network.GAIN * part.gain.detach()
                np.testing.assert_allclose(weight.pow(2).sum((1, 2, 3, 4)).sqrt(), norm, rtol=1e-4)
    x = torch.randn(1, 1, 16, 32, 24)
    with torch.no_grad():
        raw = net(x)
        np.testing.assert_allclose(network.folded(net)(x), raw, atol=1e-5)
    path = tmp_path / "deep" / "n.onnx"
    assert network.export(net, path, "test") < network.TOLERANCE
    assert [p.name for p in path.parent.iterdir()] == ["n.onnx"]
    import onnxruntime

    session = onnxruntime.InferenceSession(path.read_bytes(), providers=["CPUExecutionProvider"])
    (said,) = session.run(None, {"grey": x.numpy()})
    assert said.shape == (1, 11, 16, 32, 24)
    np.testing.assert_allclose(said[:, 3:6], network.WAY * raw[:, 3:6].numpy(), atol=1e-3)
    np.testing.assert_allclose(said[:, 7:].sum(axis=1), 1, atol=1e-5)
    np.testing.assert_allclose(said[:, 0], 1 / (1 + np.exp(-raw[:, 0].numpy())), atol=1e-5)


def test_losses_are_least_where_the_network_says_the_truth() -> None:
    torch = pytest.importorskip("torch")
    from benchmarks.training.fitting import PARTS, losses
    from benchmarks.training.network import WAY

    patch = moved(balls(), Motion(), side=44)
    said = torch.zeros(1, 11, 44, 44, 44)
    for channel, truth in ((0, patch.tooth), (1, patch.enamel), (2, patch.close), (6, patch.deciduous)):
        said[0, channel] = torch.from_numpy(np.where(truth > 0, 30.0, -30.0))
    said[0, 3:6] = torch.from_numpy(patch.way) / WAY
    for form in range(4):
        said[0, 7 + form] = torch.from_numpy(np.where(patch.form == form, 30.0, -30.0))
    right = losses(said, patch)
    assert set(right) == set(PARTS)
    assert all(float(part) < 1e-3 for part in right.values())
    channels = {"tooth": 0, "enamel": 1, "close": 2, "way": 4, "deciduous": 6, "form": 9}
    for name, channel in channels.items():
        wrong = said.clone()
        wrong[0, channel] = -wrong[0, channel] + (1 if name == "way" else 0)
        changed = {k for k, part in losses(wrong, patch).items() if float(part) > float(right[k]) + 1e-3}
        assert changed == {name, *({f"{name} dice"} & set(PARTS))}
    blind = said.clone()  # outside teeth nothing is asked of ways, generation and class
    outside = torch.from_numpy(patch.tooth == 0)
    blind[0, 3:, outside] = 7.0
    assert all(float(losses(blind, patch)[k]) == pytest.approx(float(right[k]), abs=1e-6) for k in PARTS)


def test_a_fit_that_was_stopped_goes_on_as_if_it_had_not(tmp_path: Path) -> None:
    torch = pytest.importorskip("torch")
    from benchmarks.training import fitting

    s, lines = balls(), []
    whole, went = fitting.fit([s], [1.0], course(steps=12), tmp_path / "whole.pt", lines.append)
    assert went["steps"] == 12
    assert sum("step" in line for line in lines) == 3

    class Stopped(Exception):
        pass

    def stop(line: str) -> None:
        raise Stopped

    with pytest.raises(Stopped):
        fitting.fit([s], [1.0], course(steps=12), tmp_path / "parts.pt", stop)  # after the fourth step
    assert not fitting.finished(tmp_path / "parts.pt", course(steps=12))
    again, _ = fitting.fit([s], [1.0], course(steps=12), tmp_path / "parts.pt", lines.append)
    assert "goes on from step 4" in lines[3]
    assert fitting.finished(tmp_path / "parts.pt", course(steps=12))
    for one, other in zip(whole.parameters(), again.parameters(), strict=True):
        torch.testing.assert_close(one, other, rtol=1e-5, atol=1e-6)
    kept, went = fitting.fit([], [], course(steps=12), tmp_path / "whole.pt", lines.append)  # over: nothing is drawn
    assert went["steps"] == 12
    for one, other in zip(whole.parameters(), kept.parameters(), strict=True):
        assert torch.equal(one, other)


def test_a_fit_learns_and_may_be_told_its_minutes(tmp_path: Path) -> None:
    pytest.importorskip("torch")
    from benchmarks.training import fitting

    s, lines = balls(), []
    fitting.fit([s], [1.0], course(steps=160, every=40, side=24), tmp_path / "a.pt", lines.append)
    first, last = (float(line.split("tooth ")[1].split(",")[0]) for line in (lines[0], lines[-1]))
    assert last < 0.5 * first
    _, went = fitting.fit([s], [1.0], course(minutes=0.01, every=1000), tmp_path / "b.pt", lines.append)
    assert went["steps"] > 0
    assert fitting.finished(tmp_path / "b.pt", course(minutes=0.01))
    assert not fitting.finished(tmp_path / "b.pt", course(minutes=50))
    with pytest.raises(ValueError, match="steps or of minutes"):
        course()


@pytest.fixture(scope="module")
def specimen(tmp_path_factory: pytest.TempPathFactory) -> Volumes:
    s = specimens.quick_object_plan()[0]
    where = tmp_path_factory.mktemp("specimens")
    folder = specimens.make(s, where)
    assert specimens.make(s, where) == folder
    return specimens.load(folder)


def test_a_specimen_is_loaded_with_its_truth_in_place(specimen: Volumes) -> None:
    assert specimen.grey.shape == specimen.labels.shape == specimen.tissue.shape
    assert {int(t["label"]) for t in specimen.teeth} <= set(np.unique(specimen.labels).tolist()) | {0}
    solid = np.isin(specimen.tissue, (BONE, DENTINE, ENAMEL))
    bright = normalise(specimen.grey)[0].values > 0.5
    overlap = [_overlap(np.roll(bright, n, 2), solid) for n in (-1, 0, 1)]
    assert int(np.argmax(overlap)) == 1


@pytest.mark.slow
def test_quick_goes_the_whole_way_and_goes_on_where_it_was(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("torch")
    package = root_of_project() / "src" / "ossicle" / "reading" / "data"
    before = {p.name: p.read_bytes() for p in package.iterdir() if p.is_file()}
    words = ["--work", str(tmp_path), "--quick", "--threads", "1"]
    assert training.main(words) == 0, capsys.readouterr().err
    models = tmp_path / "quick" / "models"
    record = json.loads((models / "models.json").read_text())
    assert set(record["models"]) == set(training.MODELS)
    network = record["models"]["tooth_network"]
    for name in training.MODELS:
        data = (models / f"{name}.onnx").read_bytes()
        assert hashlib.sha256(data).hexdigest() == record["models"][name]["sha256"]
        assert record["models"][name]["seed"] == 1
    for name, columns in (("object_model", len(OBJECT_MEASURES)), ("pair_model", len(PAIR_MEASURES))):
        assert onnx_chances(models / f"{name}.onnx", np.zeros((5, columns), np.float32)).shape == (5, 2)
        assert record["models"][name]["largest_difference_of_onnx"] < 1e-5
        assert record["models"][name]["seen_through"] == network["sha256"]
        assert {s["seed"] for s in record["models"][name]["trained_on"]} == {
            s.seed for s in specimens.quick_object_plan()
        }
    # Even a tiny network says something of specimens it has never seen: a good deal of what is tooth.
    assert all(f["tooth_dice"] > 0.3 for f in network["unseen_specimens"].values())
    assert str(tmp_path) not in (models / "models.json").read_text()
    assert [s["seed"] for s in network["trained_on"]] == [s.seed for s in specimens.quick_plan()]

    stamps = {p: p.stat().st_mtime_ns for p in tmp_path.rglob("*") if p.is_file() and p.parent != models}
    assert training.main(words) == 0
    assert stamps == {p: p.stat().st_mtime_ns for p in tmp_path.rglob("*") if p.is_file() and p.parent != models}
    again = json.loads((models / "models.json").read_text())["models"]
    assert {n: m["sha256"] for n, m in again.items()} == {n: m["sha256"] for n, m in record["models"].items()}
    assert {p.name: p.read_bytes() for p in package.iterdir() if p.is_file()} == before
    assert "objects" in capsys.readouterr().out
