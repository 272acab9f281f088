"""The component tree against scikit-image's labelling, region properties and max-tree."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from skimage.measure import label, regionprops

from ossicle.reading.candidates import choose
from ossicle.reading.component_tree import build_tree


def blobs(seed: int = 3) -> np.ndarray:
    from scipy.ndimage import gaussian_filter

    rng = np.random.default_rng(seed)
    field = gaussian_filter(rng.standard_normal((24, 26, 28)), 2.0)
    return (field / field.max()).astype(np.float32)


def test_every_level_has_the_components_of_scikit_image() -> None:
    values = blobs()
    thresholds = [0.1, 0.3, 0.5, 0.7]
    tree = build_tree(values, thresholds, minimum=1)
    for step, threshold in enumerate(thresholds):
        regions = regionprops(label(values > threshold, connectivity=1))
        nodes = np.flatnonzero(tree.level == step)
        assert sorted(tree.count[nodes]) == sorted(int(r.area) for r in regions)
        by_centre = {tuple(np.round(r.centroid, 6)): r for r in regions}
        for node in nodes:
            region = by_centre[tuple(np.round(tree.mean[node], 6))]
            assert tuple(tree.lower[node]) == region.bbox[:3]
            assert tuple(tree.upper[node]) == region.bbox[3:]
            inside = values[tuple(region.coords.T)]
            assert tree.peak[node] == pytest.approx(inside.max())
            expected = np.cov(region.coords.T.astype(float), bias=True) if region.area > 1 else np.zeros((3, 3))
            np.testing.assert_allclose(tree.covariance[node], expected, atol=1e-8)


@settings(max_examples=40, deadline=None)
@given(arrays(np.float32, (6, 7, 5), elements=st.floats(0, 1, width=32)))
def test_a_child_lies_inside_its_parent(values: np.ndarray) -> None:
    tree = build_tree(values, [0.2, 0.4, 0.6, 0.8], minimum=1)
    for node, parent in enumerate(tree.parent):
        if parent < 0:
            assert tree.level[node] == 0
            continue
        assert tree.level[parent] == tree.level[node] - 1
        assert tree.count[parent] >= tree.count[node]
        assert (tree.lower[parent] <= tree.lower[node]).all()
        assert (tree.upper[parent] >= tree.upper[node]).all()
        box, mask = tree.mask(values, parent)
        seed = np.array(np.unravel_index(tree.seed[node], values.shape)) - [s.start for s in box]
        assert mask[tuple(seed)]


def test_faces_of_a_box_and_how_many_look_onto_a_gap() -> None:
    values = np.full((12, 12, 12), 0.5, np.float32)
    values[4:8, 4:8, 4:8] = 1.0
    values[:, :, 9:] = 0.0  # a gap two voxels beyond one face only
    tree = build_tree(values, [0.8], minimum=1, gap=0.3)
    assert tree.faces.tolist() == [6 * 16]
    assert tree.open_faces.tolist() == [16]


def test_minimum_and_maximum_leave_out() -> None:
    values = np.zeros((10, 10, 10), np.float32)
    values[1:3, 1:3, 1:3] = 1
    values[5:9, 5:9, 5:9] = 1
    assert build_tree(values, [0.5], minimum=9).count.tolist() == [64]
    assert build_tree(values, [0.5], minimum=1, maximum=20).count.tolist() == [8]


def test_choosing_takes_the_better_of_whole_and_pieces() -> None:
    values = np.zeros((8, 8, 20), np.float32)
    values[2:6, 2:6, 2:18] = 0.5
    values[2:6, 2:6, 2:8] = 1.0
    values[2:6, 2:6, 12:18] = 1.0
    tree = build_tree(values, [0.3, 0.7], minimum=1)
    assert [int(tree.level[n]) for n in choose(tree, rise=0.2)] == [1, 1]
    assert [int(tree.level[n]) for n in choose(tree, rise=0.4)] == [0]


def test_an_empty_volume_has_no_components() -> None:
    assert len(build_tree(np.zeros((5, 5, 5), np.float32), [0.5])) == 0
