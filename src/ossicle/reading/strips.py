"""Pictures of the head: tooth rows unrolled, and greatest-grey projections in skull pose.

A row strip is a curved reformat: columns follow the fitted row, rows of the picture run from dorsal to
ventral. A projection shows the greatest grey along each line of sight (maximum intensity projection).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates

from .measures.row_frame import RowFrame
from .records import Jaw, RowStrip

__all__ = ["head_views", "row_strip"]

FloatArray = npt.NDArray[np.float64]
Image = npt.NDArray[np.float32]


def _to_index(points_mm: FloatArray, scan_to_skull: npt.NDArray[np.floating], spacing: FloatArray) -> FloatArray:
    """Skull points (..., 3) to fractional voxel indices (3, ...), order z, y, x."""
    back = np.linalg.inv(np.asarray(scan_to_skull, float))
    scan = points_mm @ back[:3, :3].T + back[:3, 3]
    return np.moveaxis(scan[..., ::-1] / spacing, -1, 0)


def _level(curve: FloatArray) -> FloatArray:
    """The curve with its height smoothed to a parabola over its arc, so that a long canine does not buckle
    the strip."""
    if len(curve) < 4:
        return curve
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(curve[:, [0, 2]], axis=0), axis=1))])
    flat = curve.copy()
    flat[:, 1] = np.polyval(np.polyfit(arc, curve[:, 1], 2), arc)
    return flat


def row_strip(
    grey: npt.NDArray[np.float32],
    labels: npt.NDArray[np.int32],
    spacing_mm_zyx: tuple[float, float, float],
    scan_to_skull: npt.NDArray[np.floating],
    curve: npt.NDArray[np.floating],
    jaw: Jaw,
    thickness_mm: float | None = None,
    pixel_mm: float | None = None,
) -> RowStrip:
    """Unroll the volume along a row.

    ``grey`` and ``labels`` (z, y, x); ``curve`` (n, 3) in skull mm from the midline backwards.
    ``thickness_mm`` is the depth over which the greatest grey is taken (a fifth of the row's length where
    None, half to either side), ``pixel_mm`` the side of a pixel (the finest voxel side where None). Column 0
    is at the midline, row 0 dorsal, so that crowns point down in an upper strip and up in a lower one. The
    strip is as high as the parts it holds, and a margin.
    """
    spacing = np.asarray(spacing_mm_zyx, float)
    pixel = float(pixel_mm) if pixel_mm is not None else float(spacing.min())
    row = RowFrame.of(_level(np.asarray(curve, float)), jaw, "left")
    length = float(row.arc[-1])
    thickness = float(thickness_mm) if thickness_mm is not None else 0.2 * length
    margin = 0.06 * length
    along = np.arange(0.0, length + margin + pixel, pixel)
    foot = np.stack([row.point_at(a) for a in along])
    across = np.stack([row.directions(p)[1] for p in foot])
    root, crown = 0.45 * length, 0.2 * length
    above, below = (root, crown) if jaw == "upper" else (crown, root)
    height = np.arange(above, -below - pixel, -pixel)
    surface = foot[None, :, :] + height[:, None, None] * np.array([0.0, 1.0, 0.0])
    steps = max(1, int(np.ceil(thickness / (2 * pixel))))
    offsets = np.linspace(-thickness / 2, thickness / 2, 2 * steps + 1)
    index = _to_index(surface, scan_to_skull, spacing)
    parts = map_coordinates(labels, index, order=0, mode="constant", cval=0).astype(np.int32)
    held = np.flatnonzero((parts > 0).any(axis=1))
    if len(held):
        pad = int(np.ceil(margin / pixel))
        keep = slice(max(held[0] - pad, 0), min(held[-1] + pad + 1, len(height)))
        surface, parts, index = surface[keep], parts[keep], index[:, keep]
    section = map_coordinates(grey, index, order=1, mode="constant", cval=float(grey.min()))
    projection = section.astype(np.float32)
    for offset in offsets:
        at = _to_index(surface + offset * across[None, :, :], scan_to_skull, spacing)
        layer = map_coordinates(grey, at, order=1, mode="constant", cval=float(grey.min()))
        np.maximum(projection, layer, out=projection)
    return RowStrip(projection, section.astype(np.float32), np.ascontiguousarray(parts), pixel)


def head_views(
    grey: npt.NDArray[np.float32],
    spacing_mm_zyx: tuple[float, float, float],
    scan_to_skull: npt.NDArray[np.floating],
    pixel_mm: float | None = None,
    tick: Callable[[], None] | None = None,
) -> dict[str, Image]:
    """Project the head in skull pose: greatest grey along each line of sight, float32 images with pixels of
    ``pixel_mm``.

    ``lateral left`` and ``lateral right`` show that half of the head alone, seen from its own side, dorsal up
    (the snout points to the left of the picture in the left view, to the right in the right one); ``dorsal``
    and ``ventral`` have the snout up; ``rostral`` is seen from the front, dorsal up. ``pixel_mm`` is one and
    a half of the coarsest voxel side where None.
    """
    spacing = np.asarray(spacing_mm_zyx, float)
    pixel = float(pixel_mm) if pixel_mm is not None else 1.5 * float(spacing.max())
    low, high = _extent(grey, spacing, np.asarray(scan_to_skull, float))
    x, y, z = (np.arange(low[k], high[k] + pixel, pixel) for k in range(3))
    ground = float(grey.min())
    side = {name: np.full((len(y), len(z)), ground, np.float32) for name in ("left", "right")}
    dorsal = np.full((len(z), len(x)), ground, np.float32)
    rostral = np.full((len(y), len(x)), ground, np.float32)
    for k, level in enumerate(y):
        points = np.stack(np.broadcast_arrays(x[None, :], level, z[:, None]), axis=-1)
        index = _to_index(points, scan_to_skull, spacing)
        plane = map_coordinates(grey, index, order=1, mode="constant", cval=ground).astype(np.float32)
        np.maximum(dorsal, plane, out=dorsal)
        rostral[k] = plane.max(axis=0)
        for name, half in (("left", x >= 0), ("right", x <= 0)):
            if half.any():
                side[name][k] = plane[:, half].max(axis=1)
        if tick is not None:
            tick()
    return {
        "lateral left": np.ascontiguousarray(side["left"][::-1, ::-1]),
        "lateral right": np.ascontiguousarray(side["right"][::-1]),
        "dorsal": np.ascontiguousarray(dorsal[::-1, ::-1]),
        "ventral": np.ascontiguousarray(dorsal[::-1]),
        "rostral": np.ascontiguousarray(rostral[::-1]),
    }


def _extent(grey: npt.NDArray[np.float32], spacing: FloatArray, transform: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest skull coordinates of what is bright, with a margin of a twentieth."""
    step = max(1, round((grey.size / 300_000) ** (1 / 3)))
    thin = grey[::step, ::step, ::step]
    dark, bright = np.quantile(thin, [0.2, 0.995])
    where = np.argwhere(thin > (dark + bright) / 2)
    if len(where) < 20:
        where = np.argwhere(np.ones((2, 2, 2), bool)) * (np.array(thin.shape) - 1)
    points = (where * step * spacing)[:, ::-1] @ transform[:3, :3].T + transform[:3, 3]
    low, high = np.quantile(points, [0.001, 0.999], axis=0)
    pad = 0.05 * float((high - low).max())
    return low - pad, high + pad
