"""Teeth as superelliptic footprints with height-field crowns and tapered, curved roots.

Local coordinates of a tooth (mm): ``m`` mesial, ``b`` buccal, ``s`` along the axis towards the occlusal end,
origin at the middle of the cervix. Tissue codes: 0 nothing, 1 pulp, 3 dentine, 4 enamel.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .dentition import Tooth

Array = NDArray[np.float32]


@dataclass
class Form:
    """Shape of one tooth, in mm."""

    length: float
    width: float
    height: float
    shape: str
    enamel: float
    dentine: float
    power: float
    wobble: tuple[float, float, float, float]
    cusps: NDArray[np.float64]  # rows: m, b, height share, radius
    base: float
    roots: NDArray[np.float64]  # rows: m, b, radius m, radius b, drift m, drift b
    root_length: float
    trunk: float
    crown_formed: float
    root_formed: float
    wear: float
    bend: float
    cervix: float
    turn: float = 0.0

    @property
    def top(self) -> float:
        """Highest point of the formed crown above the cervix, mm."""
        return self.height * (1 - self.wear)


_CUSPS = {
    "molar_upper": [
        (0.24, 0.22, 0.95, 0.2),
        (-0.2, 0.24, 0.9, 0.2),
        (0.12, -0.27, 0.85, 0.24),
        (-0.28, -0.2, 0.5, 0.2),
    ],
    "molar_lower": [
        (0.2, 0.16, 1.0, 0.17),
        (0.3, -0.2, 0.8, 0.15),
        (0.02, -0.22, 0.85, 0.15),
        (-0.26, 0.18, 0.65, 0.18),
        (-0.3, -0.2, 0.6, 0.16),
    ],
    "premolar": [(0.06, 0.02, 1.0, 0.26), (-0.34, 0.0, 0.4, 0.16)],
    "carnassial": [
        (0.2, 0.1, 0.8, 0.17),
        (-0.02, 0.12, 1.0, 0.2),
        (-0.3, 0.05, 0.7, 0.2),
        (0.25, -0.3, 0.45, 0.16),
    ],
    "loph_upper": [
        (0.25, 0.2, 0.9, 0.2),
        (0.25, -0.2, 0.88, 0.2),
        (-0.25, 0.2, 0.88, 0.2),
        (-0.25, -0.2, 0.85, 0.2),
    ],
    "loph_lower": [
        (0.25, 0.2, 0.9, 0.2),
        (0.25, -0.2, 0.9, 0.2),
        (-0.25, 0.2, 0.85, 0.2),
        (-0.25, -0.2, 0.85, 0.2),
    ],
}


def _roots(tooth: Tooth, rng: np.random.Generator, length: float, width: float) -> NDArray[np.float64]:
    r = min(length, width)
    j = rng.normal(0, 0.03, (3, 2)) * length
    if tooth.cls in "IC":
        return np.array([[0.0, 0.0, 0.43 * length, 0.43 * width, 0.0, -0.12 * width]])
    single = tooth.cls == "P" and tooth.position == 1 and rng.random() < 0.5
    if single:
        return np.array([[0.0, 0.0, 0.4 * length, 0.42 * width, -0.08 * length, 0.0]])
    three = tooth.jaw == "upper" and width > 0.75 * length
    if three:
        return np.array(
            [
                [
                    0.26 * length + j[0, 0],
                    0.24 * width,
                    0.19 * length,
                    0.19 * width,
                    0.06 * length,
                    0.1 * width,
                ],
                [
                    -0.27 * length + j[1, 0],
                    0.25 * width,
                    0.18 * length,
                    0.19 * width,
                    -0.1 * length,
                    0.1 * width,
                ],
                [0.02 * length + j[2, 0], -0.27 * width, 0.24 * length, 0.19 * width, 0.0, -0.14 * width],
            ]
        )
    rw = 0.36 * width if width > r else 0.38 * width
    return np.array(
        [
            [0.25 * length + j[0, 0], 0.0, 0.18 * length, rw, 0.04 * length, 0.02 * width],
            [-0.25 * length + j[1, 0], 0.0, 0.19 * length, rw, -0.1 * length, 0.0],
        ]
    )


def form(tooth: Tooth, scale: float, rng: np.random.Generator, sharp: float) -> Form:
    """Draw the shape of a planned tooth. ``scale`` is mm per unit length."""
    length, width, height = (v * scale * rng.normal(1, 0.03) for v in (tooth.length, tooth.width, tooth.height))
    base = 0.55 - 0.2 * sharp
    cusps = np.array(_CUSPS.get(tooth.shape, [(0, 0, 1, 0.3)]), dtype=float)
    cusps[:, :2] += rng.normal(0, 0.025, (len(cusps), 2))
    cusps[:, 2] *= rng.normal(1, 0.06, len(cusps))
    cusps[:, 2] /= cusps[:, 2].max()
    enamel = float(np.clip(0.09 * scale * rng.uniform(0.75, 1.4), 0.09, 0.3))
    if tooth.generation == "deciduous":
        enamel *= 0.7
    mature = 0.25 + 0.75 * tooth.age_since
    dentine = (0.06 + 0.2 * mature) * min(length, width) * 1.1
    shares = {"I": 1.7, "C": 1.5, "P": 1.45, "M": 1.35}
    root_length = (
        shares[tooth.cls] * max(height * (0.7 if tooth.cls == "C" else 1.0), 0.6 * length) * rng.uniform(0.85, 1.2)
    )
    if tooth.generation == "deciduous":
        root_length *= 0.8
    root_length *= 1.15
    return Form(
        length,
        width,
        height,
        tooth.shape,
        enamel,
        dentine,
        rng.uniform(2.2, 3.4),
        (rng.normal(0, 0.035), rng.uniform(0, 6.28), rng.normal(0, 0.03), rng.uniform(0, 6.28)),
        cusps,
        base,
        _roots(tooth, rng, length, width),
        root_length,
        rng.uniform(0.12, 0.28),
        tooth.crown_formed,
        tooth.root_formed,
        tooth.wear,
        rng.uniform(0.05, 0.14) if tooth.cls in "IC" else 0.0,
        rng.uniform(0.8, 0.92),
    )


def _heights(f: Form, m: Array, b: Array, inset: float | Array) -> Array:
    """Occlusal surface height (mm) for a crown shrunk sideways by ``inset``."""
    hl = f.length / 2
    hw = f.width / 2
    if f.shape in {"incisor", "canine"}:
        qm, qb = (3.2, 1.7) if f.shape == "incisor" else (1.5, 1.5)
        along = np.abs(m) / np.maximum(hl - inset, 1e-3)
        across = np.abs(b) / np.maximum(hw - inset, 1e-3)
        return np.asarray(f.height * np.clip(1 - 0.96 * (along**qm + across**qb), -1, 1) + 0.02, np.float32)
    um, ub = m / f.length, b / f.width
    total = np.full(m.shape, f.base, np.float32)
    for cm, cb, share, radius in f.cusps:
        d2 = ((um - cm) ** 2 + (ub - cb) ** 2) / radius**2
        bump = f.base + (share - f.base) * np.exp(-(d2**0.8) * 0.9)
        np.maximum(total, bump, out=total)
    if f.shape.startswith("loph"):
        for a, c in ((0, 1), (2, 3)):
            along = np.clip((ub - f.cusps[c, 1]) / (f.cusps[a, 1] - f.cusps[c, 1]), 0, 1)
            ridge = f.cusps[c, 0] + along * (f.cusps[a, 0] - f.cusps[c, 0])
            np.maximum(total, f.base + (0.82 - f.base) * np.exp(-(((um - ridge) / 0.1) ** 2)), out=total)
    return np.asarray(total * f.height, np.float32)


def _rho(f: Form, m: Array, b: Array, inset: float | Array) -> Array:
    theta = np.arctan2(b, m)
    w = 1 + f.wobble[0] * np.cos(3 * theta + f.wobble[1]) + f.wobble[2] * np.cos(2 * theta + f.wobble[3])
    hl: NDArray[np.floating[Any]] = np.maximum(f.length / 2 - inset, 1e-3)
    hw = np.maximum(f.width / 2 - inset, 1e-3)
    if f.shape == "molar_upper":
        hl = np.asarray(hl * (1 + 0.22 * np.clip(b / f.width, -0.6, 0.6)))
    n = f.power
    return np.asarray(((np.abs(m) / hl) ** n + (np.abs(b) / hw) ** n) ** (1 / n) / w, np.float32)


def tissue(f: Form, m: Array, b: Array, s: Array) -> NDArray[np.uint8]:
    """Tissue code at local points (mm)."""
    if f.shape == "evergrowing":
        return _evergrowing(f, m, b, s)
    b = (b + f.bend * np.where(s > 0, s, s * 0.5) * np.abs(s) / max(f.height, 0.3)).astype(np.float32)
    height = f.height
    up = np.clip(s / height, 0, 1)
    grow = f.cervix + (1 - f.cervix) * np.sin(np.pi * np.clip(up * 0.75 + 0.12, 0, 1))
    side = f.enamel * (0.3 + 0.7 * np.clip(up * 2.2, 0, 1))
    scallop = 0.05 * height * np.cos(2 * np.arctan2(b / f.width, m / f.length))
    front = height * (1 - f.crown_formed) * 1.02
    hollow = f.crown_formed < 1 or f.root_formed < 0.5
    wall = (
        f.dentine
        if not hollow
        else np.minimum(
            f.dentine,
            (0.05 + 0.5 * f.root_formed) * f.length * 0.35 + 0.45 * np.clip(s - front, 0, None) * 0.3,
        )
    )
    outer_h = np.minimum(_heights(f, m, b, 0.0), np.float32(height * (1 - f.wear)))
    crown = (s >= scallop) & (s <= outer_h) & (_rho(f, m, b, 0.0) <= grow)
    inner_h = _heights(f, m, b, side) - 1.35 * f.enamel
    core = (s <= inner_h) & (_rho(f, m, b, side) <= grow)
    pulp_h = _heights(f, m, b, side + wall) - 1.35 * (f.enamel + wall)
    pulp = (s <= pulp_h) & (_rho(f, m, b, side + wall) <= grow * 0.97)
    out = np.zeros(m.shape, np.uint8)
    out[crown] = 4
    out[crown & core] = 3
    out[crown & core & pulp] = 1
    if f.crown_formed < 1:
        out[s < front] = 0
        return out
    _add_roots(f, m, b, s, out, s < scallop)
    return out


def _add_roots(f: Form, m: Array, b: Array, s: Array, out: NDArray[np.uint8], below: NDArray[np.bool_]) -> None:
    full = f.root_length
    made = full * f.root_formed
    u = np.clip(-s / full, 0, 1)
    stump = max(f.trunk * full if len(f.roots) > 1 else 0.0, 0.0)
    trunk = below & (-s <= min(stump, made) + 0.06 * f.height) & (_rho(f, m, b, 0.0) <= f.cervix)
    inner = trunk & (_rho(f, m, b, min(f.dentine, 0.3 * f.width)) <= f.cervix)
    solid = trunk.copy()
    canal = inner & (u < f.trunk * 0.85)
    wide = 0.28 + 0.62 * (1 - f.root_formed)
    for cm, cb, rm, rb, dm, db in f.roots:
        taper = 1 - 0.72 * u**1.6
        x = (m - cm - dm * (u + u * u)) / (rm * taper)
        y = (b - cb - db * (u + u * u)) / (rb * taper)
        d = x * x + y * y
        inside = below & (-s <= made) & (d <= 1)
        if made < full * 0.98:
            share = wide + (0.9 - wide) * np.clip(-s / max(made, 1e-3), 0, 1) ** 2
        else:
            share = wide * np.clip(1.1 - u, 0, 1)
        solid |= inside
        canal |= inside & (d <= share**2)
    out[solid] = 3
    out[solid & canal] = 1


def _evergrowing(f: Form, m: Array, b: Array, s: Array) -> NDArray[np.uint8]:
    """Curved incisor of a rodent-like animal: an arc with enamel on its outer (labial) face only."""
    radius = f.bend
    rr = np.hypot(b + radius, s - 0.0)
    angle = np.arctan2(s, b + radius)  # positive towards the tip
    along = angle * radius
    tip = f.height
    base = -f.root_length
    q = rr - radius
    hl, hw = f.length / 2, f.width / 2
    d = (np.abs(m) / hl) ** 2.6 + (np.abs(q) / hw) ** 2.6
    bevel = tip - np.clip(hw - q, 0, None) * 1.3
    inside = (d <= 1) & (along <= bevel) & (along >= base)
    rel = np.clip((along - base) / (tip - base), 0, 1)
    out = np.zeros(m.shape, np.uint8)
    out[inside] = 3
    enamel = ((np.abs(m) / (hl - f.enamel)) ** 2.6 + (np.abs(q) / (hw - f.enamel)) ** 2.6 > 1) & (q > -0.1 * hw)
    enamel &= rel > 0.06
    out[inside & enamel] = 4
    pulp = (np.abs(m) / hl) ** 2 + (np.abs(q) / hw) ** 2 <= np.clip(0.75 * (1 - rel * 1.35), 0, 1) ** 2
    out[inside & pulp & ~enamel] = 1
    return out


def extent(f: Form) -> tuple[float, float, float, float]:
    """Half extents m, b and lowest and highest s (mm) that contain the tooth."""
    if f.shape == "evergrowing":
        r = f.bend
        return f.length / 2 + 0.1, 2 * r + f.width, -(r + f.width), r + f.width
    side = 0.25 * max(f.length, f.width)
    low = -f.root_length * f.root_formed - 0.1 * f.height - 0.1
    return f.length * 0.56 + side, f.width * 0.56 + side + f.bend * f.height, low, f.height * 1.05
