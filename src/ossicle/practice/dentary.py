# ruff: noqa: RUF005 (here + adds vectors)
"""The dentary: body, ascending plate with coronoid process, condyle and angular process, drawn with the jaw
closed.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from ossicle.practice.cranium import Skull, flip, ridge
from ossicle.practice.growth import Proportions
from ossicle.practice.lofts import loft, plate
from ossicle.practice.relief import rounded
from ossicle.practice.rows import RowCurve
from ossicle.practice.shapes import Array, chain, ellipsoid, f32

__all__ = ["dentary"]

F = np.float32


def dentary(design: Mapping[str, Any], grow: Proportions, age: float, side: float, inflection_deg: float) -> Skull:
    """One dentary (`side` +1 left, -1 right) in skull coordinates with the jaw closed, without its
    alveoli.
    """
    d = design["dentary"]
    out = Skull()
    g = grow.point
    ramus = np.asarray(d["ramus"], dtype=float)
    z = ramus[:, 0]
    s = grow.scale(z)
    zz = grow.along(z)
    low = 1.14 - 0.14 * min(age, 1.0)
    out.add(
        loft(
            2,
            list(zz),
            cu=list(side * ramus[:, 1] * s),
            cv=list(ramus[:, 2] * s),
            au=list(ramus[:, 3] * s),
            av=list(ramus[:, 4] * s * low),
            power=2.5,
            cap=0.5,
        )
    )
    curve = RowCurve(g(design["rows"]["lower"]), "lower")
    size = float(grow.face)
    zr = np.array([curve.point(t)[2] for t in np.linspace(0, curve.length, 200)])
    s_end = float(np.interp(-float(grow.along(z.min())) - 3.0, -zr, np.linspace(0, curve.length, 200)))
    if design.get("tooth"):
        out.add(ridge(curve, 0.5, s_end, 0.75 * size, 0.55 * size, side), 0.9)
    # ascending plate: its middle runs from the ramus to the condyle
    con = g(design["cranium"]["glenoid"]) + np.array([0.0, -0.55, 0.0]) * grow.brain
    back = ramus[np.argmin(z)]
    x0, z0 = float(back[1] * s[np.argmin(z)]), float(zz.min())
    x1, z1, y1 = float(con[0]), float(con[2]), float(con[1])

    def middle(y: Array, zz_: Array) -> Array:
        t = np.clip((F(z0 + 3.5) - zz_) / F(max(z0 + 3.5 - z1, 0.5)), F(0), F(1.2))
        flare = F(0.06) * np.clip(y - F(y1), F(-3), F(5))
        return f32(F(side) * (F(x0 - 0.5) + F(x1 - x0 + 0.3) * t + flare))

    def ribs(y: Array, zz_: Array) -> Array:
        edge = np.exp(-(((zz_ - F(z1 + 1.0) - F(0.35) * (y - F(y1))) / F(1.3)) ** 2))
        fore = np.exp(-(((zz_ - F(z0 + 4.3) + F(0.42) * (y - F(y1))) / F(1.0)) ** 2))
        low_ = np.exp(-(((y + F(3.6)) / F(1.2)) ** 2))
        return f32(F(0.28 * size) * np.maximum(np.maximum(edge, fore), low_))

    pl = rounded(g(np.c_[np.full(len(d["plate"]), x0), np.asarray(d["plate"], dtype=float)])[:, 1:])
    out.add(
        plate(pl, plane=0, middle=middle, half=0.2 * size + 0.05, rounding=0.18, ribs=ribs),
        0.8,
        "ascending plate",
    )
    out.add(
        ellipsoid(flip(con + [0.0, 0.0, 0.0], side), np.array(d.get("condyle", [1.45, 0.5, 0.55])) * grow.brain),
        0.5,
        "condyle",
    )
    # the neck carries the condyle on the back of the plate
    foot, neck = (np.array([0.0, -dy, dz]) * grow.brain for dy, dz in ((1.5, 1.9), (0.55, 0.75)))
    way = []
    for point in (con + foot, con + neck):
        point[0] = abs(float(middle(np.array([point[1]], F), np.array([point[2]], F))[0]))
        way.append(flip(point, side))
    thick = [0.42 * float(grow.brain), 0.48 * float(grow.brain), 0.45 * float(grow.brain)]
    out.add(chain([*way, flip(con, side)], thick, squash=(0.8, 1.0, 1.0), smooth=2), 0.4, "condylar neck")
    out.landmarks["condyle"] = flip(con, side)
    # angular process: a hook behind and below the condyle, turned inward by the inflection
    ang = g([x0 / float(s[np.argmin(z)]), d["angle"][0], d["angle"][1]])
    long = float(d["angle"][2]) * float(grow.brain)
    ang[0] = float(np.abs(middle(np.array([ang[1]], F), np.array([ang[2]], F))[0]))
    turn = np.deg2rad(inflection_deg)
    tip = ang + long * np.array([-np.sin(turn), 0.25, -np.cos(turn)])
    bend = ang + 0.55 * long * np.array([-np.sin(turn * 0.7), -0.02, -np.cos(turn * 0.7)])
    root = ang + np.array([0.0, 0.1, 1.6])
    r = float(d.get("angle_radius", 0.5)) * float(grow.brain)
    squash = d.get("angle_squash", (0.7, 1.1, 1.0))
    out.add(
        chain([flip(p, side) for p in (root, ang, bend, tip)], [r * 1.1, r, 0.75 * r, 0.4 * r], squash=squash),
        0.6,
        "angular process",
    )
    out.landmarks["angular base"], out.landmarks["angular tip"] = flip(ang, side), flip(tip, side)
    # mandibular canal and mental foramen
    canal = np.c_[ramus[:, 1] - 0.1, ramus[:, 2] - 0.72 * ramus[:, 4], z][2:]
    pts = g(canal)
    pts = np.vstack([pts, g([[float(back[1]) - 0.9, 0.2, z.min() + 0.3]])])
    out.cut(chain([flip(p, side) for p in pts], [0.26 * size] * len(pts), smooth=2), 0.05, "mandibular canal")
    m = ramus[2]
    mf = g([[m[1] + 0.1, m[2] - 0.72 * m[4], m[0]], [m[1] + 1.4, m[2] - 0.35 * m[4], m[0] - 0.3]])
    out.cut(chain([flip(p, side) for p in mf], [0.25 * size, 0.3 * size]), 0.05, "mental foramen")
    return out
