"""A whole specimen: teeth laid out, jaws closed on each other, skull and ears as solids, and its place in
the scan.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ossicle.practice.animals import Animal, Stage, animal
from ossicle.practice.cranium import Skull, cranium
from ossicle.practice.dentary import dentary
from ossicle.practice.ear import NATURAL, Ear, build_ear, ear_origin
from ossicle.practice.growth import Proportions
from ossicle.practice.palate import Opening, palate_openings
from ossicle.practice.rows import lay_row, mirrored
from ossicle.practice.shapes import Frame
from ossicle.practice.teeth import Tooth
from ossicle.practice.variation import individual

__all__ = ["FIRST_TOOTH", "Anatomy", "anatomy", "outer_points", "random_rotation", "renumber"]

FIRST_TOOTH = 101


@dataclass
class Anatomy:
    """An animal at a stage, in skull coordinates (mm of its design), before it is scanned.

    `ghosts` are teeth that fell out and left their alveoli; `missing` records every tooth that was lost.
    """

    animal: Animal
    stage_name: str
    stage: Stage
    seed: int
    age: float
    teeth: list[Tooth]
    cranium: Skull | None
    dentaries: dict[str, Skull]
    jaw: dict[str, Frame]
    gape_deg: float
    grow: Proportions
    inflection: dict[str, float]
    ears: dict[str, Ear] = field(default_factory=dict)
    openings: list[Opening] = field(default_factory=list)
    ghosts: list[Tooth] = field(default_factory=list)
    missing: list[dict[str, Any]] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)

    @property
    def half_width(self) -> float:
        """Half the cranium's greatest breadth, mm."""
        c = self.animal.design["cranium"]
        points = np.array([*(p[:3] for p in c["arch"]), *([o[3], 0.0, o[0]] for o in c["outline"])], dtype=float)
        return float(self.grow.point(points)[:, 0].max()) + 0.5


def hinge(at: NDArray[np.float64], degrees: float) -> Frame:
    """The jaw opened by an angle about the transverse axis through `at`."""
    t = np.deg2rad(degrees)
    m = np.eye(4)
    m[1:3, 1:3] = [[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]]
    m[:3, 3] = at - m[:3, :3] @ at
    return m


def _close(teeth: Sequence[Tooth], at: NDArray[np.float64], least: float, skull: Skull) -> float:
    """The smallest gape (degrees) at which no lower tooth enters an upper one or the palate."""
    upper = [t for t in teeth if t.jaw == "upper"]
    lower = [t for t in teeth if t.jaw == "lower"]
    if not upper or not lower:
        return max(least, 2.0)
    pts = np.concatenate([t.points()[::2] for t in lower])
    tops = np.concatenate([t.points()[::2] for t in upper])
    roof = [op.solid for op in skull.ops if op.what == "" and op.verb == "add"][:2]
    boxes = [(t.points().min(0) - 0.1, t.points().max(0) + 0.1) for t in upper]
    low_boxes = [(t.points().min(0) - 0.1, t.points().max(0) + 0.1) for t in lower]

    def hits(deg: float) -> bool:
        m = hinge(at, deg)
        p = pts @ m[:3, :3].T + m[:3, 3]
        for t, (lo, hi) in zip(upper, boxes, strict=True):
            q = p[((p > lo) & (p < hi)).all(1)]
            if len(q) and float(t.distance(q).min()) < 0.02:
                return True
        inv = np.linalg.inv(m)
        r = tops @ inv[:3, :3].T + inv[:3, 3]
        for t, (lo, hi) in zip(lower, low_boxes, strict=True):
            q = r[((r > lo) & (r < hi)).all(1)]
            if len(q) and float(t.distance(q).min()) < 0.02:
                return True
        crypt_free = p[::3]
        # lower canines may sink a little way into the palate, where they wear pits
        return any(float(s.at(crypt_free).min()) < -0.25 for s in roof)

    deg = least
    while deg < 30 and hits(deg):
        deg += 0.5
    for _ in range(3):
        if deg > least and not hits(deg - 0.15):
            deg -= 0.15
    return deg


def anatomy(
    name: str,
    stage_name: str,
    seed: int,
    *,
    gape: float = 0.0,
    jitter: float = 1.0,
    ahead: Mapping[str, float] | None = None,
) -> Anatomy:
    """Lay out one animal: every tooth in its place, cranium and dentaries as solids.

    `gape` is the least gape (degrees), `jitter` scales individual variation, and `ahead` is how far a side
    is ahead in age.
    """
    rng = np.random.default_rng([seed, sum(map(ord, name + stage_name))])
    beast = individual(animal(name), np.random.default_rng([seed, 5]), jitter)
    stage = beast.stages[stage_name]
    age = stage.age + float(rng.normal(0, 0.012)) * jitter
    age = max(age, 0.0)
    common = 1.0 + 0.025 * float(rng.normal()) * jitter
    grow = Proportions(stage.face * common, stage.brain * common, float(beast.design["cranium"]["hinge"]))
    teeth: list[Tooth] = []
    for side in ("left", "right"):
        old = age + (ahead or {}).get(side, 0.0)
        row_seeds = {jaw: int(rng.integers(1 << 40)) for jaw in ("upper", "lower")}

        def lay(
            jaw: str,
            opposed: Sequence[Tooth],
            front_only: bool = False,
            side: str = side,
            old: float = old,
            seeds: dict[str, int] = row_seeds,
        ) -> list[Tooth]:
            return lay_row(
                beast,
                jaw,
                side,
                old,
                stage.wear,
                grow,
                np.random.default_rng(seeds[jaw]),
                common,
                jitter,
                opposed=opposed,
                incisors_only=front_only,
            )

        # canines interlock: the lower one stands clear of the upper incisors, the upper one behind the lower
        front = [t for t in lay("upper", (), front_only=True) if t.kind == "incisor" and t.emergence != "in_crypt"]
        lower = lay("lower", front)
        upper = lay("upper", [t for t in lower if t.kind == "canine" and t.emergence != "in_crypt"])
        teeth += upper + lower if side == "left" else mirrored(upper + lower)
    uneven = np.random.default_rng([seed, 6]) if jitter > 0 else None
    skull = cranium(beast.design, grow, age, uneven)
    turn = {s: float(beast.design["inflection"]) + float(rng.normal(0, 1.0)) * jitter for s in ("left", "right")}
    jaws = {s: dentary(beast.design, grow, age, 1.0 if s == "left" else -1.0, turn[s]) for s in ("left", "right")}
    at = np.array([0.0, *jaws["left"].landmarks["condyle"][1:]])
    deg = _close(teeth, at, gape, skull)
    pose = {s: hinge(at, deg) for s in ("left", "right")}
    for t in teeth:
        if t.jaw == "lower":
            t.to_skull = pose[t.side] @ t.to_skull
    ears = {side: _ear(beast, side, age, grow, rng) for side in ("left", "right")}
    for ear in ears.values():
        skull.landmarks.update(ear.landmarks)
    a = Anatomy(
        beast,
        stage_name,
        stage,
        seed,
        age,
        teeth,
        skull,
        jaws,
        pose,
        deg,
        grow,
        turn,
        ears,
        palate_openings(beast.design, grow) + skull.openings,
    )
    renumber(a)
    return a


def renumber(a: Anatomy) -> None:
    """Put the teeth in order (jaw, side, class, position) and give them their labels."""
    a.teeth.sort(
        key=lambda t: (
            t.jaw != "upper",
            t.side,
            "ICPM".index(t.kind[0].upper()),
            t.position,
            t.generation == "permanent",
        )
    )
    for i, t in enumerate(a.teeth):
        t.label = FIRST_TOOTH + i


def _ear(beast: Animal, side: str, age: float, grow: Proportions, rng: np.random.Generator) -> Ear:
    c = beast.design["cranium"]
    design = beast.design.get("ear", {})
    bulla = np.asarray(c["bulla"], dtype=float)
    centre = grow.point(bulla[:3])
    radii = bulla[3:6] * grow.brain * (0.82 + 0.18 * min(age, 1.0))
    size = float(design.get("size", 1.0))
    # nearly full-grown at birth, and bounded by the skull it sits in
    scale = NATURAL * size * min(0.9 + 0.1 * min(age, 1.0), 1.12 * grow.brain)
    origin = ear_origin(centre, radii, scale)
    return build_ear(design, side, origin, scale, centre, radii, rng)


def outer_points(a: Anatomy, step: float = 0.7) -> NDArray[np.float64]:
    """A cloud of points that covers the specimen, skull mm (for fitting the scan's field)."""
    out = [t.points()[::10] for t in a.teeth]
    skulls = [(a.dentaries[s], a.jaw[s]) for s in a.dentaries]
    if a.cranium is not None:
        skulls.append((a.cranium, np.eye(4)))
    for skull, pose in skulls:
        for op in skull.ops:
            if op.verb != "add":
                continue
            s = op.solid
            axes = [np.arange(lo - step / 2, hi + step, step) for lo, hi in zip(s.lo, s.hi, strict=True)]
            p = np.stack([g.ravel() for g in np.meshgrid(*axes, indexing="ij")], axis=1)
            p = p[s.at(p) < step * 0.8]
            out.append(p @ pose[:3, :3].T + pose[:3, 3])
    return np.concatenate(out)


def random_rotation(rng: np.random.Generator, tilt_deg: float) -> NDArray[np.float64]:
    """One of the 24 ways to lie square in the scan, then tilted by up to `tilt_deg` about a random axis."""
    perm = rng.permutation(3)
    base = np.zeros((3, 3))
    base[np.arange(3), perm] = rng.choice([-1.0, 1.0], 3)
    if np.linalg.det(base) < 0:
        base[0] *= -1
    axis = rng.normal(size=3)
    axis /= np.linalg.norm(axis)
    t = np.deg2rad(tilt_deg) * float(rng.uniform(0.3, 1.0))
    k = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    tilt = np.eye(3) + np.sin(t) * k + (1 - np.cos(t)) * k @ k
    out: NDArray[np.float64] = tilt @ base
    return out
