"""Growing, touching, joining and filling on blocks with counts known in closed form."""

import numpy as np
import pytest
from scipy.ndimage import binary_fill_holes

from ossicle.reading.greys import Normalised
from ossicle.reading.grow import contacts, fill_pulp, grow, join
from ossicle.reading.tissue_model import ToothChance


def two_blocks() -> tuple[np.ndarray, ToothChance, Normalised]:
    tooth = np.zeros((10, 12, 30), np.float32)
    tooth[2:8, 2:10, 3:15] = 0.9
    tooth[2:8, 2:10, 15:27] = 0.9
    between = np.zeros_like(tooth)
    between[2:8, 2:10, 14:16] = 0.8
    markers = np.zeros(tooth.shape, np.int32)
    markers[4, 5, 6] = 1
    markers[4, 5, 24] = 2
    return markers, ToothChance(tooth, between, np.zeros_like(tooth)), Normalised(tooth, 1.6, 0.01)


def test_cores_grow_to_their_blocks_and_meet_between() -> None:
    markers, chance, volume = two_blocks()
    labels = grow(markers, volume, chance)
    assert (labels == 1).sum() == (labels == 2).sum() == 6 * 8 * 12
    assert set(np.unique(labels[:, :, :15])) == {0, 1}


def test_bone_keeps_what_its_marker_reaches() -> None:
    markers, chance, volume = two_blocks()
    markers[4, 5, 24] = -1
    labels = grow(markers, volume, chance)
    assert (labels == 1).sum() == 6 * 8 * 12
    assert not labels[:, :, 16:].any()


def test_contacts_count_faces_and_tell_how_they_touch() -> None:
    markers, chance, volume = two_blocks()
    (touch,) = contacts(grow(markers, volume, chance), chance)
    assert (touch.a, touch.b, touch.faces) == (1, 2, 6 * 8)
    assert touch.within == pytest.approx(0.1, abs=1e-6)
    assert touch.bridge == pytest.approx(0.1, abs=1e-6)
    assert touch.open == 0
    assert touch.normal == (0.0, 0.0, 1.0)
    assert contacts(np.zeros((4, 4, 4), np.int32), ToothChance(*[np.zeros((4, 4, 4), np.float32)] * 3)) == []


def test_join_merges_into_the_first() -> None:
    labels = np.array([[[0, 1, 2, 3, 4]]], np.int32)
    assert join(labels, [[2, 4]]).tolist() == [[[0, 1, 2, 3, 2]]]
    assert labels.tolist() == [[[0, 1, 2, 3, 4]]]


def test_closed_pulp_is_filled_as_scipy_fills_it() -> None:
    z, y, x = np.mgrid[:21, :21, :21] - 10
    r = np.sqrt(z**2 + y**2 + x**2)
    shell = ((r < 9) & (r > 4)).astype(np.int32)
    filled = fill_pulp(shell, Normalised(shell.astype(np.float32), 1.5, 0.01))
    np.testing.assert_array_equal(filled > 0, binary_fill_holes(shell > 0))


def test_a_pulp_open_at_the_apex_is_filled_and_a_neighbour_in_it_is_kept() -> None:
    tube = np.zeros((30, 21, 21), np.int32)
    tube[2:28, 5:16, 5:16] = 1
    tube[6:28, 8:13, 8:13] = 0  # open below
    filled = fill_pulp(tube, Normalised((tube > 0).astype(np.float32), 1.5, 0.01))
    assert (filled[6:28, 8:13, 8:13] == 1).mean() < 0.01  # closed in one direction of section only: not enough
    cap = tube.copy()
    cap[26:28, 8:13, 8:13] = 1
    cap[27, 10, 10] = 0  # the foramen
    cap[15, 10, 10] = 2
    filled = fill_pulp(cap, Normalised((cap > 0).astype(np.float32), 1.5, 0.01))
    inside = filled[6:26, 8:13, 8:13]
    assert (inside == 2).sum() == 1
    assert (inside == 1).mean() > 0.9
