"""An anatomy put on a scan grid: bones built and named, openings cut, sockets and teeth laid in, with
partial volume.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ossicle.practice import mix as mx
from ossicle.practice.alveoli import bone_round, follicle, gap_at, opening, socket
from ossicle.practice.cranium import Skull
from ossicle.practice.grid import Canvas, Grid, Patch, coverage, patches
from ossicle.practice.measures import Surface
from ossicle.practice.noise import ripple, spongework
from ossicle.practice.shapes import Array, Frame, Solid, f32, half_space, meet, placed
from ossicle.practice.specimen import Anatomy
from ossicle.practice.sutures import elements, suture_width
from ossicle.practice.teeth import Tooth

__all__ = ["Specimen", "in_scan", "merge", "voxelise"]

F = np.float32
Progress = Callable[[str, float], None]
DENTARY = {"left": 2, "right": 3}
FIRST_BONE, PETROSAL, BULLA = 10, 40, 42
NASAL, BRAIN, TYMPANIC, LABYRINTH = 50, 51, 52, 54
OSSICLE, OPENING = 60, 70


@dataclass
class Specimen:
    """A specimen on its scan grid, with the anatomy that it was made from.

    ``names`` lists (label, kind, term, side) of every part but the teeth; `offset` is added to all labels in
    the scan.
    """

    anatomy: Anatomy
    grid: Grid
    mix: mx.Mix
    labels: NDArray[np.uint16]
    mirrored: bool = False
    offset: int = 0
    names: list[tuple[int, str, str, str]] = field(default_factory=list)
    surfaces: dict[str, Surface] = field(default_factory=dict)

    def name(self, label: int, kind: str, term: str, side: str) -> None:
        """Note what a label is."""
        self.names.append((label, kind, term, side))


def merge(first: Specimen, second: Specimen) -> None:
    """Lay a second specimen of the same grid shape into the first one's volume, its labels raised by 1000."""
    second.offset = first.offset + 1000
    there = second.labels > 0
    first.labels[there] = second.labels[there] + np.uint16(second.offset)
    held = np.zeros(first.mix.shape, dtype=bool)
    for material, share in second.mix.share.items():
        plane = first.mix.plane(material)
        held |= share > 0
        plane[:] = np.minimum(plane.astype(np.uint16) + share, 255).astype(np.uint8)
    first.mix.density[held] = second.mix.density[held]
    second.labels, second.mix = first.labels, first.mix


def in_scan(s: Specimen, t: Tooth) -> float:
    """Share of a tooth's surface points that lie inside the scan."""
    p = t.points()
    inv = np.linalg.inv(s.grid.index_to_skull)
    i = p @ inv[:3, :3].T + inv[:3, 3]
    n = np.array(s.grid.shape[::-1])
    return float(((i > -0.5) & (i < n - 0.5)).all(1).mean())


@dataclass(frozen=True)
class Matter:
    """How the specimen's bone is made at its age: mineral, wall of sockets (mm), share of gaps filled with
    soft tissue.
    """

    mineral: float
    wall: float
    soft_left: float
    seed: int


def voxelise(a: Anatomy, grid: Grid, soft_left: float = 0.7, progress: Progress | None = None) -> Specimen:
    """Put an anatomy on a scan grid; `soft_left` is the share of gaps and crypts that soft tissue still
    fills.
    """
    say = progress or (lambda _what, _share: None)
    s = Specimen(a, grid, mx.Mix(grid.shape), np.zeros(grid.shape, dtype=np.uint16))
    young = min(a.age, 1.0)
    m = Matter(0.80 + 0.23 * young, 0.36 + 0.1 * young, soft_left, a.seed)
    if a.cranium is not None:
        say("cranium", 0.0)
        _cranium(s, a.cranium, [t for t in a.teeth + a.ghosts if t.jaw == "upper"], m)
    for side, skull in a.dentaries.items():
        say(f"{side} dentary", 0.4)
        k = 1.0 if side == "left" else -1.0
        canvas = Canvas(grid)
        mine = [t for t in a.teeth + a.ghosts if t.jaw == "lower" and t.side == side]
        clip = half_space([k * 0.05, 0, 0], [-k, 0, 0])
        _alveolar(canvas, skull, a.jaw[side], mine, m.wall, clip)
        index, dist = _inside(canvas)
        _paint_bone(s, index, dist, m)
        s.labels.reshape(-1)[index[dist < 0]] = DENTARY[side]
        s.name(DENTARY[side], "bone", "dentary", side)
        s.surfaces[f"{side} dentary"] = _surface(s, canvas)
    if a.cranium is not None:
        _cavities(s, a.cranium)
        _ossicles(s, m)
    for i, t in enumerate(a.teeth):
        say("teeth", i / len(a.teeth))
        _paint_tooth(s, t, soft_left)
    return s


def _inside(canvas: Canvas) -> tuple[NDArray[np.int64], Array]:
    d = np.ascontiguousarray(canvas.volume).reshape(-1)
    index = np.flatnonzero(d < F(canvas.grid.voxel / 2))
    return index, d[index]


def _surface(s: Specimen, canvas: Canvas) -> Surface:
    """Points on the zero surface of a canvas: voxels near it, moved by their distance along the gradient."""
    nz, ny, nx = s.grid.shape
    d = canvas.volume
    near = np.abs(d) < F(0.8 * s.grid.voxel)
    near[[0, -1]] = near[:, [0, -1]] = near[:, :, [0, -1]] = False
    iz, iy, ix = np.nonzero(near)
    slope = np.stack(
        [
            d[iz, iy, ix + 1] - d[iz, iy, ix - 1],
            d[iz, iy + 1, ix] - d[iz, iy - 1, ix],
            d[iz + 1, iy, ix] - d[iz - 1, iy, ix],
        ],
        axis=1,
    ) / (2 * np.array(s.grid.spacing[::-1]))
    move = slope * (d[iz, iy, ix] / np.maximum((slope**2).sum(1), 0.25))[:, None]
    p = np.stack([ix, iy, iz], axis=1) - move / np.array(s.grid.spacing[::-1])
    m = s.grid.index_to_skull
    owner = s.labels[iz, iy, ix].astype(np.int64)
    inner = (
        iz + np.sign(move[:, 2]).astype(int) * -1,
        iy + np.sign(move[:, 1]).astype(int) * -1,
        ix + np.sign(move[:, 0]).astype(int) * -1,
    )
    beside = s.labels[tuple(np.clip(i, 0, n - 1) for i, n in zip(inner, (nz, ny, nx), strict=True))]
    return p @ m[:3, :3].T + m[:3, 3], np.where(owner > 0, owner, beside)


def _coordinates(grid: Grid, index: NDArray[np.int64]) -> tuple[Array, Array, Array]:
    """Skull coordinates of voxels."""
    _, ny, nx = grid.shape
    ix, iy, iz = (index % nx).astype(F), ((index // nx) % ny).astype(F), (index // (nx * ny)).astype(F)
    m = grid.index_to_skull.astype(F)
    x, y, z = (m[i, 0] * ix + m[i, 1] * iy + m[i, 2] * iz + m[i, 3] for i in range(3))
    return x, y, z


def _alveolar(
    canvas: Canvas, skull: Skull, pose: Frame, teeth: Sequence[Tooth], wall: float, clip: Solid | None
) -> None:
    """Build one bone with its alveoli: the solids in order, then bone round each tooth, then room for crowns
    and sockets.
    """
    still = np.allclose(pose, np.eye(4))
    for op in skull.ops:
        solid = op.solid if clip is None else meet(op.solid, clip)
        solid = solid if still else placed(solid, pose)
        if op.verb == "add":
            canvas.add(solid, op.k)
        else:
            canvas.remove(solid, op.k)
    moved = None if clip is None else placed(clip, pose)
    airway = skull.named.get("nasal cavity")
    for t in teeth:
        b = bone_round(t, wall, airway)
        canvas.add(b if moved is None else meet(b, moved), 1.0 if t.emergence == "in_crypt" else 0.6)
    for t in teeth:
        canvas.remove(opening(t))
    for t in teeth:
        canvas.remove(socket(t))


def _paint_bone(s: Specimen, index: NDArray[np.int64], dist: Array, m: Matter) -> None:
    """Compact bone outside, spongy bone with marrow inside where it is thick."""
    vox = s.grid.voxel
    amount = coverage(dist, vox)
    x, y, z = _coordinates(s.grid, index)
    dens = F(m.mineral) * (F(1) + F(0.075) * ripple(x, y, z, 5.0, m.seed) + F(0.03) * ripple(x, y, z, 1.3, m.seed + 1))
    s.mix.cover(index, mx.BONE, amount, dens)
    cortex = 0.34 + 0.06 * m.mineral
    deep = dist < F(-cortex)
    strut = spongework(x[deep], y[deep], z[deep], 0.62, m.seed + 2)
    hollow = F(1) - coverage(strut, vox)
    hollow = hollow * np.clip((-dist[deep] - F(cortex)) / F(0.15), F(0), F(1))
    s.mix.cover(index[deep], mx.MARROW, hollow * F(0.85))


def _cranium(s: Specimen, skull: Skull, teeth: Sequence[Tooth], m: Matter) -> None:
    a, grid, vox = s.anatomy, s.grid, s.grid.voxel
    canvas = Canvas(grid)
    _alveolar(canvas, skull, np.eye(4), teeth, m.wall, None)
    for t in a.teeth:
        if t.jaw == "lower" and t.emergence != "in_crypt":
            canvas.remove(opening(t))  # pits in the palate for the tips of lower canines
    plugs: list[tuple[NDArray[np.int64], int]] = []
    for i, o in enumerate(a.openings):
        p = patches(grid, o.solid, 0.0)
        was = np.ascontiguousarray(canvas.volume).reshape(-1)[p.index] < 0
        plugs.append((p.index[was], OPENING + i))
        canvas.remove(o.solid)
        s.name(OPENING + i, "opening", o.term, o.side)
    for ear in a.ears.values():
        if ear.roof is not None:
            canvas.add(ear.roof, 0.4)
        if ear.cavity is not None:
            canvas.remove(ear.cavity)
        if ear.floor is not None:
            canvas.add(ear.floor)
        canvas.add(ear.petrosal)
        canvas.remove(ear.labyrinth)
        canvas.remove(ear.meatus)
        for w in ear.windows:
            canvas.remove(w)
    index, dist = _inside(canvas)
    _paint_bone(s, index, dist, m)
    whole = np.zeros(s.labels.size, dtype=bool)
    for ear in a.ears.values():
        for solid in (ear.petrosal, ear.floor):
            if solid is not None:
                whole[patches(grid, solid, vox).index] = True
    _name_bones(s, index, dist, m, whole)
    flat = s.labels.reshape(-1)
    for i, (side, ear) in enumerate(a.ears.items()):
        for label, term, solid in (
            (PETROSAL + i, "petrosal", ear.petrosal),
            (BULLA + i, "auditory bulla", ear.floor),
        ):
            if solid is None:
                continue
            p = patches(grid, solid, vox)
            bone = flat[p.index] > 0
            inside = bone & (p.distance < 0)
            flat[p.index[inside]] = label
            s.name(
                label,
                "bone",
                "tympanic ring (ectotympanic)" if label >= BULLA and ear.figures["floor"] == "none" else term,
                side,
            )
            if label == PETROSAL + i:
                _dense(s, p, bone, m)
                _gap(s, p, bone, suture_width(a.age) * 0.8, m)
    s.surfaces["cranium"] = _surface(s, canvas)
    for plug, label in plugs:
        free = plug[flat[plug] == 0]
        flat[free] = label


def _dense(s: Specimen, p: Patch, bone: NDArray[np.bool_], m: Matter) -> None:
    """The petrosal is compact throughout, and as dense as dentine."""
    deep = bone & (p.distance < 0)
    i = p.index[deep]
    marrow = s.mix.plane(mx.MARROW).reshape(-1)
    plane = s.mix.plane(mx.BONE).reshape(-1)
    plane[i] = np.minimum(plane[i].astype(np.int16) + marrow[i], 255).astype(np.uint8)
    marrow[i] = 0
    s.mix.density.reshape(-1)[i] = np.float16(1.15 * m.mineral)


def _gap(s: Specimen, p: Patch, bone: NDArray[np.bool_], width: float, m: Matter) -> None:
    """A soft line round a bone that is not fused with its neighbours."""
    vox = s.grid.voxel
    line = coverage(np.abs(p.distance - F(width / 2)) - F(width / 2), vox) * F(min(1.0, width / 0.05))
    on = bone & (line > 0.02)
    s.mix.cover(p.index[on], mx.SOFT, line[on] * F(0.9 * m.soft_left))


def _name_bones(s: Specimen, index: NDArray[np.int64], dist: Array, m: Matter, whole: NDArray[np.bool_]) -> None:
    """Share the cranium out among its bones, with a soft line along each suture still open; none crosses
    `whole`.
    """
    a, vox = s.anatomy, s.grid.voxel
    parts = elements(a.animal.design, a.grow)
    x, y, z = _coordinates(s.grid, index)
    who, lead = parts.split(x, y, z, a.seed)
    inside = dist < 0
    s.labels.reshape(-1)[index[inside]] = (who + FIRST_BONE).astype(np.uint16)[inside]
    for i, (term, side) in enumerate(parts.bones):
        s.name(FIRST_BONE + i, "bone", term, side)
    width = suture_width(a.age)
    if width < 0.02:
        return
    open_ = np.clip(F(1) + F(0.8) * ripple(x, y, z, 6.0, a.seed + 31) + F(0.6 - 0.9 * min(a.age, 1.2)), F(0), F(1))
    line = coverage(lead - F(width / 2), vox) * open_ * F(min(1.0, width / (1.2 * vox) + 0.3))
    on = (line > 0.03) & ~whole[index]
    s.mix.cover(index[on], mx.SOFT, line[on] * F(0.25 + 0.7 * m.soft_left))


def _cavities(s: Specimen, skull: Skull) -> None:
    """Name the air of nose, braincase and middle ear, and fill the labyrinth."""
    flat = s.labels.reshape(-1)
    jobs: list[tuple[int, str, str, Solid]] = []
    for i, (side, ear) in enumerate(s.anatomy.ears.items()):
        jobs.append((LABYRINTH + i, "bony labyrinth", side, ear.labyrinth))
        if ear.cavity is not None and ear.figures["floor"] != "none":
            jobs.append((TYMPANIC + i, "tympanic cavity", side, ear.cavity))
    jobs.append((NASAL, "nasal cavity", "midline", skull.named["nasal cavity"]))
    jobs.append((BRAIN, "cranial cavity", "midline", skull.named["braincase"]))
    for label, term, side, solid in jobs:
        p = patches(s.grid, solid, 0.0)
        free = p.index[flat[p.index] == 0]
        flat[free] = label
        s.name(label, "cavity", term, side)


def _ossicles(s: Specimen, m: Matter) -> None:
    vox = s.grid.voxel
    flat = s.labels.reshape(-1)
    for i, (side, ear) in enumerate(s.anatomy.ears.items()):
        for j, (term, solid) in enumerate(ear.ossicles.items()):
            p = patches(s.grid, solid, vox)
            s.mix.cover(p.index, mx.BONE, coverage(p.distance, vox), 1.1 * m.mineral)
            label = OSSICLE + 3 * i + j
            flat[p.index[p.distance < 0]] = label
            s.name(label, "ossicle", term, side)


def _paint_tooth(s: Specimen, t: Tooth, soft_left: float) -> None:
    """Space round the tooth first, then its dentine, enamel and pulp."""
    mix, labels, grid = s.mix, s.labels, s.grid
    vox = grid.voxel
    body_solid = placed(Solid(t.model.body, t.model.lo, t.model.hi), t.to_skull)
    p = patches(grid, body_solid, 0.9)
    inv = np.linalg.inv(t.to_skull).astype(F)
    u, v, w = (inv[i, 0] * p.xyz[0] + inv[i, 1] * p.xyz[1] + inv[i, 2] * p.xyz[2] + inv[i, 3] for i in range(3))
    body, enamel, pulp = t.model.zones(u, v, w)
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
    grain = F(1) + F(0.04) * ripple(u, v, w, 1.7, t.model.seed + 2)
    grown = F(0.86 + 0.14 * t.model.maturity)
    mix.cover(i, mx.DENTINE, amount, f32(grown * grain))
    # a layer is what the outer surface covers less what the inner one does: right also where it is thinner
    # than a voxel
    cap = amount - coverage(np.maximum(body, -enamel), vox)
    ripe = F(0.62 + 0.38 * min(1.0, t.model.maturity * 1.15))
    # enamel ripens from the cusps down
    rise = np.clip((w - F(t.model.front)) / F(0.8), F(0), F(1)) if t.model.front > 0 else F(1)
    on = cap > 0.004
    mix.swap(i[on], mx.DENTINE, mx.ENAMEL, cap[on], (ripe * (F(0.8) + F(0.2) * rise) * grain)[on])
    hole = coverage(pulp, vox)
    on = hole > 0.004
    mix.swap(i[on], mx.DENTINE, mx.PULP if soft_left > 0.3 else mx.AIR, hole[on], np.ones(int(on.sum()), dtype=F))
    labels.reshape(-1)[i[body < 0]] = t.label
