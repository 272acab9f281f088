"""What a reading under way has found, as it is shown: in the frame of the whole scan, teeth through bone."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from PIL import Image

from ossicle.collection import Collection
from ossicle.collection.glimpses import drop_glimpse, glimpse_file, keep_glimpse, laid_out
from ossicle.reading.clock import FIRST_TOOTH, Glimpse, glimpse


def grid(start: tuple[int, int, int], factor: float, shape: tuple[int, int, int]) -> SimpleNamespace:
    return SimpleNamespace(start=start, factor=factor, scan_shape=shape)


def test_teeth_show_through_bone_and_the_nearer_is_seen() -> None:
    bones = np.zeros((4, 5, 6), np.int32)
    bones[:3, :4] = 7
    teeth = np.zeros_like(bones)
    teeth[1, 2, 5], teeth[1, 2, 3] = 2, 9  # one behind the other along x
    found = glimpse(teeth, bones, grid((0, 0, 0), 1, (4, 5, 6)))
    assert found.marks[1, 2] == FIRST_TOOTH + 9 - 1
    assert found.marks[0, 0] == 7
    assert found.marks[3, 4] == 0
    assert (found.marks > 0).sum() == 12


@pytest.mark.parametrize("factor", [0.5, 1, 2])
def test_it_lies_where_the_scan_shows_it(factor: float) -> None:
    """A voxel of the scan's (z, y) is marked where the working grid, of other voxels and another corner, has it."""
    marks = np.zeros((round(30 / factor), round(20 / factor)), np.uint8)
    marks[round(10 / factor) : round(14 / factor), round(4 / factor) : round(6 / factor)] = 3
    whole = laid_out(Glimpse(marks, (5, 8), factor, (60, 40)))
    expected = np.zeros((60, 40), np.uint8)
    expected[15:19, 12:14] = 3
    np.testing.assert_array_equal(whole, expected)
    assert max(laid_out(Glimpse(marks, (5, 8), factor, (600, 400))).shape) == 256


def test_it_is_kept_while_the_reading_runs(tmp_path) -> None:  # type: ignore[no-untyped-def]
    with Collection.create(tmp_path / "c") as held:
        keep_glimpse(held.layout, "abc", Glimpse(np.full((3, 2), FIRST_TOOTH, np.uint8), (0, 0), 1, (3, 2)))
        file = glimpse_file(held.layout, "abc")
        np.testing.assert_array_equal(np.asarray(Image.open(file)), np.full((3, 2), FIRST_TOOTH))
        drop_glimpse(held.layout, "abc")
        assert not file.exists()
        assert held.check().sound
