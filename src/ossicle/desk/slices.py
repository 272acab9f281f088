"""Slices: a plane through the scan as a picture, and the outlines of the parts that it cuts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ossicle.errors import OssicleError
from ossicle.reading.records import Vector
from ossicle.scans.model import ArrayLike3D

__all__ = ["Plane", "label_piece", "outlines", "parts_on", "png"]

FloatArray = npt.NDArray[np.float64]
MOST_PIXELS = 2_400 * 2_400
MOST_LABELS = 48_000_000
"""Labels read at once; of a larger box every second, fourth, eighth ... along each axis."""
LEAST_RING = 6
"""Pixels that a ring must enclose, about, to be drawn."""


@dataclass(frozen=True)
class Plane:
    """A rectangle in the scan: its middle and two unit vectors (x, y, z, grid mm), and its size in mm.

    ``u`` runs to the right of the picture, ``v`` down.
    """

    middle: Vector
    u: Vector
    v: Vector
    width_mm: float
    height_mm: float
    mm_per_px: float

    @classmethod
    def of(
        cls,
        middle: npt.ArrayLike,
        u: npt.ArrayLike,
        v: npt.ArrayLike,
        width_mm: float,
        height_mm: float,
        px: int,
    ) -> Plane:
        """Make a plane whose longer side has ``px`` pixels; ``v`` is put at a right angle to ``u``.

        Raises
        ------
        OssicleError
            The directions are none, or along one line; the size is none, or too large for a picture.
        """
        a, b = np.asarray(u, float), np.asarray(v, float)
        if not (np.isfinite(a).all() and np.isfinite(b).all() and np.linalg.norm(a) > 0):
            raise OssicleError(
                "these directions set no plane", where="u, v", mend="give two that are not along one line"
            )
        a = a / np.linalg.norm(a)
        b = b - (b @ a) * a
        if np.linalg.norm(b) < 1e-6:
            raise OssicleError(
                "these directions set no plane", where="u, v", mend="give two that are not along one line"
            )
        b = b / np.linalg.norm(b)
        if not (0 < width_mm < 1e5 and 0 < height_mm < 1e5 and 8 <= px <= 4096):
            raise OssicleError(
                f"a slice of {width_mm:g} x {height_mm:g} mm in {px} pixels cannot be drawn",
                where="width, height, px",
                mend="give a size in mm, and 8 to 4096 pixels",
            )
        step = max(width_mm, height_mm) / px
        if round(width_mm / step) * round(height_mm / step) > MOST_PIXELS:
            raise OssicleError("the slice has too many pixels", where="px", mend="ask for fewer")
        return cls(_vector(np.asarray(middle, float)), _vector(a), _vector(b), width_mm, height_mm, step)

    def places(self) -> FloatArray:
        """Return the middles of the pixels, (row, column, 3), grid mm."""
        columns = max(1, round(self.width_mm / self.mm_per_px))
        rows = max(1, round(self.height_mm / self.mm_per_px))
        across = (np.arange(columns) - (columns - 1) / 2) * self.mm_per_px
        down = (np.arange(rows) - (rows - 1) / 2) * self.mm_per_px
        u, v = np.asarray(self.u), np.asarray(self.v)
        return np.asarray(np.asarray(self.middle) + across[None, :, None] * u + down[:, None, None] * v, float)


def _vector(v: FloatArray) -> Vector:
    return float(v[0]), float(v[1]), float(v[2])


def label_piece(
    labels: ArrayLike3D, low: Sequence[int] | npt.NDArray[np.int_], high: Sequence[int] | npt.NDArray[np.int_]
) -> tuple[npt.NDArray[Any], npt.NDArray[np.int_], int]:
    """Return the labels from ``low`` up to ``high`` (voxels, z, y, x), the first one's voxel, and their step.

    The step is 1 unless that would be more than `MOST_LABELS`; then 2, 4, 8 ..., which coarser levels hold.
    """
    thin = 1
    while math.prod(-(-(int(b) - int(a)) // thin) for a, b in zip(low, high, strict=True)) > MOST_LABELS:
        thin *= 2
    start = np.asarray(low, int) // thin * thin
    box = tuple(slice(int(a), int(b), thin) for a, b in zip(start, high, strict=True))
    return np.asarray(labels[box]), start, thin


def parts_on(labels: ArrayLike3D, spacing_mm_zyx: Vector, grid_mm: FloatArray) -> npt.NDArray[np.int32]:
    """Return the label at each of the places (..., 3), 0 outside."""
    shape = np.array(labels.shape)
    flat = grid_mm.reshape(-1, 3)[:, ::-1] / np.asarray(spacing_mm_zyx, float)
    low = np.clip(np.floor(flat.min(axis=0)) - 1, 0, shape - 1).astype(int)
    high = np.clip(np.ceil(flat.max(axis=0)) + 2, low + 1, shape).astype(int)
    box, start, thin = label_piece(labels, low, high)
    index = np.rint((grid_mm - (start * np.asarray(spacing_mm_zyx))[::-1])[..., ::-1] / np.asarray(spacing_mm_zyx))
    index = index.astype(np.int64)
    inside = ((index >= 0) & (index < high - start)).all(axis=-1)
    z, y, x = np.moveaxis(np.where(inside[..., None], index // thin, 0), -1, 0)
    return np.where(inside, box[z, y, x], 0).astype(np.int32)


def outlines(parts: npt.NDArray[np.int32], px_per_voxel: float) -> list[dict[str, Any]]:
    """Return the rings (x, y in pixels, from the middle of the first) round each part of a picture of labels.

    A mask is smoothed by half a voxel before it is contoured, so that the steps of voxels do not show; a part that is
    too thin for that is contoured as it is.
    """
    from scipy.ndimage import find_objects, gaussian_filter
    from skimage.measure import approximate_polygon, find_contours

    sigma = max(0.5 * px_per_voxel, 0.4)
    pad = int(np.ceil(3 * sigma)) + 1
    out = []
    for part, box in enumerate(find_objects(parts), start=1):
        if box is None:
            continue
        mask = np.pad(parts[box] == part, pad).astype(np.float32)
        soft = gaussian_filter(mask, sigma, truncate=3.0)
        if soft.max() <= 0.55:
            soft = mask
        rings = []
        for ring in find_contours(soft, 0.5):
            if len(ring) < 4 or _area(ring) < LEAST_RING:
                continue
            ring = np.add(approximate_polygon(ring, 0.3), [box[0].start - pad, box[1].start - pad])
            rings.append([[round(float(x), 2), round(float(y), 2)] for y, x in ring])
        if rings:
            out.append({"part": part, "rings": rings})
    return out


def _area(ring: FloatArray) -> float:
    y, x = ring[:, 0], ring[:, 1]
    return float(abs(np.dot(x[:-1], y[1:]) - np.dot(x[1:], y[:-1])) / 2)


def png(grey: npt.NDArray[np.uint8]) -> bytes:
    """Return a grey picture as PNG."""
    import io

    from PIL import Image

    buffer = io.BytesIO()
    Image.fromarray(grey).save(buffer, "png", compress_level=1)
    return buffer.getvalue()
