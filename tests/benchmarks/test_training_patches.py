"""Training: patches, moved, and where each of their voxels points."""

from dataclasses import replace

import numpy as np
import pytest
from benchmarks.training import arrays, patches
from benchmarks.training.arrays import CLOSE, ENAMEL_BIT, NUMBER, Prepared, prepare
from benchmarks.training.patches import Motion, take
from benchmarks.training.rendering import NEAR, classes
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import center_of_mass
from training_toys import ENAMEL, TEETH, ball, balls, moved, toy

from ossicle.reading.greys import normalise


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
