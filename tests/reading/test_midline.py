"""Front teeth that touch at the midline are two; one tooth that stands on it is one. (Closed forms.)"""

from __future__ import annotations

import numpy as np
import pytest

from ossicle.reading.midline import part_at_midline

SPACING = (0.1, 0.1, 0.1)
MATRIX = np.eye(4)
MATRIX[0, 3] = -2.0  # the midplane lies at x = 2 mm, voxel 20


def balls(*centres: tuple[float, float, float], radius: float = 4.5, shape=(20, 20, 40)) -> np.ndarray:
    z, y, x = np.indices(shape)
    out = np.zeros(shape, np.int32)
    for cz, cy, cx in centres:
        out[(z - cz) ** 2 + (y - cy) ** 2 + (x - cx) ** 2 < radius**2] = 1
    return out


def test_two_that_touch_are_parted_at_their_waist() -> None:
    both = balls((10, 10, 16.5), (10, 10, 24.5))
    cut = part_at_midline(both, SPACING, MATRIX)
    assert sorted(np.unique(cut)) == [0, 1, 2]
    assert np.array_equal(cut > 0, both > 0)
    x = np.indices(both.shape)[2]
    assert x[cut == 1].max() < x[cut == 2].min()
    sizes = [(cut == k).sum() for k in (1, 2)]
    assert abs(sizes[0] - sizes[1]) < 0.1 * sum(sizes)


@pytest.mark.parametrize("off", [0, 1, 2])
def test_one_tooth_on_a_midline_read_askew_stays_whole(off: int) -> None:
    one = balls((10, 10, 20 + off))
    assert part_at_midline(one, SPACING, MATRIX) is one


def test_two_on_one_side_are_left_to_others() -> None:
    both = balls((10, 10, 6.5), (10, 10, 14.5))
    assert part_at_midline(both, SPACING, MATRIX) is both


def test_what_a_person_called_one_tooth_stays_whole() -> None:
    both = balls((10, 10, 16.5), (10, 10, 24.5))
    assert part_at_midline(both, SPACING, MATRIX, spared={1}) is both


def test_specks_are_not_looked_at() -> None:
    speck = balls((10, 10, 19), (10, 10, 21), radius=1.2)
    assert part_at_midline(speck, SPACING, MATRIX) is speck
