"""Cone-beam projection on a circle, and reconstruction by the method of Feldkamp, Davis & Kress (1984, JOSA
A 1:612).

The detector is the virtual one through the rotation axis: its pixels are as wide as the slice's, its rows
as high as the slices. The source stands on the plane of the middle slice, at ``source`` cm from the axis.
For a ray to (u, v), the point at distance t from the axis towards the source lies at u (D - t) / D across
and v (D - t) / D along the axis: the last does not depend on u, so that a view is two sparse products, one
in the plane and one along the axis. Lengths in cm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from ossicle.practice.scanner.projector import Matrix, ParallelField, ramp_filtered
from ossicle.practice.scanner.sampling import each

__all__ = ["ConeField", "cone_view", "feldkamp"]


@dataclass(frozen=True)
class ConeField:
    """A plane field, its slices of ``sz`` cm, a detector of ``rows`` rows, the source's distance in cm."""

    plane: ParallelField
    slices: int
    sz: float
    rows: int
    source: float

    @classmethod
    def around(
        cls,
        shape: tuple[int, int, int],
        spacing_cm: tuple[float, float, float],
        source: float,
        offset_px: float = 0.0,
    ) -> ConeField:
        """Return a field whose detector sees the whole volume from any side."""
        plane = ParallelField.around(shape[1:], spacing_cm[1:], offset_px)
        reach = plane.pixels * plane.pitch / 2
        wider = source / float(np.sqrt(source**2 - reach**2))
        pixels = int(np.ceil(plane.pixels * wider)) + 2
        plane = ParallelField(*shape[1:], *spacing_cm[1:], pixels + pixels % 2, plane.pitch, offset_px)
        rows = int(np.ceil(shape[0] * source / (source - reach))) + 2
        return cls(plane, shape[0], spacing_cm[0], rows + (rows + shape[0]) % 2, source)

    @property
    def u(self) -> NDArray[np.float64]:
        """Pixels' distance from the middle of the detector, cm, as the scanner has them."""
        pixels = np.arange(self.plane.pixels) - (self.plane.pixels - 1) / 2 - self.plane.offset_px
        return np.asarray(pixels * self.plane.pitch, dtype=np.float64)

    @property
    def v(self) -> NDArray[np.float64]:
        """Rows' distance from the plane of the source, cm."""
        return np.asarray((np.arange(self.rows) - (self.rows - 1) / 2) * self.sz, dtype=np.float64)


def cone_view(field: ConeField, volume: NDArray[np.float32], angle: float, kinds: int) -> NDArray[np.float32]:
    """Return line integrals (pixels, kinds, rows) at ``angle`` of volumes as (ny * nx, kinds * slices)."""
    plane, distance = field.plane, field.source
    reach = float(np.hypot(plane.ny * plane.sy, plane.nx * plane.sx)) / 2
    depths = int(np.ceil(2 * reach / plane.pitch))
    t = np.asarray((np.arange(depths) - (depths - 1) / 2) * plane.pitch, dtype=np.float64)
    along = _axial(field, t)
    out = np.empty((plane.pixels, kinds, field.rows), dtype=np.float32)
    cos, sin = float(np.cos(angle)), float(np.sin(angle))
    chunk = max(1, int(2e7 / (depths * kinds * field.slices)))
    for start in range(0, plane.pixels, chunk):
        u = field.u[start : start + chunk]
        across = u[:, None] * (distance - t) / distance
        # The direction to the source is (sin, -cos), that of u is (cos, sin), in (x, y).
        x = (across * cos + t * sin) / plane.sx + (plane.nx - 1) / 2
        y = (across * sin - t * cos) / plane.sy + (plane.ny - 1) / 2
        samples = _bilinear(y.ravel(), x.ravel(), plane.ny, plane.nx) @ volume
        samples = samples.reshape(len(u), depths, kinds, field.slices).transpose(1, 3, 0, 2)
        rays = along @ np.ascontiguousarray(samples).reshape(depths * field.slices, -1)
        out[start : start + chunk] = rays.reshape(field.rows, len(u), kinds).transpose(1, 2, 0)
    slant = np.sqrt(1 + (field.u[:, None] / distance) ** 2 + (field.v[None, :] / distance) ** 2) * plane.pitch
    out *= slant[:, None, :].astype(np.float32)
    return out


def feldkamp(
    views: NDArray[np.float32], angles: NDArray[np.float64], field: ConeField, threads: int
) -> NDArray[np.float32]:
    """Return slices (slices, ny, nx), 1/cm, from line integrals (views, pixels, rows) over 360 degrees."""
    plane, distance = field.plane, field.source
    u = (np.arange(plane.pixels) - (plane.pixels - 1) / 2) * plane.pitch
    cosine = distance / np.sqrt(distance**2 + u[:, None] ** 2 + field.v[None, :] ** 2)
    filtered = np.empty_like(views)

    def sieve(view: int) -> None:
        weighted = (views[view] * cosine).astype(np.float32).T
        filtered[view] = ramp_filtered(weighted, plane.pitch).T

    for _ in each(range(len(views)), sieve, threads):
        pass
    out = np.zeros((plane.ny * plane.nx, field.slices), dtype=np.float32)
    band = max(1, -(-plane.ny // (4 * threads)))

    def gather(first: int) -> None:
        rows = slice(first, min(first + band, plane.ny))
        into = slice(rows.start * plane.nx, rows.stop * plane.nx)
        y, x = (a.ravel() for a in np.meshgrid(plane.y[rows], plane.x, indexing="ij"))
        for view, angle in enumerate(angles):
            cos, sin = np.cos(angle), np.sin(angle)
            scale = distance / (distance - (x * sin - y * cos))
            at = (x * cos + y * sin) * scale / plane.pitch + (plane.pixels - 1) / 2
            low = np.clip(np.floor(at).astype(np.int32), 0, plane.pixels - 2)
            high = np.clip(at - low, 0.0, 1.0)
            weight = np.stack([(1 - high) * scale**2, high * scale**2], axis=1).astype(np.float32)
            index = np.stack([low, low + 1], axis=1)
            matrix: Matrix = sparse.csr_array(
                (weight.ravel(), index.ravel(), np.arange(0, 2 * len(x) + 1, 2)), shape=(len(x), plane.pixels)
            )
            _spread(out[into], matrix @ filtered[view], scale, field)

    for _ in each(range(0, plane.ny, band), gather, threads):
        pass
    out *= np.float32(np.pi / len(angles))
    return np.ascontiguousarray(out.T).reshape(field.slices, plane.ny, plane.nx)


def _spread(
    out: NDArray[np.float32], columns: NDArray[np.float32], scale: NDArray[np.float64], field: ConeField
) -> None:
    """Add detector columns (pixels, rows) to voxels (pixels, slices), stretched along the axis by each
    pixel's scale.

    Pixels whose scale moves the outermost slice by less than a twentieth of a slice are stretched as one.
    """
    step = 0.1 / max(field.slices / 2, 1.0)
    groups = np.rint((scale - 1.0) / step).astype(np.int64)
    order = np.argsort(groups, kind="stable")
    edges = np.flatnonzero(np.diff(groups[order])) + 1
    slices = np.arange(field.slices) - (field.slices - 1) / 2
    for members in np.split(order, edges):
        at = slices * (1.0 + groups[members[0]] * step) + (field.rows - 1) / 2
        low = np.clip(np.floor(at).astype(np.int64), 0, field.rows - 2)
        high = np.clip(at - low, 0.0, 1.0).astype(np.float32)
        part = columns[members]
        out[members] += part[:, low] * (1 - high) + part[:, low + 1] * high


def _axial(field: ConeField, t: NDArray[np.float64]) -> Matrix:
    """Return the matrix (rows, depths * slices) that sums along rays, interpolating between slices."""
    at = field.v[:, None] * (field.source - t) / field.source / field.sz + (field.slices - 1) / 2
    low = np.floor(at).astype(np.int64)
    high = (at - low).astype(np.float32)
    rows = np.broadcast_to(np.arange(field.rows)[:, None], at.shape)
    depth = np.broadcast_to(np.arange(len(t))[None, :] * field.slices, at.shape)
    index = np.stack([low, low + 1])
    weight = np.stack([1 - high, high])
    kept = (index >= 0) & (index < field.slices)
    column = (depth + index)[kept]
    row = np.broadcast_to(rows, index.shape)[kept]
    matrix: Matrix = sparse.csr_array((weight[kept], (row, column)), shape=(field.rows, len(t) * field.slices))
    return matrix


def _bilinear(y: NDArray[np.float64], x: NDArray[np.float64], ny: int, nx: int) -> Matrix:
    """Return the matrix (samples, ny * nx) that interpolates at fractional rows and columns; 0 outside."""
    low_y, low_x = np.floor(y).astype(np.int64), np.floor(x).astype(np.int64)
    part_y, part_x = y - low_y, x - low_x
    index, weight = [], []
    for step_y, weight_y in ((0, 1 - part_y), (1, part_y)):
        for step_x, weight_x in ((0, 1 - part_x), (1, part_x)):
            row, column = low_y + step_y, low_x + step_x
            inside = (row >= 0) & (row < ny) & (column >= 0) & (column < nx)
            index.append(np.where(inside, row * nx + column, 0))
            weight.append(np.where(inside, weight_y * weight_x, 0.0))
    weights = np.stack(weight, axis=1).astype(np.float32)
    columns = np.stack(index, axis=1).astype(np.int32)
    kept = weights != 0
    pointer = np.concatenate([[0], np.cumsum(kept.sum(axis=1))]).astype(np.int32)
    matrix: Matrix = sparse.csr_array((weights[kept], columns[kept], pointer), shape=(len(y), ny * nx))
    return matrix
