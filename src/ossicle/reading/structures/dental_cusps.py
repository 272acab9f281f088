"""Cusps of a crown: peaks of its height field, each with the prominence by which it stands out.

The height field is the occlusal surface seen along the skull's vertical, finer than voxels. A peak is a cusp where one
must come down from it by a stated prominence to reach a higher one (h-maxima: Soille 2003, Morphological Image
Analysis, ch. 6); its basin is that of a watershed (Meyer & Beucher 1990). Ridges without a peak are not counted, and a
worn crown has lost what wear took.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import cc3d
import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation, gaussian_filter
from skimage.morphology import reconstruction
from skimage.segmentation import watershed

from ..records import ToothRecord
from .loci import StandingTooth
from .records import Cusps
from .space import Space

__all__ = ["count_peaks", "crown_cusps", "cusps_of_crowns"]

FloatArray = npt.NDArray[np.float64]

PROMINENCE_VOXELS = 0.75
PROMINENCE_SHARE = 0.04
"""A cusp stands out by so many voxels and by this share of the crown's height. Common practice, no source."""
SMOOTH = 0.7
"""Standard deviation (cells of eight tenths of a voxel) by which the heights are smoothed."""
LEAST_WIDTH = 10.0
"""Voxels that a crown must be wide for its cusps to be counted. Common practice, no source."""


def cusps_of_crowns(
    space: Space, standing: Sequence[StandingTooth], teeth: Sequence[ToothRecord]
) -> Mapping[int, Cusps]:
    """Cusps by part, of whole erupted cheek teeth that are wide enough in voxels."""
    whole = {t.part for t in teeth if t.completeness == "complete" and t.emergence == "erupted"}
    out = {}
    for t in standing:
        if t.part in whole and t.tooth_class in ("premolar", "molar"):
            found = crown_cusps(space, t)
            if found is not None:
                out[t.part] = found
    return out


def crown_cusps(space: Space, tooth: StandingTooth) -> Cusps | None:
    """Count the cusps of one crown; None where it is less than `LEAST_WIDTH` voxels wide."""
    low, high = tooth.crown_low - space.voxel, tooth.crown_high + space.voxel
    step = 0.8 * space.voxel
    block = space.block(low, high, step, labels=True)
    assert block.labels is not None
    own = binary_dilation(block.labels == tooth.part) & ((block.labels == tooth.part) | (block.labels == 0))
    solid = own & (block.values > 0.5)
    up = -1 if tooth.jaw == "upper" else 1  # towards the occlusal side along y
    ordered = solid[:, ::-1] if up > 0 else solid
    grey = block.values[:, ::-1] if up > 0 else block.values
    seen = ordered.any(axis=1)
    wide = min(int(seen.any(axis=1).sum()), int(seen.any(axis=0).sum())) * step / space.voxel
    if wide < LEAST_WIDTH:
        return None
    first = np.argmax(ordered, axis=1)
    i, k = np.nonzero(seen)
    j = first[i, k]
    beyond, here = grey[i, np.maximum(j - 1, 0), k], grey[i, j, k]
    part = np.clip((here - 0.5) / np.maximum(here - beyond, 1e-3), 0, 1)
    tall = abs(float(tooth.crown_high[1] - tooth.crown_low[1]))
    height = np.zeros(seen.shape)  # above the crown's neck end, mm
    height[i, k] = (block.values.shape[1] - 1 - j + part) * step
    least = max(PROMINENCE_VOXELS * space.voxel, PROMINENCE_SHARE * tall)
    smooth = gaussian_filter(height, SMOOTH) / np.maximum(gaussian_filter(seen.astype(float), SMOOTH), 1e-3)
    smooth = np.where(seen, smooth, 0.0)
    peaks = count_peaks(smooth, seen, least)
    tips = []
    for a, b in peaks:
        at = np.array([a, block.values.shape[1] - 1 - smooth[a, b] / step, b])
        if up > 0:
            at[1] = smooth[a, b] / step
        tips.append(block.point(at))
    sure = float(np.clip(0.4 + 0.02 * (wide - LEAST_WIDTH), 0.4, 0.75))
    return Cusps(len(peaks), least, np.array(tips).reshape(-1, 3), sure)


def count_peaks(height: FloatArray, seen: npt.NDArray[np.bool_], least: float) -> list[tuple[int, int]]:
    """Peaks (row, column) of a height field that stand out by ``least``, those with a basin of six cells or more."""
    rest = reconstruction(np.maximum(height - least, 0.0), height, method="dilation")
    tops = cc3d.connected_components((height - rest >= 0.999 * least) & seen, connectivity=8)
    if tops.max() == 0:
        return []
    basins = watershed(-height, tops.astype(np.int32), mask=seen)
    sizes = np.bincount(basins.ravel(), minlength=int(tops.max()) + 1)
    out = []
    for n in range(1, int(tops.max()) + 1):
        if sizes[n] >= 6:
            a, b = np.unravel_index(int(np.argmax(np.where(tops == n, height, -np.inf))), height.shape)
            out.append((int(a), int(b)))
    return out
