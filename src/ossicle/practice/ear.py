"""The ear region: petrosal with its labyrinth, the windows, three ossicles, and the floor of the middle ear.

Built in an ear frame (x lateral, y dorsal, z rostral; mm of an adult of medium size) and carried to either
side of the skull. The ear is nearly full-grown at birth, so it has a scale of its own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ossicle.practice.shapes import (
    Array,
    Frame,
    Solid,
    chain,
    cut,
    ellipsoid,
    f32,
    frame,
    half_space,
    join,
    meet,
    placed,
    shell,
    swollen,
    torus,
)

__all__ = ["NATURAL", "Ear", "build_ear", "ear_origin", "tube"]

NATURAL = 1.4
"""What an ear of the designs' lengths is scaled by in a skull of 30 to 37 mm.

At 1 its labyrinth holds 1.1 mm3, less than that of a mouse, whose skull is two thirds as long (about 2 to 3 mm3); at
1.4 it holds 3.1 mm3, the petrosal takes up a sixth of the skull's length, and the oval window 0.4 to 0.5 mm2, as in
small carnivores (0.4 to 1.5 mm2). All values from memory.
"""

F = np.float32
Vec = NDArray[np.float64]


@dataclass
class Ear:
    """One ear as solids in skull mm, and its figures."""

    side: str
    petrosal: Solid
    labyrinth: Solid
    windows: list[Solid]
    meatus: Solid
    cavity: Solid | None
    floor: Solid | None
    roof: Solid | None
    ossicles: dict[str, Solid]
    landmarks: dict[str, Vec]
    figures: dict[str, Any] = field(default_factory=dict)
    openings: list[dict[str, Any]] = field(default_factory=list)


def tube(a: ArrayLike, b: ArrayLike, ru: float, rv: float, up: ArrayLike = (0.0, 0.0, 1.0)) -> Solid:
    """An elliptic cylinder from `a` to `b`; `rv` is its half axis in the direction nearest to `up`."""
    p, q = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
    n = q - p
    length = float(np.linalg.norm(n))
    n = n / length
    v = np.asarray(up, dtype=float)
    v = v - n * (v @ n)
    v /= np.linalg.norm(v)
    u = np.cross(v, n)
    uf, vf, nf, c = u.astype(F), v.astype(F), n.astype(F), ((p + q) / 2).astype(F)

    def of(x: Array, y: Array, z: Array) -> Array:
        px, py, pz = x - c[0], y - c[1], z - c[2]
        s = (px * uf[0] + py * uf[1] + pz * uf[2]) / F(ru)
        t = (px * vf[0] + py * vf[1] + pz * vf[2]) / F(rv)
        k0 = np.sqrt(s * s + t * t) + F(1e-6)
        k1 = np.sqrt((s / F(ru)) ** 2 + (t / F(rv)) ** 2) + F(1e-6)
        d = k0 * (k0 - F(1)) / k1
        return f32(np.maximum(d, np.abs(px * nf[0] + py * nf[1] + pz * nf[2]) - F(length / 2)))

    r = max(ru, rv)
    return Solid(of, np.minimum(p, q) - r, np.maximum(p, q) + r)


def _surface_along(solid: Solid, start: Vec, direction: Vec) -> float:
    """Distance from a point inside to the surface along a direction, mm."""
    t = np.linspace(0, 6, 601)
    d = solid.at(start + t[:, None] * direction)
    out = np.flatnonzero(d > 0)
    return float(t[out[0]]) if len(out) else 6.0


def _fundus(labyrinth: Solid, mouth: Vec, towards: Vec, clear: float) -> Vec:
    """Where the internal meatus ends: as far in as leaves `clear` mm to the labyrinth's cavity, since bone closes its
    fundus but for pores finer than a scan shows."""
    way = mouth + np.linspace(0, 1, 200)[:, None] * (towards - mouth)
    near = np.flatnonzero(labyrinth.at(way) < clear)
    end: Vec = way[max(40, int(near[0]) - 1)] if len(near) else towards
    return end


def _unit(v: ArrayLike) -> Vec:
    a: Vec = np.asarray(v, dtype=float)
    return a / float(np.linalg.norm(a))


def _cochlea(turns: float, base: Vec, scale: float) -> tuple[Solid, Vec, float]:
    """The spiral: narrowing and rising from its base to its apex, with bone between its turns; returns it, where it
    begins, and how long its middle line is.
    """
    axis = _unit([0.45, -0.42, 0.78])
    u = _unit(np.cross(axis, [0.0, 1.0, 0.0]))
    v = np.cross(axis, u)
    n = int(max(18, 12 * turns))
    t = np.linspace(0, 1, n)
    start = np.arctan2(np.array([0.5, -0.1, -0.65]) @ v, np.array([0.5, -0.1, -0.65]) @ u)
    a = start + 2 * np.pi * turns * t
    r = scale * 0.64 * (1 - 0.66 * t)
    h = scale * (0.2 + 0.33 * turns) * t
    pts = base + r[:, None] * (np.cos(a)[:, None] * u + np.sin(a)[:, None] * v) + h[:, None] * axis
    long = float(np.linalg.norm(np.diff(pts, axis=0), axis=1).sum())
    return chain(pts, list(scale * (0.165 - 0.075 * t)), smooth=1), pts[0], long


def _stapes(foot: Vec, out: Vec, along: Vec, half: float, height: float, thick: float, columella: bool) -> Solid:
    """A stapes on its footplate: two crura, or one rod."""
    head = foot + out * height
    plate = tube(foot - out * 0.035, foot + out * 0.045, 0.6 * half, 0.92 * half, along)
    if columella:
        return join(plate, chain([foot, head], [thick / 2, thick / 2 * 1.15], smooth=1), k=0.08)
    legs = [
        chain(
            [foot + along * s * 0.78 * half, foot + out * 0.5 * height + along * s * 0.62 * half, head],
            [thick / 2, thick / 2, thick / 2 * 1.3],
            smooth=2,
        )
        for s in (1.0, -1.0)
    ]
    return join(plate, *legs, k=0.05)


def ear_origin(bulla: Vec, bulla_radii: Vec, scale: float) -> Vec:
    """Middle of the left petrosal (skull mm) over the middle ear's floor; a larger one also reaches farther in."""
    inward = 0.45 * max(0.0, scale - 1.0)
    out: Vec = bulla + np.array([0.1 - inward, float(bulla_radii[1]) * 0.5 + 0.95 * scale, 0.1])
    return out


def build_ear(
    design: Mapping[str, Any],
    side: str,
    origin: Vec,
    scale: float,
    bulla: Vec,
    bulla_radii: Vec,
    rng: np.random.Generator,
) -> Ear:
    """One ear.

    Parameters
    ----------
    design
        The animal's ``ear`` table: turns, floor (alisphenoid, ectotympanic or none), stapes form and
        thickness, and so on.
    side
        ``left`` or ``right``.
    origin
        Middle of the petrosal on the left, skull mm.
    scale
        Of the ear against the medium adult.
    bulla, bulla_radii
        Middle (left) and half axes of the middle ear's floor, skull mm.
    """
    k = 1.0 if side == "left" else -1.0
    place: Frame = frame([k * origin[0], origin[1], origin[2]], [k, 0, 0], [0, 1, 0], [0, 0, 1])

    def sent(p: ArrayLike) -> Vec:
        q: Vec = place[:3, :3] @ np.asarray(p, dtype=float) + place[:3, 3]
        return q

    s = scale
    turns = float(design.get("turns", 2.4)) + float(rng.normal(0, 0.04))
    vest = np.array([0.25, -0.15, -0.35]) * s
    cochlea, begin, long = _cochlea(turns, np.array([-0.28, -0.10, 0.32]) * s, s)
    canals = []
    radii = {}
    size = float(design.get("canals", 1.0))
    for which, ahead, other, radius in (
        ("anterior", [0.2, 1.0, 0.42], [0.7, 0.0, 0.7], 0.60),
        ("posterior", [0.25, 0.62, -0.85], [0.75, 0.1, -0.5], 0.55),
        ("lateral", [1.0, 0.12, -0.3], [0.2, 0.05, 1.0], 0.5),
    ):
        radii[which] = round(radius * s * size, 4)
        d = _unit(ahead)
        normal = np.cross(d, _unit(other))
        canals.append(torus(vest + d * radius * s * size, normal, radius * s * size, 0.115 * s))
        canals.append(ellipsoid(vest + d * 0.42 * s + _unit(np.cross(normal, d)) * 0.22 * s, np.full(3, 0.2 * s)))
    sac = ellipsoid(vest, np.array([0.40, 0.44, 0.50]) * s)
    link = chain([vest, begin], [0.24 * s, 0.165 * s], smooth=1)  # no wider than the canal: bone parts the turns
    labyrinth = join(sac, link, cochlea, *canals, k=0.08 * s)
    stone = join(
        ellipsoid(np.array([-0.2, 0.02, 0.40]) * s, np.array([1.2, 1.05, 1.30]) * s),
        ellipsoid(np.array([0.40, 0.50, -0.95]) * s, np.array([1.20, 1.20, 1.15]) * s),
        k=0.5 * s,
    )
    petrosal = join(stone, swollen(labyrinth, 0.24 * s), k=0.3 * s)

    # windows: cut from the labyrinth out through the petrosal into the middle ear
    out_o = _unit([0.66, -0.75, 0.08])
    reach = _surface_along(petrosal, vest, out_o)
    half, ratio = float(design.get("oval", 0.36)) * s, float(design.get("oval_ratio", 0.62))
    along = _unit(np.array([0.0, 0.12, 1.0]) - out_o * (np.array([0.0, 0.12, 1.0]) @ out_o))
    oval = tube(vest + out_o * 0.2 * s, vest + out_o * (reach + 0.4 * s), half * ratio, half, along)
    # behind and below the oval window, the promontory's bone between the two
    out_r = _unit([-0.3, -0.62, -0.72])
    r_round = float(design.get("round", 0.25)) * s
    reach_r = _surface_along(petrosal, begin, out_r)
    round_ = tube(begin + out_r * 0.09 * s, begin + out_r * (reach_r + 0.35 * s), r_round, r_round)
    mouth = np.array([-1.9, 0.55, 0.15]) * s
    meatus = tube(mouth, _fundus(labyrinth, mouth, np.array([-0.45, 0.05, 0.2]) * s, 0.4 * s), 0.24 * s, 0.28 * s)

    # ossicles, out from the oval window
    foot = vest + out_o * (reach - 0.02 * s)
    height = 0.62 * s
    form = str(design.get("stapes", "bicrurate"))
    thick = max(float(design.get("stapes_thickness", 0.12)) * s, 0.06)
    head = foot + out_o * height
    body = head + np.array([0.38, 0.38, -0.25]) * s
    joint = body + np.array([0.12, 0.1, 0.34]) * s
    umbo = joint + np.array([0.1, -1.05, 0.15]) * s
    bones = {
        "stapes": _stapes(foot, out_o, along, half, height, thick, form == "columelliform"),
        "incus": join(
            chain(
                [head + out_o * 0.12 * s, head + np.array([0.28, 0.02, -0.12]) * s, body],
                [0.08 * s, 0.085 * s, 0.17 * s],
            ),
            ellipsoid(body, np.array([0.2, 0.2, 0.22]) * s),
            chain([body, body + np.array([0.05, 0.15, -0.5]) * s], [0.14 * s, 0.06 * s], smooth=1),
            k=0.08 * s,
        ),
        "malleus": join(
            ellipsoid(joint + np.array([0.05, 0.05, 0.16]) * s, np.array([0.19, 0.21, 0.2]) * s),
            chain(
                [joint + np.array([0.08, -0.1, 0.2]) * s, joint + np.array([0.16, -0.4, 0.22]) * s, umbo],
                [0.11 * s, 0.09 * s, 0.055 * s],
            ),
            k=0.08 * s,
        ),
    }
    ear = Ear(
        side,
        placed(petrosal, place),
        placed(labyrinth, place),
        [placed(oval, place), placed(round_, place)],
        placed(meatus, place),
        None,
        None,
        None,
        {n: placed(b, place) for n, b in bones.items()},
        {},
    )
    _floor(ear, design, bulla, bulla_radii, k, sent(joint), s)
    b = half * ratio
    ear.landmarks = {
        f"oval window {side}": sent(foot),
        f"round window {side}": sent(begin + out_r * reach_r),
        f"petrosal centre {side}": sent([0, 0, 0]),
        f"stapes head {side}": sent(head),
    }
    ear.figures = {
        "side": side,
        "stapes": "present",
        "stapes_form": form,
        "stapes_minimum_thickness_mm": round(thick, 4),
        "oval_window_mm2": round(float(np.pi * half * b), 5),
        "round_window_mm2": round(float(np.pi * r_round**2), 5),
        "cochlear_turns": round(turns, 3),
        "cochlear_canal_length_mm": round(long, 4),
        "semicircular_canal_radii_mm": radii,
        "floor": str(design.get("floor", "ectotympanic")),
        "ossicles": dict.fromkeys(bones, "present"),
    }
    ear.openings = [
        _ellipse("oval window", side, half, b, sent(foot)),
        _ellipse("round window", side, r_round, r_round, sent(begin + out_r * reach_r)),
    ]
    return ear


def _ellipse(term: str, side: str, a: float, b: float, centre: Vec) -> dict[str, Any]:
    return {"term": term, "side": side, "half_axes": (max(a, b), min(a, b)), "centre": centre}


def _floor(ear: Ear, design: Mapping[str, Any], centre: Vec, radii: Vec, k: float, drum: Vec, s: float) -> None:
    """The middle ear's cavity, and what walls it from below: a shell with an opening for the eardrum, or
    only its ring.
    """
    kind = str(design.get("floor", "ectotympanic"))
    c = np.array([k * centre[0], centre[1], centre[2]])
    wall = 0.24 * s
    # room for the ossicles, whatever the floor
    attic = ellipsoid(drum + np.array([-0.25 * k, -0.15, 0.0]) * s, np.array([1.0, 0.85, 0.95]) * s)
    cap = ellipsoid(drum + np.array([-0.3 * k, 0.0, 0.0]) * s, np.array([1.25, 1.1, 1.2]) * s)
    ear.roof = meet(cap, half_space(drum + np.array([0.0, -0.25, 0.0]) * s, [0.35 * k, -1.0, 0.0]))
    ball = ellipsoid(c, radii)
    inner = ellipsoid(c, np.maximum(radii - wall, 0.3))
    ring_at = c + np.array([k * 0.86 * radii[0], 0.12 * radii[1], 0.1 * radii[2]])
    hole = ellipsoid(ring_at, np.array([0.9, 0.42, 0.42]) * np.array([radii[0], radii[1], radii[2]]))
    ring = torus(ring_at, [k, -0.35, 0.0], 0.45 * float(min(radii[1], radii[2])), 0.11 * s)
    ear.cavity = cut(join(inner, attic), ear.petrosal) if kind != "none" else cut(attic, ear.petrosal)
    full = cut(shell(ball, wall), hole, attic)
    if kind == "ectotympanic":
        ear.floor = join(full, ring, k=0.1)
    elif kind == "alisphenoid":
        front = half_space(c + np.array([0.0, 0.0, -0.15 * radii[2]]), [0.0, 0.0, -1.0])
        ear.floor = join(meet(full, front), ring, k=0.05)
    else:
        ear.floor = cut(ring, half_space(ring_at + np.array([0, 0.3 * radii[1], 0]), [0, -1, 0]))
