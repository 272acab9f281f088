"""Signed distance functions: the clay that practice specimens are made of.

A :class:`Solid` is a function of three float32 coordinate arrays (mm) of one shape that returns the signed
distance to a surface (mm, negative inside), with a box outside which it is positive. Distances are exact for
the simple shapes and first-order (value over gradient) for the others, which is enough to tell partial
volumes within a voxel of a surface.

Forms after the standard literature of implicit surfaces: Ricci (1973, Computer Journal 16:157) for set
operations by minimum and maximum; the polynomial smooth minimum is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import PchipInterpolator

__all__ = [
    "Array",
    "Field",
    "Frame",
    "Solid",
    "blend",
    "chain",
    "cut",
    "ellipsoid",
    "f32",
    "frame",
    "half_space",
    "join",
    "meet",
    "placed",
    "round_cone",
    "shell",
    "smooth_max",
    "smooth_min",
    "sphere",
    "swollen",
    "torus",
]

Array = NDArray[np.float32]
Field = Callable[[Array, Array, Array], Array]
Frame = NDArray[np.float64]
F = np.float32


def f32(values: Any) -> Array:
    """An array expression as what it is: float32 (numpy's stubs lose sight of it)."""
    out: Array = values
    return out


@dataclass(frozen=True)
class Solid:
    """A signed distance function and the box that holds it (mm, own frame)."""

    field: Field
    lo: NDArray[np.float64]
    hi: NDArray[np.float64]

    def __call__(self, x: Array, y: Array, z: Array) -> Array:
        """Signed distance at points of these coordinates, mm; negative inside."""
        return self.field(x, y, z)

    def at(self, points: ArrayLike) -> Array:
        """Signed distance at points ``(n, 3)`` in mm."""
        p = np.ascontiguousarray(np.asarray(points, dtype=F).reshape(-1, 3).T)
        return self.field(p[0], p[1], p[2])


def box_of(lo: ArrayLike, hi: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Corners of a box as arrays."""
    return np.asarray(lo, dtype=float), np.asarray(hi, dtype=float)


# --- combination
# -----------------------------------------------------------------------------------------------


def smooth_min(a: Array, b: Array, k: float) -> Array:
    """Minimum of two distances with a fillet of about `k` mm."""
    if k <= 0:
        return np.minimum(a, b)
    h = np.maximum(F(k) - np.abs(a - b), F(0))
    return f32(np.minimum(a, b) - h * h * F(0.25 / k))


def smooth_max(a: Array, b: Array, k: float) -> Array:
    """Maximum of two distances with an edge rounded by about `k` mm."""
    if k <= 0:
        return np.maximum(a, b)
    h = np.maximum(F(k) - np.abs(a - b), F(0))
    return f32(np.maximum(a, b) + h * h * F(0.25 / k))


def join(*solids: Solid, k: float = 0.0) -> Solid:
    """Union, with fillets of `k` mm."""
    if len(solids) == 1:
        return solids[0]

    def field(x: Array, y: Array, z: Array) -> Array:
        d = solids[0](x, y, z)
        for s in solids[1:]:
            d = smooth_min(d, s(x, y, z), k)
        return d

    lo = np.min([s.lo for s in solids], axis=0) - k / 4
    hi = np.max([s.hi for s in solids], axis=0) + k / 4
    return Solid(field, lo, hi)


def cut(a: Solid, *others: Solid, k: float = 0.0) -> Solid:
    """`a` without the others."""

    def field(x: Array, y: Array, z: Array) -> Array:
        d = a(x, y, z)
        for s in others:
            d = smooth_max(d, -s(x, y, z), k)
        return d

    return Solid(field, a.lo, a.hi)


def meet(a: Solid, *others: Solid, k: float = 0.0) -> Solid:
    """Intersection; the box is that of `a`."""

    def field(x: Array, y: Array, z: Array) -> Array:
        d = a(x, y, z)
        for s in others:
            d = smooth_max(d, s(x, y, z), k)
        return d

    return Solid(field, a.lo, a.hi)


def swollen(a: Solid, by: float) -> Solid:
    """`a` grown (or shrunk, if negative) by `by` mm."""
    return Solid(lambda x, y, z: a(x, y, z) - F(by), a.lo - by, a.hi + by)


def shell(a: Solid, wall: float) -> Solid:
    """The outer `wall` mm of `a`."""

    def field(x: Array, y: Array, z: Array) -> Array:
        d = a(x, y, z)
        return f32(np.maximum(d, -d - F(wall)))

    return Solid(field, a.lo, a.hi)


def blend(a: Array, b: Array, t: Array | float) -> Array:
    """From ``a`` to ``b`` as ``t`` goes from 0 to 1."""
    return a + (b - a) * np.asarray(t, dtype=F)


# --- frames
# ----------------------------------------------------------------------------------------------------


def frame(origin: ArrayLike, u: ArrayLike, v: ArrayLike, w: ArrayLike) -> Frame:
    """A 4x4 matrix from own coordinates to the parent's; `u`, `v`, `w` are the columns."""
    m = np.eye(4)
    m[:3, 0], m[:3, 1], m[:3, 2], m[:3, 3] = u, v, w, origin
    return m


def placed(a: Solid, to_parent: Frame) -> Solid:
    """`a` seen from a parent frame; `to_parent` must be an isometry (a reflection is allowed)."""
    inv = np.linalg.inv(to_parent).astype(F)

    def field(x: Array, y: Array, z: Array) -> Array:
        return a(
            inv[0, 0] * x + inv[0, 1] * y + inv[0, 2] * z + inv[0, 3],
            inv[1, 0] * x + inv[1, 1] * y + inv[1, 2] * z + inv[1, 3],
            inv[2, 0] * x + inv[2, 1] * y + inv[2, 2] * z + inv[2, 3],
        )

    lo, hi = box_through(a.lo, a.hi, to_parent)
    return Solid(field, lo, hi)


def box_through(lo: ArrayLike, hi: ArrayLike, matrix: Frame) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The axis-parallel box round a box sent through an affine matrix."""
    lo_, hi_ = box_of(lo, hi)
    c, h = (lo_ + hi_) / 2, (hi_ - lo_) / 2
    cc = matrix[:3, :3] @ c + matrix[:3, 3]
    hh = np.abs(matrix[:3, :3]) @ h
    return cc - hh, cc + hh


# --- shapes
# ----------------------------------------------------------------------------------------------------


def sphere(centre: ArrayLike, radius: float) -> Solid:
    """A ball, mm."""
    c = np.asarray(centre, dtype=float)
    cf = c.astype(F)

    def field(x: Array, y: Array, z: Array) -> Array:
        return f32(np.sqrt((x - cf[0]) ** 2 + (y - cf[1]) ** 2 + (z - cf[2]) ** 2) - F(radius))

    return Solid(field, c - radius, c + radius)


def ellipsoid(centre: ArrayLike, radii: ArrayLike) -> Solid:
    """An axis-parallel ellipsoid; first-order distance."""
    c, r = np.asarray(centre, dtype=float), np.asarray(radii, dtype=float)
    cf, rf = c.astype(F), r.astype(F)

    def field(x: Array, y: Array, z: Array) -> Array:
        px, py, pz = (x - cf[0]) / rf[0], (y - cf[1]) / rf[1], (z - cf[2]) / rf[2]
        k0 = np.sqrt(px * px + py * py + pz * pz)
        k1 = np.sqrt((px / rf[0]) ** 2 + (py / rf[1]) ** 2 + (pz / rf[2]) ** 2)
        return f32(k0 * (k0 - F(1)) / np.maximum(k1, F(1e-6)) - (k0 < 1e-4) * F(r.min()))

    return Solid(field, c - r, c + r)


def half_space(point: ArrayLike, normal: ArrayLike) -> Solid:
    """Everything behind a plane (`normal` points out); its box is unbounded."""
    n = np.asarray(normal, dtype=float)
    n = n / np.linalg.norm(n)
    nf, off = n.astype(F), F(n @ np.asarray(point, dtype=float))

    def field(x: Array, y: Array, z: Array) -> Array:
        return f32(nf[0] * x + nf[1] * y + nf[2] * z - off)

    return Solid(field, np.full(3, -1e3), np.full(3, 1e3))


def round_cone(a: ArrayLike, b: ArrayLike, ra: float, rb: float) -> Solid:
    """A cone with rounded ends from `a` (radius `ra`) to `b` (radius `rb`); near-exact for slender cones."""
    pa, pb = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
    ab = pb - pa
    length2 = max(float(ab @ ab), 1e-9)
    af, abf = pa.astype(F), ab.astype(F)
    slope = (rb - ra) / np.sqrt(length2)
    scale = F(1.0 / np.sqrt(1.0 + min(slope * slope, 4.0)))
    inv = F(1.0 / length2)

    def field(x: Array, y: Array, z: Array) -> Array:
        px, py, pz = x - af[0], y - af[1], z - af[2]
        t = np.clip((px * abf[0] + py * abf[1] + pz * abf[2]) * inv, F(0), F(1))
        d = np.sqrt((px - t * abf[0]) ** 2 + (py - t * abf[1]) ** 2 + (pz - t * abf[2]) ** 2)
        return f32((d - (F(ra) + t * F(rb - ra))) * scale)

    r = np.array([ra, rb])
    return Solid(field, np.minimum(pa - r[0], pb - r[1]), np.maximum(pa + r[0], pb + r[1]))


def chain(
    points: Sequence[ArrayLike] | NDArray[np.float64],
    radii: Sequence[float],
    *,
    squash: ArrayLike = (1.0, 1.0, 1.0),
    smooth: int = 4,
) -> Solid:
    """A tube along a smooth curve through `points` with the given radii; `squash` scales the tube's section
    by axis.

    ``squash=(0.5, 1, 1)`` halves the tube's extent in x without moving the curve much when the curve is long.
    """
    pts = np.asarray(points, dtype=float)
    s = np.r_[0, np.cumsum(np.linalg.norm(np.diff(pts, axis=0), axis=1))]
    n = (len(pts) - 1) * smooth + 1 if smooth > 1 and len(pts) > 2 else len(pts)
    t = np.linspace(0, s[-1], n) if n > len(pts) else s
    curve = PchipInterpolator(s, pts, axis=0)(t)
    rad = np.interp(t, s, np.asarray(radii, dtype=float))
    q = np.asarray(squash, dtype=float)
    qf = (1.0 / q).astype(F)
    c = curve / q
    a, ab = c[:-1].astype(F), np.diff(c, axis=0).astype(F)
    inv = (1.0 / np.maximum((np.diff(c, axis=0) ** 2).sum(1), 1e-12)).astype(F)
    ra, dr = rad[:-1].astype(F), np.diff(rad).astype(F)
    least = F(q.min())

    def field(x: Array, y: Array, z: Array) -> Array:
        x, y, z = x * qf[0], y * qf[1], z * qf[2]
        best: Array | None = None
        for i in range(len(a)):
            px, py, pz = x - a[i, 0], y - a[i, 1], z - a[i, 2]
            t = np.clip((px * ab[i, 0] + py * ab[i, 1] + pz * ab[i, 2]) * inv[i], F(0), F(1))
            d = np.sqrt((px - t * ab[i, 0]) ** 2 + (py - t * ab[i, 1]) ** 2 + (pz - t * ab[i, 2]) ** 2)
            d -= ra[i] + t * dr[i]
            best = d if best is None else np.minimum(best, d)
        assert best is not None
        return best * least

    r = rad.max() * np.maximum(q, 1e-6)
    return Solid(field, curve.min(0) - r, curve.max(0) + r)


def torus(centre: ArrayLike, normal: ArrayLike, major: float, minor: float) -> Solid:
    """A ring of radius `major` and tube radius `minor`."""
    c, n = np.asarray(centre, dtype=float), np.asarray(normal, dtype=float)
    n = n / np.linalg.norm(n)
    cf, nf = c.astype(F), n.astype(F)

    def field(x: Array, y: Array, z: Array) -> Array:
        px, py, pz = x - cf[0], y - cf[1], z - cf[2]
        h = px * nf[0] + py * nf[1] + pz * nf[2]
        q = np.sqrt(np.maximum(px * px + py * py + pz * pz - h * h, F(0))) - F(major)
        return f32(np.sqrt(q * q + h * h) - F(minor))

    return Solid(field, c - major - minor, c + major + minor)
