"""Openings of palate and skull whose size is known in closed form: each is an elliptic hole through the
bone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ossicle.practice.ear import tube
from ossicle.practice.growth import Proportions
from ossicle.practice.shapes import Solid

__all__ = ["Opening", "ellipse_perimeter", "palate_openings"]

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


def palate_openings(design: Mapping[str, Any], grow: Proportions) -> list[Opening]:
    """The palate's openings from the animal's table ``openings``: term, centre x and z, half width, half
    length, height cut.
    """
    out = []
    for o in design.get("openings", ()):
        scale = float(grow.scale(float(o["at"][1])))
        x, z = float(o["at"][0]), float(o["at"][1])
        y0, y1 = (float(v) for v in o.get("through", (-1.0, 1.7)))
        hw, hl = (float(v) * scale for v in o["half"])
        sides = (1.0, -1.0) if x > 0 else (1.0,)
        for k in sides:
            low, high = grow.point([k * x, y0, z]), grow.point([k * x, y1, z])
            low[0] = high[0] = k * max(abs(low[0]), hw + 0.12) if x > 0 else 0.0
            solid = tube(low, high, hw, hl, (0.0, 0.0, 1.0))
            mid = grow.point([k * x, float(o.get("level", 0.3)), z])
            mid[0] = low[0]
            side = ("left" if k > 0 else "right") if x > 0 else "midline"
            out.append(Opening(str(o["term"]), side, (max(hw, hl), min(hw, hl)), mid, solid))
    return out
