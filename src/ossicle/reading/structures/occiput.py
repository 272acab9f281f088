"""Breadth across the occipital condyles: how far out the bone reaches that stands out behind beside the foramen magnum.

On either side the hindmost bone is followed from the condyle's tip outwards, along with the occiput beside it: the
condyle ends where that line falls away most steeply, before it runs on more gently as the occiput's.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d

from .lengths import Ruler
from .records import Measured, Opening, Value

__all__ = ["condyle_breadth"]

FloatArray = npt.NDArray[np.float64]

NAME, DEFINITION = "breadth across the occipital condyles", "breadth_across_the_occipital_condyles"
FARTHEST = 2.2
"""How far out the condyles' ends lie, in half widths of the foramen magnum. Common practice, no source."""


def condyle_breadth(ruler: Ruler, skin: FloatArray, magnum: Opening) -> Measured | None:
    """Measure it on a cranium's surface ``skin`` (n, 3); None where a side has no condyle that stands out.

    Its error holds half a voxel more at either end than that of a length between tips, for the end is one of slope.
    """
    low, high = float(magnum.rim[:, 1].min()), float(np.ptp(magnum.rim[:, 1]))
    band = skin[(skin[:, 1] > low - 0.6 * high) & (skin[:, 1] < low + 0.7 * high)]
    left, right = (_outermost(band, magnum, sign, ruler.space.voxel) for sign in (1, -1))
    if left is None or right is None:
        return None
    found = ruler.between(NAME, DEFINITION, left, right, 0)
    if found is None:
        return None
    error = float(np.hypot(found.value_mm.error, 0.5 * np.sqrt(2) * ruler.space.voxel))
    return replace(found, value_mm=Value(found.value_mm.value, error))


def _outermost(band: FloatArray, magnum: Opening, sign: int, voxel: float) -> FloatArray | None:
    """Outer end of one side's condyle."""
    half = 0.5 * float(np.ptp(magnum.rim[:, 0]))
    out = sign * band[:, 0]
    near = (out > 0.4 * half) & (out < FARTHEST * half) & (band[:, 2] < magnum.centre[2] + 2.0 * half)
    some, out = band[near], out[near]
    column = np.floor(out / voxel).astype(int)
    columns = np.unique(column)
    if len(columns) < 8 or np.ptp(columns) + 1 > len(columns) + 2:
        return None
    hindmost = np.array([some[column == c][np.argmin(some[column == c][:, 2])] for c in columns])
    line = gaussian_filter1d(hindmost[:, 2], 0.8, mode="nearest")
    tip = int(np.argmin(line))
    falls = line[tip:] - line[tip]
    slope = np.diff(falls)
    reach = max(3, round(0.3 * half / voxel))
    for steep in range(1, len(slope) - 1):
        after = slope[steep + 1 : steep + 1 + reach]
        first = slope[steep] >= max(slope[steep - 1], slope[steep + 1]) and falls[steep + 1] > 2 * voxel
        if first and float(after.min()) < 0.6 * slope[steep]:
            break
    else:
        return None
    a, b = hindmost[tip + steep], hindmost[tip + steep + 1]
    end: FloatArray = (a + b) / 2
    end[0] = sign * (columns[tip + steep] + 1.0) * voxel
    return end
