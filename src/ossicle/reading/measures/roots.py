"""Roots and cusps: how much root there is, how many roots, how many cusps."""

from __future__ import annotations

import cc3d
import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter, maximum_filter

from .crown import Crown
from .sharpening import Levels

__all__ = ["count_cusps", "occlusal_spread", "root_state"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

FULL_ROOT = 1.3
"""Length of a full root in crown heights or 1.0 crown lengths, whichever is longer (common practice, no
source)."""

HIGH = 0.6
"""Share of the crown's height above which a part of it counts as high."""


def root_state(
    own: BoolArray,
    smooth: npt.NDArray[np.float32],
    coordinates: FloatArray,
    crown: Crown,
    levels: Levels,
    spacing: FloatArray,
) -> tuple[float, int | None]:
    """Return the share of a full root that exists, and the number of roots (None where there is too little
    root to tell)."""
    up = coordinates[2]
    length = crown.cervix - crown.base
    full = max(FULL_ROOT * crown.height_mm, 1.0 * crown.length_mm)
    fraction = float(np.clip(length / full, 0.0, 1.0)) if crown.rooted else 0.0
    if not crown.rooted or length < 4 * spacing.max():
        return fraction, None
    counts = []
    for share in (0.35, 0.5, 0.65):
        level = crown.cervix - share * length
        slab = own & (np.abs(up - level) < 0.75 * spacing.max())
        pieces = cc3d.connected_components(slab, connectivity=26)
        sizes = np.bincount(pieces.ravel())[1:]
        if len(sizes):
            counts.append(int((sizes >= max(5, 0.12 * sizes.max())).sum()))
    return fraction, int(max(counts)) if counts else None


def count_cusps(crown: Crown, voxel_mm: float) -> int | None:
    """Count peaks of the occlusal surface that stand out by more than a tenth of the crown's height and a
    voxel."""
    height = _heights(crown, voxel_mm)
    if height is None:
        return None
    height = np.maximum(height, crown.cervix)
    height = gaussian_filter(np.pad(height, 2, constant_values=crown.cervix), 0.8)
    return _prominent(height, max(0.06 * crown.height_mm, 0.8 * voxel_mm))


def occlusal_spread(crown: Crown, voxel_mm: float) -> float | None:
    """How widely the crown's high parts lie apart, 0 (one point) to 1 (all over its outline).

    The root mean square distance of all that rises above `HIGH` of the crown's height, from its own middle, against
    that of a square of the outline's area. A broad table of several cusps, as of a molar, comes near 1; one cusp on a
    long base, as of most premolars, does not. None where the crown is too small to tell.
    """
    height = _heights(crown, voxel_mm)
    if height is None:
        return None
    up = (height - crown.cervix) / max(crown.height_mm, 1e-9)
    outline = int((up > 0).sum())
    places = np.argwhere(up > HIGH)
    if outline < 12 or len(places) < 2:
        return None
    return float(np.sqrt(places.var(axis=0).sum() / (outline / 6)))


def _heights(crown: Crown, voxel_mm: float) -> FloatArray | None:
    """Greatest height (mm on the axis) of the crown's surface in cells of a voxel along and across the row; -inf where
    there is none. None where the crown is less than four cells wide."""
    points = crown.points[crown.covered]
    low = points.min(axis=0)
    size = np.ceil((points.max(axis=0) - low) / voxel_mm).astype(int)[:2] + 1
    if size.min() < 4:
        return None
    index = np.rint((points[:, :2] - low[:2]) / voxel_mm).astype(int)
    height = np.full(tuple(size), -np.inf)
    np.maximum.at(height, (index[:, 0], index[:, 1]), points[:, 2])
    for _ in range(2):  # cells between vertices take the greatest of their neighbours
        height = np.where(np.isfinite(height), height, maximum_filter(height, 3, mode="constant", cval=-np.inf))
    return height


def _prominent(height: FloatArray, least: float) -> int:
    """Number of maxima of a height map whose prominence is at least ``least`` (union of cells from the top
    down)."""
    tops = np.argwhere((height == maximum_filter(height, 3)) & (height > height.min() + least))
    order = np.argsort(-height.ravel(), kind="stable")
    root = np.full(height.size, -1)
    peak = height.ravel()
    columns = height.shape[1]
    count = 0

    def find(k: int) -> int:
        while root[k] != k:
            root[k] = root[root[k]]
            k = int(root[k])
        return k

    if len(tops) <= 1:
        return max(1, len(tops))
    for k in order:
        k = int(k)
        row, column = divmod(k, columns)
        root[k] = k
        for dr in (-1, 0, 1):
            for dc in (-1, 0, 1):
                r, c = row + dr, column + dc
                if not (0 <= r < height.shape[0] and 0 <= c < columns) or root[r * columns + c] < 0:
                    continue
                a, b = find(k), find(r * columns + c)
                if a == b:
                    continue
                if peak[a] < peak[b]:
                    a, b = b, a
                if peak[b] - peak[k] >= least:
                    count += 1
                root[b] = a
    return count + 1
