"""Solids in closed form on small grids: plates, shells, jaws. Nothing here comes from the practice specimens."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter
from scipy.spatial.transform import Rotation

from ossicle.reading.structures import Space

FloatArray = npt.NDArray[np.float64]
Field = Callable[[FloatArray], FloatArray]
"""Signed distance (mm, negative inside) of points (..., 3) in skull mm."""


def space_of(
    solid: Field,
    low: npt.ArrayLike,
    high: npt.ArrayLike,
    step: float,
    *,
    blur: float = 0.7,
    noise: float = 0.0,
    turn_deg: tuple[float, float, float] = (0.0, 0.0, 0.0),
    seed: int = 0,
    label: int = 1,
) -> Space:
    """Scan a solid: partial volume, blur (sigma in voxels), noise; the grid turned against the skull's axes."""
    a, b = np.asarray(low, float), np.asarray(high, float)
    turn = Rotation.from_euler("xyz", turn_deg, degrees=True).as_matrix()
    middle, half = (a + b) / 2, float(np.max(b - a)) / 2
    wide = half * (1.0 if not any(turn_deg) else 1.3)
    n = int(np.ceil(2 * wide / step))
    matrix = np.eye(4)
    matrix[:3, :3] = turn
    matrix[:3, 3] = middle - turn @ np.full(3, (n - 1) * step / 2)
    index = np.arange(n) * step
    z, y, x = np.meshgrid(index, index, index, indexing="ij")
    points = np.stack([x, y, z], axis=-1) @ turn.T + matrix[:3, 3]
    inside = np.clip(0.5 - solid(points) / step, 0, 1)
    values = gaussian_filter(inside, blur).astype(np.float32)
    if noise:
        values += np.random.default_rng(seed).normal(0, noise, values.shape).astype(np.float32)
    labels = np.where(values > 0.5, label, 0).astype(np.int32)
    # a voxel's own box adds a twelfth of its square
    return Space(values, labels, (step, step, step), matrix, float(np.sqrt(blur**2 + 1 / 12) * step), noise)


def capsule(a: npt.ArrayLike, b: npt.ArrayLike, radius: float) -> Field:
    """A rod with round ends."""
    p, q = np.asarray(a, float), np.asarray(b, float)

    def of(x: FloatArray) -> FloatArray:
        t = np.clip((x - p) @ (q - p) / ((q - p) @ (q - p)), 0, 1)
        out: FloatArray = np.linalg.norm(x - p - t[..., None] * (q - p), axis=-1) - radius
        return out

    return of


def box(low: npt.ArrayLike, high: npt.ArrayLike) -> Field:
    """A box along the axes."""
    a, b = np.asarray(low, float), np.asarray(high, float)

    def of(x: FloatArray) -> FloatArray:
        d = np.abs(x - (a + b) / 2) - (b - a) / 2
        out: FloatArray = np.linalg.norm(np.maximum(d, 0), axis=-1) + np.minimum(d.max(-1), 0)
        return out

    return of


def joined(*solids: Field) -> Field:
    """Union."""
    return lambda x: np.min([s(x) for s in solids], axis=0)


def without(solid: Field, hole: Field) -> Field:
    """Difference."""
    return lambda x: np.maximum(solid(x), -hole(x))


def ellipsoid(centre: npt.ArrayLike, radii: npt.ArrayLike) -> Field:
    """An ellipsoid; the distance is right to first order near its surface."""
    c, r = np.asarray(centre, float), np.asarray(radii, float)

    def of(x: FloatArray) -> FloatArray:
        k0 = np.linalg.norm((x - c) / r, axis=-1)
        k1 = np.linalg.norm((x - c) / r**2, axis=-1) + 1e-9
        out: FloatArray = k0 * (k0 - 1) / k1
        return out

    return of


def cylinder(a: npt.ArrayLike, b: npt.ArrayLike, radii: tuple[float, float], along: npt.ArrayLike) -> Field:
    """An elliptic cylinder from ``a`` to ``b``; the first radius lies along ``along``."""
    p, q = np.asarray(a, float), np.asarray(b, float)
    n = (q - p) / np.linalg.norm(q - p)
    u = np.asarray(along, float) - n * (np.asarray(along, float) @ n)
    u /= np.linalg.norm(u)
    v = np.cross(n, u)

    def of(x: FloatArray) -> FloatArray:
        d = x - (p + q) / 2
        s, t = d @ u / radii[0], d @ v / radii[1]
        k0, k1 = np.hypot(s, t), np.hypot(s / radii[0], t / radii[1]) + 1e-9
        out: FloatArray = np.maximum(k0 * (k0 - 1) / k1, np.abs(d @ n) - np.linalg.norm(q - p) / 2)
        return out

    return of
