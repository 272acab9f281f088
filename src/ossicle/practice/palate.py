"""The hard palate, and openings of palate and skull whose size is known in closed form: each is an elliptic hole
through the bone.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ossicle.practice.ear import tube
from ossicle.practice.growth import Proportions
from ossicle.practice.lofts import Table
from ossicle.practice.rows import RowCurve
from ossicle.practice.shapes import Array, Solid, f32

__all__ = ["Opening", "ellipse_perimeter", "palate_openings", "palate_plate", "palate_top"]

F = np.float32
Vec = NDArray[np.float64]


@dataclass(frozen=True)
class Opening:
    """An elliptic opening: its term, side, half axes (mm, longer first), centre (skull mm) and the solid
    that cuts it.
    """

    term: str
    side: str
    half_axes: tuple[float, float]
    centre: Vec
    solid: Solid

    def record(self, scale: float = 1.0) -> dict[str, Any]:
        """Area, length, width and perimeter (real mm); the centre stays in design mm under ``centre``."""
        a, b = (v * scale for v in self.half_axes)
        return {
            "term": self.term,
            "side": self.side,
            "area_mm2": round(float(np.pi * a * b), 5),
            "length_mm": round(2 * a, 4),
            "width_mm": round(2 * b, 4),
            "perimeter_mm": round(ellipse_perimeter(a, b), 4),
            "centre": self.centre,
        }


def ellipse_perimeter(a: float, b: float) -> float:
    """Perimeter of an ellipse by Ramanujan's second approximation (1914, Q. J. Math. 45:350)."""
    h = ((a - b) / (a + b)) ** 2
    return float(np.pi * (a + b) * (1 + 3 * h / (10 + np.sqrt(4 - 3 * h))))


def palate_plate(curve: RowCurve, grow: Proportions, end: float, thick: float, below: float = 0.0) -> Solid:
    """The hard palate between the two rows, its vault lower towards the hind border; with `below` mm beneath it."""
    top, width = palate_top(curve, grow, end, thick)
    back, front = float(grow.along(end)), width.hi - 0.3
    middle, half = F((back + front) / 2), F((front - back) / 2)

    def field(x: Array, y: Array, z: Array) -> Array:
        under = y - top(x, z)
        dy = np.maximum(under, -under - F(2 * thick + below))
        d = np.maximum(dy * F(0.9), np.abs(x) - width(z))
        return f32(np.maximum(d, np.abs(z - middle) - half))

    xm = float(width.values.max())
    return Solid(field, np.array([-xm, -0.6 - below, back]), np.array([xm, 2.6, front]))


def palate_top(
    curve: RowCurve, grow: Proportions, end: float, thick: float
) -> tuple[Callable[[Array, Array], Array], Table]:
    """Height of the hard palate's upper face as a function of x and z, and its half width by z."""
    s = np.linspace(0, curve.length, 60)
    p = np.array([curve.point(t) for t in s])
    p = p[np.r_[True, np.diff(p[:, 2]) < -1e-3]]
    o = np.argsort(p[:, 2])
    width, level = Table(p[o, 2], p[o, 0]), Table(p[o, 2], np.minimum(p[o, 1], 0.8))
    back, flat = F(grow.along(end)), F(3.5 * float(grow.face))

    def top(x: Array, z: Array) -> Array:
        arch = F(0.3) + F(0.7) * np.clip((z - back) / flat, F(0), F(1))
        vault = F(0.55) * arch * (F(1) - (x / np.maximum(width(z), F(0.3))) ** 2)
        return f32(level(z) + np.maximum(vault, F(-0.2)) + F(0.35 + thick))

    return top, width


def palate_openings(design: Mapping[str, Any], grow: Proportions) -> list[Opening]:
    """The palate's openings from the animal's table ``openings``: term, centre x and z, half width, half
    length, height cut.
    """
    out = []
    curve = RowCurve(grow.point(design["rows"]["upper"]), "upper")
    top, _ = palate_top(curve, grow, float(design["cranium"]["palate_end"]), 0.26 * float(grow.brain))
    for o in design.get("openings", ()):
        scale = float(grow.scale(float(o["at"][1])))
        x, z = float(o["at"][0]), float(o["at"][1])
        y0, y1 = (float(v) for v in o.get("through", (-1.0, 1.7)))
        hw, hl = (float(v) * scale for v in o["half"])
        sides = (1.0, -1.0) if x > 0 else (1.0,)
        for k in sides:
            low, high = grow.point([k * x, y0, z]), grow.point([k * x, y1, z])
            low[0] = high[0] = k * max(abs(low[0]), hw + 0.12) if x > 0 else 0.0
            upper = float(top(f32(np.array([abs(high[0])])), f32(np.array([high[2]])))[0])
            high[1] = max(float(high[1]), upper + 0.5 * float(grow.brain))
            solid = tube(low, high, hw, hl, (0.0, 0.0, 1.0))
            mid = grow.point([k * x, float(o.get("level", 0.3)), z])
            mid[0] = low[0]
            side = ("left" if k > 0 else "right") if x > 0 else "midline"
            out.append(Opening(str(o["term"]), side, (max(hw, hl), min(hw, hl)), mid, solid))
    return out
