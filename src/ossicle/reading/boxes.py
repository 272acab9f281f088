"""Boxes of voxels, as tuples of slices (z, y, x)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

__all__ = ["Box", "box_of", "grown"]

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
