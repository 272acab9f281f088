# ruff: noqa: RUF005 (here + adds vectors)
"""The cranium as a list of things added and things cut away, drawn for the adult and grown to the stage.

The braincase and snout are one hull of superelliptic sections; its inside is hollowed into nasal cavity and
braincase. Palate, alveolar processes, zygomatic arches, condyles, petrosals and the rest are added, then
canals and openings cut.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ossicle.practice.ear import tube
from ossicle.practice.growth import Proportions
from ossicle.practice.lofts import Table, loft, plate
from ossicle.practice.palate import Opening, palate_plate, palate_top
from ossicle.practice.relief import infraorbital_canal, jugal_process, orbit, paroccipital, rounded
from ossicle.practice.rows import RowCurve
from ossicle.practice.shapes import (
    Array,
    Frame,
    Solid,
    chain,
    cut,
    ellipsoid,
    f32,
    half_space,
    join,
    meet,
    placed,
    swollen,
)

__all__ = ["Op", "Skull", "cranium"]

F = np.float32
Vec = NDArray[np.float64]


@dataclass(frozen=True)
class Op:
    """One step of building: add or cut a solid, with a fillet of `k` mm."""

    verb: Literal["add", "cut"]
    solid: Solid
    k: float = 0.0
    what: str = ""


@dataclass
class Skull:
    """A cranium's ops in order, named solids (its cavities), openings and landmarks, in skull mm."""

    ops: list[Op] = field(default_factory=list)
    named: dict[str, Solid] = field(default_factory=dict)
    landmarks: dict[str, Vec] = field(default_factory=dict)
    openings: list[Opening] = field(default_factory=list)
    uneven: np.random.Generator | None = None

    def add(self, solid: Solid, k: float = 0.0, what: str = "") -> None:
        """Join a solid to the skull with a fillet of ``k`` mm."""
        self.ops.append(Op("add", solid, k, what))

    def cut(self, solid: Solid, k: float = 0.0, what: str = "") -> None:
        """Take a solid away from the skull with a fillet of ``k`` mm."""
        self.ops.append(Op("cut", solid, k, what))

    def both(self, verb: Literal["add", "cut"], make: Any, k: float = 0.0, what: str = "") -> None:
        """The same on both sides: `make(side)` is called with +1 (left) and -1; no two sides are quite alike."""
        for side in (1.0, -1.0):
            solid = make(side)
            if verb == "add" and self.uneven is not None:
                solid = placed(solid, _nudge((solid.lo + solid.hi) / 2, self.uneven))
            self.ops.append(Op(verb, solid, k, what))


def _nudge(centre: Vec, rng: np.random.Generator) -> Frame:
    """A small turn (about 0.7 degrees) and shift (about 0.05 mm), as left and right of real skulls differ."""
    x, y, z = rng.normal(0, 0.012, 3)
    q, r = np.linalg.qr(np.array([[1, -z, y], [z, 1, -x], [-y, x, 1]]))
    q = q * np.sign(np.diag(r))
    m = np.eye(4)
    m[:3, :3] = q
    m[:3, 3] = centre - q @ centre + rng.normal(0, 0.05, 3)
    return m


def flip(points: ArrayLike, side: float) -> Vec:
    """Points (.., 3) on the other side where ``side`` is -1; as they are where it is 1."""
    p: Vec = np.asarray(points, dtype=float) * np.array([side, 1.0, 1.0])
    return p


def hull(
    outline: NDArray[np.float64],
    grow: Proportions,
    *,
    sides: float = 0.0,
    top: float = 0.0,
    floor: float = 0.0,
    ends: tuple[float, float] | None = None,
) -> Solid:
    """The skull's outer hull, or with insets (mm) its inner one between two z of the adult design."""
    z, t, b, a, n = outline.T
    s = grow.scale(z)
    zz = grow.along(z)
    centre = (0.45 * t + 0.55 * b) * s
    up, down = t * s - top - centre, centre - b * s - floor
    half = a * s - sides
    if ends is not None:
        lo, hi = (float(v) for v in grow.along(np.array(ends)[::-1]))
        knots = np.unique(np.r_[lo, hi, zz[(zz > lo) & (zz < hi)]])
        o = np.argsort(zz)
        centre, up, down, half, n = (np.interp(knots, zz[o], v[o]) for v in (centre, up, down, half, n))
        zz = knots
    least = 0.15
    return loft(
        2,
        list(zz),
        cv=list(centre),
        au=list(np.maximum(half, least)),
        av=list(np.maximum(up, least)),
        av_neg=list(np.maximum(down, least)),
        power=list(n),
        cap=0.5,
    )


def ridge(curve: RowCurve, s0: float, s1: float, depth: float, radius: float, side: float) -> Solid:
    """The alveolar process: a rounded bar along the row, `depth` mm beyond the margin."""
    up = 1.0 if curve.jaw == "upper" else -1.0
    pts = [flip(curve.point(s) + [0, up * depth, 0], side) for s in np.linspace(s0, s1, 9)]
    return chain(pts, [radius] * 9, squash=(1, 1.15, 1), smooth=1)


def turbinals(
    inside: Solid, grow: Proportions, ends: tuple[float, float], outline: NDArray[np.float64], sheet: float
) -> list[Solid]:
    """Septum and scrolls of the nasal cavity, clipped to `inside`."""
    front, back = (float(v) for v in grow.along(np.array(ends)))
    o = outline[np.argsort(outline[:, 0])]
    s = grow.scale(o[:, 0])
    zz = grow.along(o[:, 0])
    mid = Table(zz, (0.5 * (o[:, 1] + o[:, 2])) * s)
    size = Table(zz, np.minimum(o[:, 3], (o[:, 1] - o[:, 2]) / 2) * s)

    def septum(x: Array, y: Array, z: Array) -> Array:
        return f32(np.abs(x + F(0.04) * np.sin(y * F(1.7))) - F(sheet))

    def scrolls(x: Array, y: Array, z: Array) -> Array:
        r = size(z)
        out: Array | None = None
        for cy, turn, scale in ((-0.42, 0.3, 0.36), (0.30, 2.0, 0.30), (0.72, 3.5, 0.2)):
            px = np.abs(x) - F(0.5) * r
            py = y - mid(z) - F(cy) * r
            rad = np.sqrt(px * px + py * py)
            a = np.arctan2(py, px) + F(turn) + F(0.35) * np.sin(z * F(0.9))
            pitch = F(0.2) * r + F(0.12)
            d = rad - a * pitch / F(2 * np.pi)
            d = np.abs(d - pitch * np.round(d / pitch))
            d = np.maximum(d - F(sheet), rad - F(scale) * r)
            stalk = np.maximum(np.abs(py) - F(sheet), np.maximum(-px, px - F(0.6) * r))
            d = np.minimum(d, stalk)
            out = d if out is None else np.minimum(out, d)
        assert out is not None
        return f32(np.maximum(out * F(0.8), np.maximum(z - F(front - 1.6), F(back - 0.3) - z)))

    lo, hi = inside.lo, inside.hi
    return [meet(Solid(septum, lo, hi), inside), meet(Solid(scrolls, lo, hi), inside)]


def cranium(
    design: Mapping[str, Any], grow: Proportions, age: float, uneven: np.random.Generator | None = None
) -> Skull:
    """The cranium of an animal at an age, without its alveoli; `uneven` makes its sides differ a little."""
    c = design["cranium"]
    out = Skull(uneven=uneven)
    g = grow.point
    size = float(grow.brain)
    wall = float(c["wall"]) * (0.7 + 0.3 * min(age, 1.0))
    shape = np.asarray(c["outline"], dtype=float)
    curve = RowCurve(g(design["rows"]["upper"]), "upper")
    has_teeth = bool(design.get("tooth"))

    outer = hull(shape, grow)
    brain = hull(shape, grow, sides=wall, top=wall, floor=wall * 2.2, ends=tuple(c["brain"]))
    nasal = hull(shape, grow, sides=wall * 1.1, top=wall * 0.9, floor=0.7, ends=tuple(c["nasal"]))
    arch = np.asarray(c["arch"], dtype=float)
    eyes = [orbit(c, grow, age, shape, k) for k in (1.0, -1.0)] if len(arch) else []
    canals = [infraorbital_canal(c, grow, shape, k) for k in (1.0, -1.0)] if len(arch) else []
    brain = cut(brain, *(swollen(e, wall) for e in eyes))
    nasal = cut(nasal, *(swollen(e, wall) for e in eyes), *(swollen(e, 0.6 * wall) for e in canals))
    out.named["braincase"], out.named["nasal cavity"] = brain, nasal
    out.add(outer)
    for eye in eyes:
        out.cut(eye, 0.3, "orbit")
    end = float(c["palate_end"])
    out.add(palate_plate(curve, grow, end, 0.26 * size), 0.5)
    z_row = [curve.point(s)[2] for s in np.linspace(0, curve.length, 200)]
    s_end = float(np.interp(-float(grow.along(end)) - 0.6, -np.array(z_row), np.linspace(0, curve.length, 200)))
    if has_teeth:
        out.both("add", lambda k: ridge(curve, 0.35, s_end, 0.85 * size, 0.8 * size, k), 1.2)
    out.cut(brain, 0.1)
    out.cut(nasal, 0.1)
    for t in turbinals(nasal, grow, tuple(c["nasal"]), shape, 0.07):
        out.add(t)
    # airway from the nose over the palate to the throat: it opens behind the hard palate, never through it
    y0 = float(np.interp(end, shape[::-1, 0], shape[::-1, 2]))
    top, _ = palate_top(curve, grow, end, 0.26 * size)
    air = g([[0, 0, end + 5.0], [0, 0, end + 1.5], [0, 0, end - 0.3]])
    air[:, 1] = top(f32(air[:, 0]), f32(np.maximum(air[:, 2], grow.along(end)))) + 0.3 * size
    throat = g([[0, min(y0 - 0.3, 1.4), end - 2.0], [0, min(y0 - 0.6, 0.9), end - 4.5]])
    way = chain(np.vstack([air, throat]), [v * size for v in (0.9, 0.95, 0.95, 1.0, 0.9)], squash=(1.15, 0.85, 1))
    shelf = palate_plate(curve, grow, end, 0.26 * size, below=3.0)
    out.cut(cut(way, shelf, swollen(brain, 0.8 * wall)), 0.1, "choana")
    # pterygoid plates beside it
    py = float(np.interp(end - 4.0, shape[::-1, 0], shape[::-1, 2]))
    wing = [
        [0.9, end + 0.7],
        [py + 0.8, end + 0.5],
        [py + 0.9, end - 6.0],
        [py - 0.2, end - 5.6],
        [-0.5, end - 5.7],
        [-0.55, end - 5.1],
        [0.1, end - 4.2],
        [0.3, end - 0.8],
    ]
    wg = rounded(g(np.c_[np.zeros(len(wing)), np.array(wing)])[:, 1:])
    px = float(c.get("pterygoid", 1.7)) * size
    out.both(
        "add",
        lambda k: plate(wg, plane=0, middle=k * px, half=0.16 * size + 0.06, rounding=0.12),
        0.4,
        "pterygoid",
    )
    # zygomatic arches
    if len(arch):
        pts, r = g(arch[:, :3]), arch[:, 3] * grow.scale(arch[:, 2])
        out.both(
            "add",
            lambda k: chain(flip(pts, k), list(r), squash=(0.55, 1.4, 1.0), smooth=3),
            0.6,
            "zygomatic arch",
        )
        if c.get("postorbital"):
            out.both("add", lambda k: jugal_process(c, grow, age, shape, k), 0.4, "frontal process of the jugal")
        gl = g(c["glenoid"])
        out.both(
            "add",
            lambda k: ellipsoid(flip(gl + [-0.4, 0.75, 0.0], k), np.array([2.0, 0.6, 1.2]) * size),
            0.6,
            "squamosal root",
        )
        out.both(
            "add",
            lambda k: ellipsoid(flip(gl + [-0.5, 0.05, -1.15], k), np.array([1.1, 0.95, 0.32]) * size),
            0.4,
            "postglenoid process",
        )
    po = c.get("postorbital")
    if po:
        p = g(po)
        out.both(
            "add",
            lambda k: chain(
                [flip(p + [-1.6, 0.1, 0.4], k), flip(p, k), flip(p + [0.7, -0.55, -0.3], k)],
                [0.75 * size, 0.5 * size, 0.15],
            ),
            0.5,
            "postorbital process",
        )
    for canal in canals:
        out.cut(canal, 0.1, "infraorbital canal")
    _base(out, c, grow, size, shape, brain)
    tall = float(c.get("crest", 0.0)) * float(np.clip((age - 0.45) / 0.6, 0, 1))
    if tall > 0.05:
        _crests(out, shape, grow, tall, brain)
    out.landmarks["prosthion"] = np.array([0.0, 0.0, float(z_row[0])])
    nose = float(shape[0, 0])
    wide, high, low = (float(np.interp(nose - 1.0, shape[::-1, 0], shape[::-1, i])) for i in (3, 1, 2))
    nares = [[0, 0.5 * (high + low) + 0.1, nose - 2.2], [0, 0.55 * (high + low) + 0.3, nose + 1.5]]
    out.cut(chain(g(nares), [0.72 * wide, 0.78 * wide], squash=(1.0, 0.8, 1)), 0.2, "nares")
    return out


def _base(
    out: Skull, c: Mapping[str, Any], grow: Proportions, size: float, shape: NDArray[np.float64], brain: Solid
) -> None:
    """Occiput, ear region and the foramina of the base."""
    g = grow.point
    back = float(shape[-1, 0])
    floor = float(np.interp(back + 1.5, shape[::-1, 0], shape[::-1, 2]))
    out.both("add", lambda k: paroccipital(c, grow, k), 0.5, "paroccipital process")
    fm = g([0, floor + 2.1, back])
    w = float(c.get("condyle_width", 1.7)) * size
    out.both(
        "add",
        lambda k: ellipsoid(flip(fm + [w, -0.9 * size, 0.15], k), np.array([0.85, 1.15, 0.95]) * size),
        0.4,
        "occipital condyle",
    )
    half = (1.65 * size, 1.28 * size)
    hole = tube(fm + [0, 0.1, 2.4], fm + [0, 0.0, -2.2], half[0], half[1], (0.0, 1.0, 0.0))
    out.openings.append(Opening("foramen magnum", "midline", half, fm, hole))
    out.landmarks["basion"] = fm + [0, -half[1], -0.2]
    # nerves and vessels through the side walls
    out.both(
        "cut",
        lambda k: chain(g([[k * 1.0, 4.6, -16.4], [k * 3.6, 4.2, -14.6]]), [0.5 * size, 0.55 * size]),
        0.1,
        "optic foramen",
    )


def _crests(out: Skull, shape: NDArray[np.float64], grow: Proportions, tall: float, brain: Solid) -> None:
    """Sagittal and nuchal crests of the grown animal."""
    z = shape[:, 0]
    lo = float(z[-1])
    hi = float(z[np.argmax(shape[:, 1])]) + 4.0
    zs = np.linspace(lo + 0.6, hi, 12)
    top = np.interp(zs, z[::-1], shape[::-1, 1])
    h = tall * np.sin(np.pi * np.clip((hi - zs) / (hi - lo) * 1.0, 0, 0.75) / 1.5)
    pts = g_points = grow.point(np.c_[np.zeros(12), top - 0.25 + h, zs])
    del g_points
    outline = np.r_[np.c_[pts[:, 1], pts[:, 2]], np.c_[pts[::-1, 1] - tall - 0.8, pts[::-1, 2]]]
    keep = half_space([0, 0, 0], [0, -1, 0])
    out.add(
        meet(plate(outline, plane=0, middle=0.0, half=0.18, rounding=0.12), cut(keep, brain)),
        0.5,
        "sagittal crest",
    )
    o = shape[-2]
    s = float(grow.scale(o[0]))
    zc = float(grow.along(o[0]))
    cy, ry, rx = (o[1] + o[2]) / 2 * s, (o[1] - o[2]) / 2 * s, o[3] * s
    t = np.linspace(-0.15, np.pi + 0.15, 15)
    rise = np.sqrt(np.clip(np.sin(t), 0, 1))
    arc = np.c_[1.02 * rx * np.cos(t), cy + 1.04 * ry * np.sin(t), np.full(15, zc - 0.2)]
    out.add(
        cut(chain(list(arc), list(0.12 + (0.13 + 0.4 * tall) * rise), squash=(1, 1, 0.6), smooth=1), brain),
        0.5,
        "nuchal crest",
    )


def joined(solids: Sequence[Solid]) -> Solid:
    """Several solids as one."""
    return join(*solids)
