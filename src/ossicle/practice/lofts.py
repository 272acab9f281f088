"""Solids drawn by tables: bodies of sections strung along an axis, and bent plates with a drawn outline."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import PchipInterpolator

from ossicle.practice.shapes import Array, Solid, f32

__all__ = ["Table", "loft", "plate"]

F = np.float32


class Table:
    """A smooth function of one coordinate through given knots, looked up fast (monotone cubic between
    knots).
    """

    def __init__(self, at: ArrayLike, values: ArrayLike, *, n: int = 256) -> None:
        t, v = np.asarray(at, dtype=float), np.asarray(values, dtype=float)
        order = np.argsort(t)
        t, v = t[order], v[order]
        self.lo, self.hi, self.n = float(t[0]), float(t[-1]), n
        self.step = (self.hi - self.lo) / (n - 1) if len(t) > 1 else 1.0
        self.constant = float(v[0]) if np.ptp(v) < 1e-9 else None
        if self.constant is None:
            self.values = PchipInterpolator(t, v)(np.linspace(self.lo, self.hi, n)).astype(F)
        else:
            self.values = np.full(n, v[0], dtype=F)
        self.slopes = np.append(np.diff(self.values), F(0))

    def place(self, t: Array) -> tuple[NDArray[np.int32], Array]:
        """Where `t` falls: the knot before it and the share of the way to the next."""
        u = np.clip((t - F(self.lo)) * F(1.0 / self.step), F(0), F(self.n - 1.001))
        i = u.astype(np.int32)
        return i, u - i

    def look(self, place: tuple[NDArray[np.int32], Array]) -> Array:
        """Values at places as `place` gives them."""
        if self.constant is not None:
            return np.full(1, self.constant, dtype=F)
        i, part = place
        out: Array = self.values.take(i)
        out += self.slopes.take(i) * part
        return out

    def __call__(self, t: Array) -> Array:
        """Values at ``t``."""
        return self.look(self.place(t))

    def one(self, t: float) -> float:
        """The value at one place."""
        return float(self(np.array([t], dtype=F))[0])


def loft(
    axis: int,
    at: Sequence[float],
    *,
    cu: Sequence[float] | float = 0.0,
    cv: Sequence[float] | float = 0.0,
    au: Sequence[float] | float,
    av: Sequence[float] | float,
    av_neg: Sequence[float] | float | None = None,
    power: float | Sequence[float] = 2.0,
    cap: float = 0.2,
    grow: float = 0.0,
) -> Solid:
    """A body of superelliptic sections strung along an axis.

    Parameters
    ----------
    axis
        0, 1 or 2: the axis along which the sections follow each other; u and v are the next two axes in
        cyclic order of (x, y, z), so that for ``axis=2`` u is x and v is y.
    at
        Positions of the sections along the axis, mm.
    cu, cv
        Centre of each section.
    au, av, av_neg
        Half extents in u and in v (towards +v; `av_neg` towards -v when it differs).
    power
        Exponent of the superellipse (2 ellipse, larger is squarer).
    cap
        Rounding at both ends, mm.
    grow
        Added to all half extents and to the ends, mm.
    """
    knots = np.asarray(at, dtype=float)
    n = len(knots)

    def table(v: Sequence[float] | float) -> Table:
        values = np.broadcast_to(np.asarray(v, dtype=float), (n,))
        return Table(knots, values)

    tcu, tcv, tau, tav, tp = table(cu), table(cv), table(au), table(av), table(power)
    tan = tav if av_neg is None else table(av_neg)
    lo, hi = float(knots.min()) - grow, float(knots.max()) + grow
    mid, half = F((lo + hi) / 2), F((hi - lo) / 2)
    order = [(axis + 1) % 3, (axis + 2) % 3, axis]

    def field(x: Array, y: Array, z: Array) -> Array:
        c = (x, y, z)
        u, v, t = c[order[0]], c[order[1]], c[order[2]]
        t = np.broadcast_to(t, np.broadcast_shapes(x.shape, y.shape, z.shape))
        where = tcu.place(t)
        p = tp.look(where)
        du, dv = np.abs(u - tcu.look(where)), v - tcv.look(where)
        a = np.maximum(tau.look(where) + F(grow), F(1e-3))
        b = tav.look(where) if tan is tav else np.where(dv > 0, tav.look(where), tan.look(where))
        b = np.maximum(b + F(grow), F(1e-3))
        dv = np.abs(dv)
        qu, qv = np.maximum(du / a, F(1e-4)), np.maximum(dv / b, F(1e-4))
        if tp.constant == 2.0:
            rho = np.sqrt(qu * qu + qv * qv)
            g = np.sqrt((qu / a) ** 2 + (qv / b) ** 2) / rho
        else:
            eu, ev = qu ** (p - F(1)), qv ** (p - F(1))
            total = np.maximum(eu * qu + ev * qv, F(1e-8))
            rho = total ** (F(1) / p)
            g = np.sqrt((eu / a) ** 2 + (ev / b) ** 2) * rho / total
        d = (rho - F(1)) / np.maximum(g, F(1e-3))
        d = np.maximum(d, -np.minimum(a, b))
        d, e = d + F(cap), np.abs(t - mid) - half + F(cap)
        corner = np.sqrt(np.maximum(d, F(0)) ** 2 + np.maximum(e, F(0)) ** 2)
        return f32(corner + np.minimum(np.maximum(d, e), F(0)) - F(cap))

    c_u, c_v, e_u, e_v, e_n = tcu.values, tcv.values, tau.values + grow, tav.values + grow, tan.values + grow
    box = np.zeros((2, 3))
    box[:, order[0]] = (c_u - e_u).min(), (c_u + e_u).max()
    box[:, order[1]] = (c_v - e_n).min(), (c_v + e_v).max()
    box[:, order[2]] = lo, hi
    return Solid(field, box[0], box[1])


def plate(
    outline: ArrayLike,
    *,
    plane: int,
    middle: Callable[[Array, Array], Array] | float,
    half: float,
    rounding: float = 0.1,
    ribs: Callable[[Array, Array], Array] | None = None,
) -> Solid:
    """A bent plate: a polygon drawn in the plane across axis `plane`, given a thickness.

    Parameters
    ----------
    outline
        Polygon ``(n, 2)`` in the two other axes in cyclic order (for ``plane=0``: y, z).
    middle
        Position of the plate's middle along axis `plane`: a number, or a function of the two other
        coordinates.
    half
        Half thickness, mm.
    ribs
        Optional function that is added to the half thickness.
    """
    poly = np.asarray(outline, dtype=float)
    a = poly.astype(F)
    e = (np.roll(poly, -1, axis=0) - poly).astype(F)
    inv = (F(1) / np.maximum((e * e).sum(1), F(1e-9))).astype(F)
    order = [(plane + 1) % 3, (plane + 2) % 3, plane]

    def mid(u: Array, v: Array) -> Array:
        return middle(u, v) if callable(middle) else np.full(np.broadcast_shapes(u.shape, v.shape), middle, dtype=F)

    def field(x: Array, y: Array, z: Array) -> Array:
        c = (x, y, z)
        u, v, t = c[order[0]], c[order[1]], c[order[2]]
        best = np.full(np.broadcast_shapes(u.shape, v.shape), 1e6, dtype=F)
        inside = np.zeros(best.shape, dtype=bool)
        for i in range(len(a)):
            pu, pv = u - a[i, 0], v - a[i, 1]
            s = np.clip((pu * e[i, 0] + pv * e[i, 1]) * inv[i], F(0), F(1))
            best = np.minimum(best, (pu - s * e[i, 0]) ** 2 + (pv - s * e[i, 1]) ** 2)
            j = (i + 1) % len(a)
            if e[i, 1] != 0:
                crosses = (a[i, 1] > v) != (a[j, 1] > v)
                inside ^= crosses & (pu < e[i, 0] / e[i, 1] * pv)
        d2 = np.where(inside, -np.sqrt(best), np.sqrt(best)) + F(rounding)
        thick = F(half) if ribs is None else F(half) + ribs(u, v)
        dt = np.abs(t - mid(u, v)) - thick + F(rounding)
        outside = np.sqrt(np.maximum(d2, F(0)) ** 2 + np.maximum(dt, F(0)) ** 2)
        return f32(outside + np.minimum(np.maximum(d2, dt), F(0)) - F(rounding))

    gu, gv = np.meshgrid(
        np.linspace(poly[:, 0].min(), poly[:, 0].max(), 24),
        np.linspace(poly[:, 1].min(), poly[:, 1].max(), 24),
    )
    m = mid(gu.astype(F), gv.astype(F))
    reach = half + (0.0 if ribs is None else float(np.max(ribs(gu.astype(F), gv.astype(F)))))
    box = np.zeros((2, 3))
    box[:, order[0]] = poly[:, 0].min(), poly[:, 0].max()
    box[:, order[1]] = poly[:, 1].min(), poly[:, 1].max()
    box[:, order[2]] = float(m.min()) - reach, float(m.max()) + reach
    return Solid(field, box[0], box[1])
