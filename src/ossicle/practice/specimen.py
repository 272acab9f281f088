"""A whole specimen: teeth laid out, jaws closed on each other, bones and teeth put on the scan grid."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ossicle.practice import mix as mx
from ossicle.practice.alveoli import bone_round, follicle, gap_at, opening, socket
from ossicle.practice.animals import Animal, Stage, animal
from ossicle.practice.cranium import Skull, cranium
from ossicle.practice.dentary import dentary
from ossicle.practice.grid import Canvas, Grid, coverage, patches
from ossicle.practice.growth import Proportions
from ossicle.practice.noise import ripple, spongework
from ossicle.practice.rows import lay_row, mirrored
from ossicle.practice.shapes import Frame, Solid, cut, half_space, meet, placed
from ossicle.practice.teeth import Tooth

__all__ = ["Anatomy", "Specimen", "anatomy", "voxelise"]

F = np.float32
CRANIUM, DENTARY_LEFT, DENTARY_RIGHT = 1, 2, 3
FIRST_TOOTH = 101
Progress = Callable[[str, float], None]


@dataclass
class Anatomy:
    """An animal at a stage, in skull coordinates, before it is scanned."""

    animal: Animal
    stage_name: str
    stage: Stage
    seed: int
    teeth: list[Tooth]
    cranium: Skull
    dentaries: dict[str, Skull]
    jaw: dict[str, Frame]
    gape_deg: float
    grow: Proportions
    inflection: dict[str, float]


@dataclass
class Specimen:
    """A specimen on its scan grid, with the anatomy that it was made from."""

    anatomy: Anatomy
    grid: Grid
    mix: mx.Mix
    labels: NDArray[np.uint16]
    faults: tuple[str, ...] = ()
    mirrored: bool = False
    names: list[tuple[int, str, str, str]] = field(default_factory=list)
    extra: dict[str, Any] = field(default_factory=dict)


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
        return any(float(s.at(crypt_free).min()) < 0.05 for s in roof)

    deg = least
    while deg < 30 and hits(deg):
        deg += 0.5
    for _ in range(3):
        if deg > least and not hits(deg - 0.15):
            deg -= 0.15
    return deg


def anatomy(name: str, stage_name: str, seed: int, *, gape: float = 0.0, jitter: float = 1.0) -> Anatomy:
    """Lay out one animal: every tooth in its place, cranium and dentaries as solids."""
    beast = animal(name)
    stage = beast.stages[stage_name]
    rng = np.random.default_rng([seed, sum(map(ord, name + stage_name))])
    age = stage.age + float(rng.normal(0, 0.012)) * jitter
    age = max(age, 0.0)
    common = 1.0 + 0.025 * float(rng.normal()) * jitter
    grow = Proportions(stage.face * common, stage.brain * common, float(beast.design["cranium"]["hinge"]))
    teeth: list[Tooth] = []
    for jaw in ("upper", "lower"):
        for side in ("left", "right"):
            row = lay_row(beast, jaw, side, age, stage.wear, grow, rng, common, jitter)
            teeth += row if side == "left" else mirrored(row)
    skull = cranium(beast.design, grow, age)
    turn = {
        s: float(beast.design["inflection"]) + float(rng.normal(0, 1.0)) * jitter for s in ("left", "right")
    }
    jaws = {
        s: dentary(beast.design, grow, age, 1.0 if s == "left" else -1.0, turn[s]) for s in ("left", "right")
    }
    at = np.array([0.0, *jaws["left"].landmarks["condyle"][1:]])
    deg = _close(teeth, at, gape, skull)
    pose = {s: hinge(at, deg) for s in ("left", "right")}
    for t in teeth:
        if t.jaw == "lower":
            t.to_skull = pose[t.side] @ t.to_skull
    order = {"upper": 0, "lower": 1}
    teeth.sort(
        key=lambda t: (
            order[t.jaw],
            t.side,
            "ICPM".index(t.kind[0].upper()),
            t.position,
            t.generation == "permanent",
        )
    )
    for i, t in enumerate(teeth):
        t.label = FIRST_TOOTH + i
    return Anatomy(beast, stage_name, stage, seed, teeth, skull, jaws, pose, deg, grow, turn)


def outer_points(a: Anatomy, step: float = 0.7) -> NDArray[np.float64]:
    """A cloud of points that covers the specimen, skull mm (for fitting the scan's field)."""
    out = [t.points()[::10] for t in a.teeth]
    for skull, pose in [(a.cranium, np.eye(4)), *((a.dentaries[s], a.jaw[s]) for s in a.dentaries)]:
        for op in skull.ops:
            if op.verb != "add":
                continue
            s = op.solid
            axes = [np.arange(lo - step / 2, hi + step, step) for lo, hi in zip(s.lo, s.hi, strict=True)]
            p = np.stack([g.ravel() for g in np.meshgrid(*axes, indexing="ij")], axis=1)
            p = p[s.at(p) < step * 0.8]
            out.append(p @ pose[:3, :3].T + pose[:3, 3])
    return np.concatenate(out)


def fit_grid(
    points: NDArray[np.float64],
    rotation: NDArray[np.float64],
    spacing: tuple[float, float, float],
    margin: float,
) -> Grid:
    """A scan grid that holds the points; `rotation` turns skull axes into scan axes."""
    p = points @ rotation.T
    lo, hi = p.min(0) - margin, p.max(0) + margin
    n = np.ceil((hi - lo) / np.array(spacing[::-1])).astype(int) + 1
    m = np.eye(4)
    m[:3, :3] = rotation.T
    m[:3, 3] = rotation.T @ lo
    return Grid((int(n[2]), int(n[1]), int(n[0])), spacing, m)


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


def _bone(
    canvas: Canvas, skull: Skull, pose: Frame, teeth: Sequence[Tooth], wall: float, clip: Solid | None
) -> None:
    still = np.allclose(pose, np.eye(4))
    for op in skull.ops:
        s = op.solid if clip is None else meet(op.solid, clip)
        s = s if still else placed(s, pose)
        if op.verb == "add":
            canvas.add(s, op.k)
        else:
            canvas.remove(s, op.k)
    moved = None if clip is None else placed(clip, pose)
    for t in teeth:
        b = bone_round(t, wall, skull.named.get("nasal cavity"))
        canvas.add(b if moved is None else meet(b, moved), 0.8)
    for t in teeth:
        canvas.remove(opening(t))
    for t in teeth:
        canvas.remove(socket(t))


def voxelise(
    a: Anatomy, grid: Grid, rng: np.random.Generator, progress: Progress | None = None, soft_left: float = 0.7
) -> Specimen:
    """Put an anatomy on a scan grid, with partial volume; `soft_left` is the share of gaps still filled with soft tissue."""
    say = progress or (lambda _what, _share: None)
    mix = mx.Mix(grid.shape)
    labels = np.zeros(grid.shape, dtype=np.uint16)
    age = min(a.stage.age, 1.0)
    wall = 0.36 + 0.1 * age
    mineral = 0.80 + 0.20 * age
    vox = grid.voxel
    pieces: list[tuple[int, Skull, Frame, list[Tooth], Solid | None]] = [
        (CRANIUM, a.cranium, np.eye(4), [t for t in a.teeth if t.jaw == "upper"], None)
    ]
    for side, skull in a.dentaries.items():
        k = 1.0 if side == "left" else -1.0
        clip = half_space([k * 0.05, 0, 0], [-k, 0, 0])
        pieces.append(
            (
                DENTARY_LEFT if k > 0 else DENTARY_RIGHT,
                skull,
                a.jaw[side],
                [t for t in a.teeth if t.jaw == "lower" and t.side == side],
                clip,
            )
        )
    canvases = []
    for label, skull, pose, teeth, clip in pieces:
        say(f"bone {label}", 0.1 * label)
        canvas = Canvas(grid)
        _bone(canvas, skull, pose, teeth, wall, clip)
        canvases.append(canvas)
        _paint_bone(mix, labels, canvas, label, mineral, vox, a.seed + label)
    for name, solid in a.cranium.named.items():
        if name.startswith("petrosal"):
            p = patches(grid, solid, 0.0)
            bone = mix.plane(mx.BONE).reshape(-1)[p.index] > 0
            mix.density.reshape(-1)[p.index[bone]] = np.float16(1.16 * mineral)
            # compact throughout
            mix.cover(
                p.index[bone],
                mx.BONE,
                coverage(p.distance[bone] + F(vox / 2), vox) * (labels.reshape(-1)[p.index[bone]] == CRANIUM),
            )
    say("teeth", 0.6)
    for t in a.teeth:
        _paint_tooth(mix, labels, grid, t, soft_left, rng)
    names = [
        (CRANIUM, "bone", "cranium", "midline"),
        (DENTARY_LEFT, "bone", "dentary", "left"),
        (DENTARY_RIGHT, "bone", "dentary", "right"),
    ]
    return Specimen(a, grid, mix, labels, names=names)


def _paint_bone(
    mix: mx.Mix, labels: NDArray[np.uint16], canvas: Canvas, label: int, mineral: float, vox: float, seed: int
) -> None:
    d = np.ascontiguousarray(canvas.volume).reshape(-1)
    index = np.flatnonzero(d < F(vox / 2))
    dist = d[index]
    amount = coverage(dist, vox)
    nz, ny, nx = canvas.grid.shape
    x, y, z = (index % nx).astype(F), ((index // nx) % ny).astype(F), (index // (nx * ny)).astype(F)
    sz, sy, sx = canvas.grid.spacing
    x, y, z = x * F(sx), y * F(sy), z * F(sz)
    dens = F(mineral) * (
        F(1) + F(0.045) * ripple(x, y, z, 5.0, seed) + F(0.02) * ripple(x, y, z, 1.3, seed + 1)
    )
    mix.cover(index, mx.BONE, amount, dens)
    cortex = 0.34 + 0.06 * mineral
    deep = dist < F(-cortex)
    i = index[deep]
    strut = spongework(x[deep], y[deep], z[deep], 0.62, seed + 2)
    hollow = F(1) - coverage(strut, vox)
    hollow = hollow * np.clip((-dist[deep] - F(cortex)) / F(0.15), F(0), F(1))
    mix.cover(i, mx.MARROW, hollow * F(0.85))
    labels.reshape(-1)[index[dist < 0]] = label
    del d


def _paint_tooth(
    mix: mx.Mix, labels: NDArray[np.uint16], grid: Grid, t: Tooth, soft_left: float, rng: np.random.Generator
) -> None:
    vox = grid.voxel
    body_solid = placed(Solid(t.model.body, t.model.lo, t.model.hi), t.to_skull)
    p = patches(grid, body_solid, 0.9)
    inv = np.linalg.inv(t.to_skull).astype(F)
    u, v, w = (
        inv[i, 0] * p.xyz[0] + inv[i, 1] * p.xyz[1] + inv[i, 2] * p.xyz[2] + inv[i, 3] for i in range(3)
    )
    body, enamel, pulp = t.model.layers(u, v, w)
    gap = gap_at(t, u, v, w)
    below = np.clip((F(t.crest) - w) / F(0.1) + F(0.5), F(0), F(1))
    space = coverage(np.minimum(body, follicle(t, u, v, w)) - gap - F(0.5 * vox), vox) * below
    near = space > 0
    left = soft_left if t.emergence != "in_crypt" else 0.5 + 0.5 * soft_left
    mix.fill(p.index[near], mx.SOFT, space[near] * F(left))
    near = body < F(vox / 2)
    i, body, enamel, pulp = p.index[near], body[near], enamel[near], pulp[near]
    u, v, w = u[near], v[near], w[near]
    amount = coverage(body, vox)
    grain = F(1) + F(0.03) * ripple(u, v, w, 1.7, t.model.seed + 2)
    grown = F(0.86 + 0.14 * t.model.maturity)
    mix.cover(i, mx.DENTINE, amount, grown * grain)
    cap = coverage(enamel, vox)
    ripe = F(0.62 + 0.38 * min(1.0, t.model.maturity * 1.15))
    # enamel ripens from the cusps down
    rise = np.clip((w - F(t.model.front)) / F(0.8), F(0), F(1)) if t.model.front > 0 else F(1)
    on = cap > 0
    mix.cover(i[on], mx.ENAMEL, cap[on], (ripe * (F(0.8) + F(0.2) * rise) * grain)[on])
    hole = coverage(pulp, vox)
    on = hole > 0
    mix.cover(i[on], mx.PULP if soft_left > 0.3 else mx.AIR, hole[on], F(1))
    labels.reshape(-1)[i[body < 0]] = t.label


def carve(a: Solid, b: Solid) -> Solid:
    return cut(a, b)
