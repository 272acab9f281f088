"""Parallel projection of slices and its inverse, filtered back-projection, as sparse matrices.

Projection is Joseph's method (Joseph 1982, IEEE Trans. Med. Imaging 1:192): a ray steps through the rows or
the columns of a slice, whichever it crosses more steeply, and interpolates linearly in each. A matrix of
one view serves all slices and all materials at once. Back-projection interpolates linearly in the filtered
views (Kak & Slaney 1988, ch. 3). Both agree with scikit-image's ``radon`` and ``iradon`` in the tests.
Lengths are in cm inside, so that attenuation in 1/cm gives plain numbers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy import fft, sparse

from ossicle.practice.scanner.sampling import each

__all__ = [
    "Matrix",
    "ParallelField",
    "back_projection",
    "filtered_back_projection",
    "mean_along_rays",
    "ramp_filtered",
    "ramp_response",
    "view_matrix",
]


class Matrix(Protocol):
    """What is used of a sparse matrix."""

    def __matmul__(self, other: NDArray[np.float32]) -> NDArray[np.float32]: ...

    def toarray(self) -> NDArray[np.float32]:
        """Return it with its zeros."""
        ...


@dataclass(frozen=True)
class ParallelField:
    """Slices of ``ny`` by ``nx`` pixels of ``sy`` by ``sx`` cm, and a detector of ``pixels`` of ``pitch`` cm.

    The rotation axis is the middle of the slice. It falls on the middle of the detector, moved by
    ``offset_px`` pixels.
    """

    ny: int
    nx: int
    sy: float
    sx: float
    pixels: int
    pitch: float
    offset_px: float = 0.0

    @classmethod
    def around(
        cls, shape_yx: tuple[int, int], spacing_cm: tuple[float, float], offset_px: float = 0.0
    ) -> ParallelField:
        """Return a field whose detector, with the slice's pixels, sees all of it from any side."""
        pitch = min(spacing_cm)
        diagonal = float(np.hypot(shape_yx[0] * spacing_cm[0], shape_yx[1] * spacing_cm[1]))
        pixels = int(np.ceil(diagonal / pitch + 2 * abs(offset_px))) + 3
        return cls(*shape_yx, *spacing_cm, pixels + pixels % 2, pitch, offset_px)

    @property
    def y(self) -> NDArray[np.float64]:
        """Rows' distance from the axis, cm."""
        return np.asarray((np.arange(self.ny) - (self.ny - 1) / 2) * self.sy, dtype=np.float64)

    @property
    def x(self) -> NDArray[np.float64]:
        """Columns' distance from the axis, cm."""
        return np.asarray((np.arange(self.nx) - (self.nx - 1) / 2) * self.sx, dtype=np.float64)


def view_matrix(field: ParallelField, angle: float) -> Matrix:
    """Return the matrix (detector pixels, ny * nx) of line integrals in cm at ``angle`` radians.

    The detector's coordinate is s = x cos(angle) + y sin(angle).
    """
    centre = (field.pixels - 1) / 2 + field.offset_px
    s = (np.arange(field.pixels) - centre) * field.pitch
    cos, sin = float(np.cos(angle)), float(np.sin(angle))
    if abs(cos) * field.sy >= abs(sin) * field.sx:
        across = (s[:, None] - field.y[None, :] * sin) / cos / field.sx + (field.nx - 1) / 2
        first, stride, count, length = np.arange(field.ny) * field.nx, 1, field.nx, field.sy / abs(cos)
    else:
        across = (s[:, None] - field.x[None, :] * cos) / sin / field.sy + (field.ny - 1) / 2
        first, stride, count, length = np.arange(field.nx), field.nx, field.ny, field.sx / abs(sin)
    low = np.floor(across).astype(np.int32)
    high = (across - low).astype(np.float32)
    index = np.stack([low, low + 1], axis=-1)
    weight = np.stack([1 - high, high], axis=-1) * np.float32(length)
    weight[(index < 0) | (index >= count)] = 0.0
    columns = (first[None, :, None] + np.clip(index, 0, count - 1) * stride).astype(np.int32)
    return _rows(weight, columns, field.ny * field.nx)


def back_projection(field: ParallelField, angles: Sequence[float] | NDArray[np.float64], rows: slice) -> Matrix:
    """Return the matrix (pixels of the slice rows ``rows``, views * detector pixels) that sums views into a
    slice.

    It assumes that the axis falls on the middle of the detector, whatever ``field.offset_px`` is.
    """
    cos, sin = np.cos(angles), np.sin(angles)
    y = field.y[rows]
    s = (field.x[None, :, None] * cos + y[:, None, None] * sin).reshape(-1, len(angles))
    at = s / field.pitch + (field.pixels - 1) / 2
    low = np.floor(at).astype(np.int32)
    high = (at - low).astype(np.float32)
    index = np.stack([low, low + 1], axis=-1)
    weight = np.stack([1 - high, high], axis=-1)
    weight[(index < 0) | (index >= field.pixels)] = 0.0
    base = (np.arange(len(angles)) * field.pixels).astype(np.int32)
    columns = np.clip(index, 0, field.pixels - 1) + base[None, :, None]
    return _rows(weight, columns.astype(np.int32), len(angles) * field.pixels)


def ramp_response(pixels: int, pitch: float) -> NDArray[np.float64]:
    """Return the ramp filter's response to ``scipy.fft.rfft`` of ``pixels`` samples, in 1/cm.

    It is the transform of the band-limited ramp sampled in space (Kak & Slaney 1988, eq. 3.61), which keeps
    the mean right.
    """
    n = np.minimum(np.arange(pixels), pixels - np.arange(pixels))
    kernel = np.zeros(pixels)
    kernel[0] = 1 / (4 * pitch**2)
    odd = n % 2 == 1
    kernel[odd] = -1 / (np.pi * n[odd] * pitch) ** 2
    return np.asarray(fft.rfft(kernel).real * pitch, dtype=np.float64)


def ramp_filtered(views: NDArray[np.float32], pitch: float) -> NDArray[np.float32]:
    """Return views filtered by the ramp along their last axis, zero-padded so that nothing wraps round."""
    pixels = views.shape[-1]
    padded = fft.next_fast_len(2 * pixels, real=True)
    response = ramp_response(padded, pitch).astype(np.float32)
    out = fft.irfft(fft.rfft(views, n=padded, axis=-1) * response, n=padded, axis=-1)
    return np.ascontiguousarray(out[..., :pixels], dtype=np.float32)


def filtered_back_projection(
    views: NDArray[np.float32], angles: NDArray[np.float64], field: ParallelField, threads: int
) -> NDArray[np.float32]:
    """Return slices (slices, ny, nx), 1/cm, from line integrals (slices, views, pixels) over 180 degrees."""
    filtered = np.empty_like(views)

    def sieve(z: int) -> None:
        filtered[z] = ramp_filtered(views[z], field.pitch)

    for _ in each(range(len(views)), sieve, threads):
        pass
    return np.float32(np.pi) * mean_along_rays(filtered, angles, field, threads)


def mean_along_rays(
    views: NDArray[np.float32], angles: NDArray[np.float64], field: ParallelField, threads: int
) -> NDArray[np.float32]:
    """Return each pixel's (slices, ny, nx) mean over the views (slices, views, pixels) of its ray."""
    slices, count, pixels = views.shape
    stacked = np.ascontiguousarray(views.reshape(slices, -1).T)
    out = np.zeros((field.ny * field.nx, slices), dtype=np.float32)
    step, band = 32, max(1, -(-field.ny // (4 * threads)))

    def gather(first: int) -> None:
        rows = slice(first, min(first + band, field.ny))
        into = slice(rows.start * field.nx, rows.stop * field.nx)
        for start in range(0, count, step):
            part = slice(start, min(start + step, count))
            matrix = back_projection(field, angles[part], rows)
            out[into] += matrix @ stacked[start * pixels : part.stop * pixels]

    for _ in each(range(0, field.ny, band), gather, threads):
        pass
    out *= np.float32(1 / count)
    return np.ascontiguousarray(out.T).reshape(slices, field.ny, field.nx)


def _rows(weight: NDArray[np.float32], columns: NDArray[np.int32], width: int) -> Matrix:
    """Return a sparse matrix of rows with equally many entries; entries of no weight are dropped."""
    rows = weight.shape[0]
    weight, columns = weight.reshape(rows, -1), columns.reshape(rows, -1)
    kept = weight != 0
    pointer = np.concatenate([[0], np.cumsum(kept.sum(axis=1))]).astype(np.int32)
    matrix: Matrix = sparse.csr_array((weight[kept].astype(np.float32), columns[kept], pointer), shape=(rows, width))
    return matrix
