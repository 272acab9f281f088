"""Training: what a voxel is, and renderings of a specimen by greys of another scan."""

import numpy as np
import pytest
from benchmarks.training.rendering import BETWEEN, NEAR, OTHER, TOOTH, Look, classes, draw_look, rerender
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import binary_erosion
from training_toys import AIR, BONE, DENTINE, ENAMEL, dice, toy


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
        overlap = dice(said, truth)
        assert overlap > 0.95  # the blur rounds edges off
        for axis in range(3):
            for step in (-1, 1):
                assert dice(np.roll(said, step, axis), truth) < overlap - 0.015


def test_draws_are_repeatable_and_within_their_ranges() -> None:
    volumes = toy()
    looks = [draw_look(volumes, np.random.default_rng(n)) for n in range(200)]
    assert looks[7] == draw_look(volumes, np.random.default_rng(7))
    assert all(0.95 <= x.dentine <= 1.3 and 1.25 <= x.enamel <= 1.9 and 0.02 <= x.noise <= 0.13 for x in looks)
    assert 8 <= sum(x.surround > 0 for x in looks) <= 45  # one in eight lies in fluid
    assert min(x.tooth[12] for x in looks) < 0.85 < 0.95 <= min(x.tooth[11] for x in looks)  # 12 lies in its crypt
