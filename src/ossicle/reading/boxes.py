"""Boxes of voxels, as tuples of slices (z, y, x)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["Box", "box_of", "boxes_from_json", "boxes_to_json", "grown"]

Box = tuple[slice, slice, slice]


def box_of(mask: npt.NDArray[np.bool_]) -> Box | None:
    """Return the least box that holds a mask (z, y, x); None where it is empty."""
    from scipy.ndimage import find_objects

    found = find_objects(mask.view(np.uint8))
    return found[0] if found else None


def grown(box: Sequence[slice], shape: Sequence[int], by: int | Sequence[int]) -> Box:
    """Return a box grown by so many voxels at either end, one number for all axes or one each, within ``shape``."""
    widths = [by] * 3 if isinstance(by, int) else by
    z, y, x = (slice(max(s.start - w, 0), min(s.stop + w, n)) for s, w, n in zip(box, widths, shape, strict=True))
    return z, y, x


def boxes_to_json(boxes: Mapping[int, Box]) -> dict[str, list[list[int]]]:
    """Return boxes by part as they are written: start and end along z, y, x."""
    return {str(part): [[int(s.start), int(s.stop)] for s in box] for part, box in boxes.items()}


def boxes_from_json(data: Mapping[str, Any], shape: Sequence[int]) -> dict[int, Box]:
    """Return boxes as they were written, each within a volume of this ``shape``.

    Raises
    ------
    ValueError, TypeError
        They are none, or lie outside the volume.
    """
    found: dict[int, Box] = {}
    for part, ends in data.items():
        z, y, x = (slice(int(a), int(b)) for a, b in ends)
        if any(not 0 <= s.start < s.stop <= n for s, n in zip((z, y, x), shape, strict=True)):
            raise ValueError(f"the box of part {part} lies outside the scan")
        found[int(part)] = (z, y, x)
    return found
