"""Crowns and roots by form, as solids in a tooth's own frame.

Frame of a tooth: u mesial, v buccal (labial), w towards the crown's tip; mm; the origin is in the middle of
the neck (cervix). Cusps are given in shares of the half length (u), the half width (v) and the crown's
height (w).

Cusp names and places follow the tribosphenic plan (Bown & Kraus 1979, in Lillegraven et al.; value from
memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ossicle.practice.lofts import loft
from ossicle.practice.shapes import Solid, chain, half_space, join, meet, round_cone

__all__ = ["FORMS", "CuspForm", "crown", "roots"]


@dataclass(frozen=True)
class CuspForm:
    """A crown's plan: cusps (u, v, height, relative radius), ridges between them, and where the roots go (u,
    v).
    """

    cusps: tuple[tuple[float, float, float, float], ...]
    ridges: tuple[tuple[int, int, float], ...] = ()
    roots: tuple[tuple[float, float], ...] = ((0.0, 0.0),)
    body: float = 0.42
    power: float = 2.4
    shape: str = "cusped"
    lingual_lean: float = 0.0


FORMS: dict[str, CuspForm] = {
    "spatulate": CuspForm((), shape="spatulate"),
    "peg": CuspForm((), shape="peg"),
    "canine": CuspForm((), shape="canine"),
    "blade": CuspForm(
        ((0.08, 0.05, 1.0, 0.9), (-0.72, 0.0, 0.42, 0.5), (0.84, 0.0, 0.24, 0.35)),
        ((0, 1, 0.3), (0, 2, 0.2)),
        ((0.52, 0.0), (-0.52, 0.0)),
        0.26,
        2.2,
    ),
    "simple": CuspForm(((0.1, 0.0, 1.0, 0.9), (-0.7, 0.0, 0.3, 0.4)), ((0, 1, 0.25),), ((0.0, 0.0),), 0.3, 2.2),
    "carnassial-upper": CuspForm(
        (
            (0.18, 0.30, 1.0, 0.95),
            (-0.72, 0.35, 0.66, 0.6),
            (0.82, 0.45, 0.42, 0.4),
            (0.72, -0.75, 0.45, 0.5),
        ),
        ((0, 1, 0.45), (0, 2, 0.3), (0, 3, 0.15)),
        ((0.62, 0.55), (-0.62, 0.4), (0.62, -0.7)),
        0.26,
        2.2,
    ),
    "carnassial-lower": CuspForm(
        (
            (0.70, -0.05, 0.80, 0.7),
            (0.10, 0.15, 1.0, 0.9),
            (-0.18, -0.5, 0.6, 0.5),
            (-0.68, 0.35, 0.42, 0.6),
            (-0.70, -0.45, 0.36, 0.5),
        ),
        ((0, 1, 0.5), (1, 2, 0.3), (3, 4, 0.1)),
        ((0.48, 0.0), (-0.52, 0.0)),
        0.28,
        2.4,
    ),
    "tribosphenic-upper": CuspForm(
        (
            (0.36, 0.36, 1.0, 0.65),
            (-0.40, 0.36, 0.92, 0.62),
            (0.05, -0.70, 0.74, 0.75),
            (0.82, 0.82, 0.42, 0.32),
            (-0.84, 0.84, 0.46, 0.34),
            (0.3, -0.2, 0.5, 0.3),
            (-0.3, -0.2, 0.48, 0.3),
        ),
        ((0, 1, 0.2), (0, 3, 0.25), (1, 4, 0.3), (0, 5, 0.15), (5, 2, 0.15), (1, 6, 0.15), (6, 2, 0.15)),
        ((0.5, 0.55), (-0.5, 0.55), (0.0, -0.6)),
        0.36,
        2.6,
        lingual_lean=0.5,
    ),
    "tribosphenic-lower": CuspForm(
        (
            (0.36, 0.38, 1.0, 0.62),
            (0.80, -0.18, 0.66, 0.45),
            (0.26, -0.55, 0.80, 0.5),
            (-0.52, 0.48, 0.56, 0.6),
            (-0.58, -0.50, 0.50, 0.45),
            (-0.90, -0.05, 0.40, 0.35),
        ),
        ((0, 1, 0.35), (0, 2, 0.35), (3, 5, 0.15), (3, 0, 0.1)),
        ((0.5, 0.0), (-0.5, 0.0)),
        0.34,
        2.8,
    ),
    "bunodont": CuspForm(
        (
            (0.42, 0.45, 1.0, 0.85),
            (-0.45, 0.45, 0.96, 0.85),
            (0.42, -0.48, 0.94, 0.85),
            (-0.45, -0.48, 0.9, 0.8),
        ),
        (),
        ((0.5, 0.4), (-0.5, 0.4), (0.0, -0.55)),
        0.5,
        3.0,
    ),
    "bunodont-lower": CuspForm(
        (
            (0.44, 0.45, 1.0, 0.8),
            (-0.42, 0.45, 0.92, 0.8),
            (0.44, -0.46, 0.98, 0.8),
            (-0.42, -0.46, 0.9, 0.8),
            (-0.88, 0.0, 0.6, 0.4),
        ),
        (),
        ((0.5, 0.0), (-0.5, 0.0)),
        0.5,
        3.0,
    ),
    "bilophodont": CuspForm(
        (
            (0.45, 0.55, 1.0, 0.6),
            (0.45, -0.55, 0.97, 0.6),
            (-0.45, 0.55, 0.96, 0.6),
            (-0.45, -0.55, 0.93, 0.6),
        ),
        ((0, 1, 0.78), (2, 3, 0.78), (0, 2, 0.1)),
        ((0.5, 0.0), (-0.5, 0.0)),
        0.42,
        3.2,
    ),
    "selenodont": CuspForm(
        (
            (0.45, 0.45, 1.0, 0.5),
            (-0.45, 0.45, 0.98, 0.5),
            (0.45, -0.42, 0.95, 0.5),
            (-0.45, -0.42, 0.93, 0.5),
            (0.92, 0.75, 0.85, 0.3),
            (0.0, 0.78, 0.85, 0.3),
            (-0.92, 0.75, 0.85, 0.3),
            (0.9, -0.2, 0.8, 0.3),
            (0.0, -0.15, 0.75, 0.3),
            (-0.9, -0.2, 0.8, 0.3),
        ),
        (
            (0, 4, 0.8),
            (0, 5, 0.8),
            (1, 5, 0.8),
            (1, 6, 0.8),
            (2, 7, 0.75),
            (2, 8, 0.7),
            (3, 8, 0.7),
            (3, 9, 0.75),
        ),
        ((0.5, 0.5), (-0.5, 0.5), (0.0, -0.5)),
        0.55,
        3.2,
    ),
    "chisel": CuspForm((), shape="chisel", roots=(), power=2.6),
    "tusk": CuspForm((), shape="tusk", roots=(), power=2.3),
    "prism": CuspForm((), shape="prism", roots=((0.4, 0.0), (-0.4, 0.0)), power=3.5),
}


def crown(form: str, length: float, width: float, height: float) -> Solid:
    """The crown of a tooth, mm; it reaches a little below the neck so that roots blend in."""
    plan = FORMS[form]
    a, b, h = length / 2, width / 2, height
    if plan.shape == "spatulate":
        return loft(
            2,
            [-0.25 * h, 0, 0.35 * h, 0.7 * h, h],
            cv=[-0.05 * b, 0, 0.08 * b, 0.0, -0.35 * b],
            au=[0.62 * a, 0.72 * a, 0.92 * a, a, 0.93 * a],
            av=[0.8 * b, 0.92 * b, b, 0.62 * b, 0.22 * b],
            power=2.3,
            cap=0.35 * min(a, 0.3),
        )
    if plan.shape == "peg":
        return loft(
            2,
            [-0.25 * h, 0, 0.35 * h, 0.75 * h, h],
            cv=[0, 0, 0, -0.1 * b, -0.25 * b],
            au=[0.75 * a, 0.85 * a, a, 0.75 * a, 0.3 * a],
            av=[0.8 * b, 0.9 * b, b, 0.7 * b, 0.28 * b],
            cap=0.4 * min(a, 0.3),
        )
    if plan.shape == "canine":
        at = np.array([-0.2, 0, 0.15, 0.4, 0.7, 0.9, 1.0]) * h
        bend = -0.55 * a * (np.maximum(at, 0) / h) ** 2
        return loft(
            2,
            list(at),
            cu=list(bend),
            cv=list(0.12 * b * np.sin(np.pi * np.clip(at / h, 0, 1))),
            au=list(a * np.array([0.88, 0.95, 1.0, 0.84, 0.52, 0.26, 0.12])),
            av=list(b * np.array([0.88, 0.95, 1.0, 0.82, 0.5, 0.26, 0.12])),
            cap=0.12,
        )
    if plan.shape == "chisel":
        # the bevel faces the tongue, as the softer back wears faster
        body = loft(2, [-12 * h, 0, h + b], au=[0.97 * a, a, 0.97 * a], av=b, power=plan.power, cap=0.05)
        return meet(body, half_space([0, b, h], [0.0, -0.80, 0.60]), k=0.08)
    if plan.shape == "tusk":
        at = np.array([-12.0, 0.0, 0.5, 0.8, 1.0]) * h
        return loft(
            2,
            list(at),
            cv=[0, 0, -0.05 * b, -0.2 * b, -0.35 * b],
            au=list(a * np.array([1.0, 1.0, 0.9, 0.7, 0.35])),
            av=list(b * np.array([1.0, 1.0, 0.85, 0.55, 0.2])),
            power=plan.power,
            cap=0.12,
        )
    if plan.shape == "prism":
        return _prism(a, b, h, plan.power)
    c = plan.body
    lean = plan.lingual_lean
    base = loft(
        2,
        [-0.3 * h, -0.05 * h, 0.15 * h, 0.7 * c * h, c * h],
        au=[0.72 * a, 0.84 * a, a, 0.95 * a, 0.74 * a],
        av=[0.72 * b, 0.84 * b, b, 0.93 * b, 0.7 * b],
        power=plan.power,
        cap=0.35 * min(c * h, a, b),
    )
    if lean:  # narrower on the tongue's side, as upper molars are
        w0 = 1.0 - 0.28 * lean
        left = half_space([a * w0, 0, 0], [1.0, -0.28 * lean * a / b, 0.0])
        right = half_space([-a * w0, 0, 0], [-1.0, -0.28 * lean * a / b, 0.0])
        base = meet(base, left, right, k=0.3 * b)
    parts = [base]
    tips = []
    small = min(a, b)
    for u, v, top, r in plan.cusps:
        rb = 0.62 * r * small
        lim = max(0.0, 1.0 - rb / a * 0.8), max(0.0, 1.0 - rb / b * 0.8)
        fu, fv = np.clip(u, -lim[0], lim[0]), np.clip(v, -lim[1], lim[1])
        rt = max(0.07, 0.14 * rb)
        tip = np.array([u * a * 0.86, v * b * 0.8, top * h - rt])
        foot = np.array([fu * a, fv * b, min(0.1 * h, tip[2] - 0.05)])
        parts.append(round_cone(foot, tip, rb, rt))
        tips.append(tip)
    for i, j, level in plan.ridges:
        p, q = tips[i].copy(), tips[j].copy()
        mid = (p + q) / 2
        mid[2] = min(p[2], q[2]) * (0.45 + 0.55 * level)
        r = max(0.08, 0.13 * small)
        parts.append(chain([p - [0, 0, 0.06 * h], mid, q - [0, 0, 0.06 * h]], [r, r * 1.15, r], smooth=1))
    return join(*parts, k=0.22 * small)


def _prism(a: float, b: float, h: float, power: float) -> Solid:
    """A high crown of two columns side by side, flat on top (hypsodont)."""
    cols = [
        loft(
            2,
            [-0.1 * h, 0.1 * h, h],
            cu=c * a,
            au=0.56 * a,
            av=[0.85 * b, b, 0.93 * b],
            power=power,
            cap=0.12 * b,
        )
        for c in (0.46, -0.46)
    ]
    return join(*cols, k=0.12 * a)


def roots(
    places: Sequence[tuple[float, float]],
    length: float,
    width: float,
    root: float,
    *,
    curve: float = 0.0,
    stout: float = 1.0,
    spread: float = 1.0,
) -> list[Solid]:
    """The roots of a tooth, each tapering from the neck to its apex.

    Parameters
    ----------
    places
        Where they leave the crown, in shares of the half length and half width.
    length, width
        Of the crown, mm.
    root
        Length of the roots, mm.
    curve
        Drift of the apex towards distal, in shares of the root's length.
    stout, spread
        Factors on thickness and on divergence.
    """
    a, b = length / 2, width / 2
    out = []
    n = len(places)
    for u, v in places:
        if n == 1:
            ru, rv = 0.80 * a, 0.82 * b
        elif n == 2:
            ru, rv = 0.40 * a, (0.72 if abs(v) < 0.2 else 0.45) * b
        else:
            ru, rv = 0.36 * a, 0.36 * b
        ru, rv = ru * stout, rv * stout
        cu, cv = u * a, v * b
        s = np.array([0.15, 0.0, -0.35, -0.7, -0.92, -1.0])
        t = np.clip(-s, 0, 1)
        taper = np.array([1.0, 1.0, 0.86, 0.62, 0.36, 0.2])
        # several roots splay, then turn in again at the apex
        flare = spread * 0.22 * np.sin(1.9 * t) if n > 1 else 0 * t
        out.append(
            loft(
                2,
                list(s * root),
                cu=list(cu * (1 + flare) - curve * root * t**2),
                cv=list(cv * (1 + flare)),
                au=list(ru * taper),
                av=list(rv * taper),
                power=2.2,
                cap=0.19 * min(ru, rv),
            )
        )
    return out
