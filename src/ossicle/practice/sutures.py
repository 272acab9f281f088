"""Which bone a point of the cranium belongs to, and the sutures between bones.

Each bone has a few seeds (points of the adult design); a point belongs to the bone of its nearest seed, with
distances rippled so that sutures wander as real ones do. A suture is the strip where the two nearest bones
are about equally near.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ossicle.practice.growth import Proportions, smooth_step
from ossicle.practice.noise import ripple
from ossicle.practice.shapes import Array

__all__ = ["BONES", "Elements", "elements", "suture_width"]

F = np.float32

BONES: tuple[str, ...] = (
    "premaxilla",
    "maxilla",
    "nasal",
    "frontal",
    "parietal",
    "squamosal",
    "jugal (zygomatic)",
    "palatine",
    "pterygoid",
    "basisphenoid",
    "basioccipital",
    "supraoccipital",
    "lacrimal",
    "ethmoid",
)
PAIRED = {b: b not in ("basisphenoid", "basioccipital", "supraoccipital", "ethmoid") for b in BONES}


@dataclass(frozen=True)
class Elements:
    """Seeds (n, 3) in skull mm, the bone index of each, and per bone its term and side."""

    seeds: NDArray[np.float64]
    owner: NDArray[np.int64]
    bones: tuple[tuple[str, str], ...]

    def split(self, x: Array, y: Array, z: Array, seed: int) -> tuple[NDArray[np.int64], Array]:
        """Bone index of each point, and half the lead (mm) of the nearest bone over the next: 0 on a
        suture.
        """
        if len(x) > 65536:
            pieces = [
                self.split(x[i : i + 65536], y[i : i + 65536], z[i : i + 65536], seed) for i in range(0, len(x), 65536)
            ]
            return np.concatenate([p[0] for p in pieces]), np.concatenate([p[1] for p in pieces])
        n = len(x)
        near = np.full(n, 1e6, dtype=F)
        second = np.full(n, 1e6, dtype=F)
        who = np.zeros(n, dtype=np.int64)
        wave = [
            F(0.22) * ripple(x, y, z, 1.4, seed + i) + F(0.5) * ripple(x, y, z, 4.0, seed + 9 + i) for i in range(3)
        ]
        for b in range(len(self.bones)):
            d = np.full(n, 1e6, dtype=F)
            for p in self.seeds[self.owner == b]:
                d = np.minimum(d, (x - F(p[0])) ** 2 + (y - F(p[1])) ** 2 + (z - F(p[2])) ** 2)
            d = np.sqrt(d) + wave[b % 3] * F(0.6)
            closer = d < near
            second = np.where(closer, near, np.minimum(second, d))
            who[closer] = b
            near = np.minimum(near, d)
        return who, (second - near) * F(0.5)


def suture_width(age: float) -> float:
    """Width of sutures, mm: open in the newborn, closing in the adult, mostly fused in the old."""
    return 0.17 - 0.11 * smooth_step(age / 1.0) - 0.06 * smooth_step((age - 1.0) / 0.6)


def elements(design: Mapping[str, Any], grow: Proportions) -> Elements:
    """Seeds of the cranium's bones, placed by the animal's outline."""
    c = design["cranium"]
    o = np.asarray(c["outline"], dtype=float)
    z0, z1 = float(o[0, 0]), float(o[-1, 0])
    hinge, end = float(c["hinge"]), float(c["palate_end"])
    brain = float(c["brain"][0])
    rows = np.asarray(design["rows"]["upper"], dtype=float)

    def at(z: float) -> tuple[float, float, float]:
        top, low, half = (float(np.interp(z, o[::-1, 0], o[::-1, i])) for i in (1, 2, 3))
        return top, low, half

    def row_x(z: float) -> float:
        order = np.argsort(rows[:, 2])
        return float(np.interp(z, rows[order, 2], rows[order, 0]))

    seeds: list[tuple[str, list[float]]] = []

    def put(bone: str, *points: Sequence[float]) -> None:
        seeds.extend((bone, [float(v) for v in p]) for p in points)

    def line(a: float, b: float, n: int) -> NDArray[np.float64]:
        return np.linspace(a, b, n)

    for z in line(z0 - 0.4, 1.2, 4):
        t, _, a = at(z)
        put("premaxilla", [0.8 * max(row_x(z), a), 0.3, z], [0.35 * a, 0.2, z], [0.9 * a, 0.45 * t, z])
    for z in line(-1.4, hinge + 0.5, 6):
        t, _, a = at(z)
        put(
            "maxilla",
            [row_x(z), 0.5, z],
            [0.95 * a, 0.5 * t, z],
            [0.45 * row_x(z), 0.4, z] if z > end + 5.5 else [1.1 * row_x(z), 0.9, z],
        )
    for z in line(z0 + 0.3, hinge + 2.5, 5):
        t, _, a = at(z)
        put("nasal", [0.35 * a, t, z])
    for z in line(hinge - 0.6, brain - 3.0, 4):
        t, _, a = at(z)
        put("frontal", [0.45 * a, t, z], [0.95 * a, 0.72 * t, z])
    t, _, a = at(hinge + 0.5)
    put("lacrimal", [1.05 * a, 0.45 * t, hinge + 0.2])
    for z in line(brain - 6.6, z1 + 4.2, 4):
        t, _, a = at(z)
        put("parietal", [0.4 * a, t, z], [0.85 * a, 0.8 * t, z])
    g = [float(v) for v in c["glenoid"]]
    put(
        "squamosal",
        g,
        [g[0] - 1.0, g[1] + 1.3, g[2] - 0.6],
        [g[0] - 1.4, g[1] + 2.6, g[2] - 1.6],
        [g[0] + 1.6, g[1] + 1.2, g[2] + 0.8],
        [g[0] - 1.2, g[1] + 1.0, g[2] - 2.8],
    )
    arch = np.asarray(c["arch"], dtype=float)
    if len(arch) > 4:
        put("jugal (zygomatic)", *(list(p[:3]) for p in arch[1:-3]))
    for z in line(end + 4.2, end + 0.4, 3):
        put("palatine", [0.45 * row_x(z), 0.5, z], [0.2, 0.5, z])
    for z in line(end - 0.8, end - 3.0, 2):
        _, low, a = at(z)
        put("palatine", [0.8 * a, low + 0.9, z])
    px = float(c.get("pterygoid", 1.7))
    put("pterygoid", [px, 0.6, end - 2.6], [px, 0.5, end - 4.6])
    for z in line(end - 3.6, end - 8.0, 3):
        _, low, a = at(z)
        put("basisphenoid", [0.0, low + 0.3, z], [0.55 * a, low + 0.6, z], [-0.55 * a, low + 0.6, z])
    for z in line(end - 10.2, z1 + 1.0, 3):
        _, low, a = at(z)
        put("basioccipital", [0.0, low + 0.2, z], [0.3 * a, low + 0.3, z], [-0.3 * a, low + 0.3, z])
    t, low, a = at(z1 + 0.6)
    for f in (0.35, 0.7, 1.0):
        put(
            "supraoccipital",
            [0.0, low + (t - low) * f, z1 + 0.1],
            [0.75 * a, low + (t - low) * f, z1 + 0.4],
            [-0.75 * a, low + (t - low) * f, z1 + 0.4],
        )
    for z in line(z0 - 3.0, brain + 0.4, 6):
        t, low, a = at(z)
        put("ethmoid", *([x * a, low + (t - low) * f, z] for x in (-0.4, 0.0, 0.4) for f in (0.4, 0.62)))

    bones: list[tuple[str, str]] = []
    points: list[list[float]] = []
    owner: list[int] = []
    for b in BONES:
        mine = [p for name, p in seeds if name == b]
        if not mine:
            continue
        for side, k in (("left", 1.0), ("right", -1.0)) if PAIRED[b] else (("midline", 1.0),):
            for p in mine:
                points.append([k * p[0], p[1], p[2]])
                owner.append(len(bones))
            bones.append((b, side))
    return Elements(grow.point(np.asarray(points)), np.asarray(owner), tuple(bones))
