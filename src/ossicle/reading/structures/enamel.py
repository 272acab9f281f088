"""Thickness of enamel, in a section and of a whole crown.

2D (Martin 1985, Nature 314:260): average enamel thickness is the area of the enamel cap over the length of the
enamel-dentine junction; relative thickness is a hundred times that over the square root of the dentine's area.
3D (Kono 2004, Anthropol. Sci. 112:121; Olejniczak et al. 2008): volume of enamel over the junction's surface, over
the cube root of the volume of dentine and pulp beneath the cap. (Sources from memory.)
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter
from skimage.measure import find_contours, marching_cubes

from .records import EnamelThickness

__all__ = ["enamel_thickness_2d", "enamel_thickness_3d", "sheet_thickness"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

SMOOTH = 0.6
"""Smoothing (sigma, cells) of a volume's mask for its surface: less leaves steps, more rounds the cap's rim."""


def enamel_thickness_3d(
    enamel: BoolArray, dentine: BoolArray, spacing_mm_zyx: tuple[float, float, float]
) -> EnamelThickness | None:
    """Measure a crown from masks (z, y, x) of its enamel and of the dentine and pulp beneath it.

    The junction is the part of the dentine's surface (marching cubes, on the mask smoothed by `SMOOTH` voxels) that
    lies against enamel. None where either is empty.
    """
    if not enamel.any() or not dentine.any():
        return None
    volume = float(np.prod(spacing_mm_zyx))
    smooth = gaussian_filter(np.pad(dentine, 3).astype(np.float32), SMOOTH)
    if smooth.max() <= 0.5:  # too little dentine to have a surface
        return None
    points, faces, _, _ = marching_cubes(smooth, 0.5, spacing=spacing_mm_zyx)
    corners = points[faces]
    area = 0.5 * np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    faced = _faces(smooth, np.pad(enamel, 3), corners.mean(1) / np.array(spacing_mm_zyx))
    junction = float(area[faced].sum())
    if junction <= 0:
        return None
    cap, core = float(enamel.sum()) * volume, float(dentine.sum()) * volume
    average = cap / junction
    return EnamelThickness(average, 100 * average / core ** (1 / 3), cap, junction, core)


def sheet_thickness(mask: BoolArray, spacing_mm_zyx: tuple[float, float, float]) -> float:
    """Thickness (mm) of a mask (z, y, x) taken as a sheet: twice its volume over its whole surface; 0 of nothing."""
    smooth = gaussian_filter(np.pad(mask, 3).astype(np.float32), SMOOTH)
    if smooth.max() <= 0.5:
        return 0.0
    points, faces, _, _ = marching_cubes(smooth, 0.5, spacing=spacing_mm_zyx)
    corners = points[faces]
    area = 0.5 * np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1).sum()
    return 2 * float(mask.sum()) * float(np.prod(spacing_mm_zyx)) / float(area)


def enamel_thickness_2d(
    enamel: BoolArray, dentine: BoolArray, spacing_mm: tuple[float, float]
) -> EnamelThickness | None:
    """Measure a section (row, column) through a crown; as `enamel_thickness_3d`, one dimension lower."""
    if not enamel.any() or not dentine.any():
        return None
    cell = float(np.prod(spacing_mm))
    smooth = gaussian_filter(np.pad(dentine, 3).astype(float), 1.0)
    padded = np.pad(enamel, 3)
    junction = 0.0
    for line in find_contours(smooth, 0.5):
        long = np.linalg.norm(np.diff(line, axis=0) * np.array(spacing_mm), axis=1)
        junction += float(long[_faces(smooth, padded, (line[1:] + line[:-1]) / 2)].sum())
    if junction <= 0:
        return None
    cap, core = float(enamel.sum()) * cell, float(dentine.sum()) * cell
    average = cap / junction
    return EnamelThickness(average, 100 * average / core**0.5, cap, junction, core)


def _faces(smooth: npt.NDArray[np.floating], enamel: BoolArray, points: FloatArray) -> BoolArray:
    """Whether places (n, d) on the surface of ``smooth`` (cells) have enamel a little over a cell outward of them."""
    at = np.rint(points).astype(int)
    slope = np.stack([g[tuple(at.T)] for g in np.gradient(smooth)], axis=1)
    out = -slope / np.maximum(np.linalg.norm(slope, axis=1, keepdims=True), 1e-9)
    beyond = np.clip(np.rint(points + 1.2 * out).astype(int), 0, np.array(enamel.shape) - 1)
    found: BoolArray = enamel[tuple(beyond.T)]
    return found
