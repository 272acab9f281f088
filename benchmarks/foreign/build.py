"""Puts an invented animal together and paints it on a scan grid."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import rows as rowlib
from .canvas import Canvas
from .crowns import extent, tissue
from .dentition import METATHERIANS, STAGE_AGE, plan
from .rows import Arcade, Placed
from .skull import Cranium, Dentary, make_cranium, make_dentary

CODE_DENSITY = {0: 0.0, 1: 0.05, 2: 1.0, 3: 1.13, 4: 1.75, 5: 0.05, 6: 0.22, 7: 1.14}


@dataclass
class Options:
    """What to make; the command line sets these."""

    animal: str = "placental"
    stage: str = "adult"
    seed: int = 1
    voxel: float = 0.1
    noise: float = 1.0
    tilt: str = "small"
    length: float = 0.0
    wet: bool = False
    cupping: float = 0.0
    rings: float = 0.0
    missing: int = 0
    broken: int = 0
    background: str = "auto"
    variant: int | None = None
    bits: int = 16
    blur: float = 0.0


@dataclass
class Animal:
    """One modelled animal before it is scanned."""

    cranium: Cranium
    upper: Arcade
    lower: Arcade
    dentary: Dentary
    teeth: list[Placed]
    jaw_move: NDArray[np.float64]  # 4x4: skull mm -> frame of the lower jaw
    length: float
    levels: dict[int, float]
    info: dict[str, Any] = field(default_factory=dict)


def _clash(up: list[Placed], low: list[Placed], drop: float) -> int:
    """Points of upper crowns that lie in lower crowns when the jaw is lowered by ``drop`` mm."""
    count = 0
    for a in up:
        if a.fraction <= 0.05:
            continue
        hm, hb, _, top = extent(a.form)
        g = [np.arange(-e, e, 0.12) for e in (hm, hb)]
        m, b, s = np.meshgrid(g[0], g[1], np.arange(0, top, 0.12), indexing="ij")
        hit = tissue(a.form, m.astype(np.float32), b.astype(np.float32), s.astype(np.float32)) > 0
        pts = a.origin + np.column_stack([m[hit], b[hit], s[hit]]) @ a.axes
        for t in low:
            if t.fraction <= 0.05 or t.side != a.side:
                continue
            q = pts - t.origin + np.array([0, drop, 0])
            if (np.abs(q).max(1) < 5).sum() == 0:
                continue
            local = (q @ t.axes.T).astype(np.float32)
            near = (
                (local[:, 2] > -0.2)
                & (np.abs(local[:, 0]) < t.form.length)
                & (np.abs(local[:, 1]) < t.form.width)
            )
            if near.any():
                v = local[near]
                count += int((tissue(t.form, v[:, 0], v[:, 1], v[:, 2]) > 0).sum())
    return count


def design(o: Options) -> Animal:
    """Draw an animal. The same options and seed give the same animal at any voxel size."""
    key = sum(ord(c) * (i + 1) for i, c in enumerate(o.animal + o.stage))
    rng = np.random.default_rng([o.seed, key])
    lo, hi = STAGE_AGE[o.stage]
    age = float(rng.uniform(lo, hi))
    youth = float(np.clip(1 - age, 0, 1))
    grown = o.length or float(rng.uniform(27, 32))
    length = grown * (1 - 0.3 * youth**1.3)
    plans = int(rng.integers(1 << 31))
    uneven = float(rng.normal(0, 0.012))
    by_side = {
        side: plan(o.animal, age + shift, np.random.default_rng(plans), o.variant)
        for side, shift in (("left", 0.0), ("right", uneven))
    }
    sharp = float(rng.uniform(0, 1))
    gap = float(rng.uniform(0.12, 0.24))
    share = float(rng.uniform(0.35, 0.42))
    # scale so that the row of an adult fills its share of the skull
    full = plan(o.animal, 1.0, np.random.default_rng(plans), o.variant)
    cheek = max(
        sum(t.length for t in full[j] if t.cls in "CPM" and t.generation != "deciduous")
        for j in ("upper", "lower")
    )
    scale = float(np.clip(grown * share / (cheek * 1.06 + 0.8), 0.9, 2.6))
    rows: dict[str, Arcade] = {}
    placed: list[Placed] = []
    procumbent = float(rng.uniform(0.1, 0.7))
    canine_x = length * float(rng.uniform(0.06, 0.09))
    flare = float(rng.uniform(-0.02, 0.15))
    shift_z = 0.0
    for jaw in ("upper", "lower"):
        ts = by_side["left"][jaw]
        forms = rowlib.make_forms(ts, scale, rng, sharp)
        other = by_side["right"][jaw]
        other_forms = rowlib.mirror_forms(ts, forms, other, scale, rng, sharp)
        for t, f in zip([*ts, *other], [*forms, *other_forms], strict=True):
            if f.shape == "evergrowing":
                f.bend = (0.13 if jaw == "upper" else 0.24) * length
                f.root_length = (0.17 if jaw == "upper" else 0.27) * length
                f.height, f.length, f.width = 0.07 * length, 0.05 * length, 0.065 * length
                t.emergence = 1.0
        where = rowlib.slots(ts, forms, rng, o.animal)
        inc = max([a + b for (c, _), (a, b) in where.items() if c == "I"] or [0.3])
        end = max([a + b for a, b in where.values()] or [length * 0.3])
        outside = jaw == "upper"
        cx = canine_x if outside else canine_x * 0.85
        cz = -0.03 * length if outside else shift_z
        if outside:
            can = [f.length for t, f in zip(ts, forms, strict=True) if t.cls == "C"]
            shift_z = cz + (max(can) * 0.95 if can else 0.03 * length)
        bx = length * (0.135 if outside else 0.115) + (0.0 if outside else -0.1)
        level = 0.0 if outside else -2.0
        reach = max(end - inc, 0.3 * length)
        row = rowlib.arcade(inc, cx, cz, bx, cz - reach, 0.01 * length, -1.0 if outside else 1.0, level)
        row.sag = float(rng.uniform(0, 0.012)) * length
        rows[jaw] = row
        lean = procumbent * (1 if outside else 1.2) + _procumbent(o.animal, outside)
        placed += rowlib.place(ts, forms, where, row, "left", rng, gap, lean, flare)
        where_right = where if len(other) == len(ts) else rowlib.slots(other, other_forms, rng, o.animal)
        placed += rowlib.place(other, other_forms, where_right, row, "right", rng, gap, lean, flare)
        rowlib.fit_bone(
            row,
            [p for p in placed if p.tooth.jaw == jaw],
            (0.07 if outside else 0.085) * length,
            (0.028 if outside else 0.026) * length,
        )
    up = [p for p in placed if p.tooth.jaw == "upper"]
    low = [p for p in placed if p.tooth.jaw == "lower"]
    drop = -0.3
    while drop < 6 and _clash(up, low, drop) > 3:
        drop += 0.15
    drop += float(rng.choice([0.0, 0.05, 0.2, 0.5]))
    row = rows["lower"]
    row.level -= drop
    for p in low:
        p.origin[1] -= drop
    front = float(rows["upper"].points[0, 1]) + 0.025 * length
    for _ in range(1):
        cranium = make_cranium(length, front, rng, rows["upper"], youth)
    joint = cranium.joint
    dentary = make_dentary(row, length, joint, rng, o.animal in METATHERIANS)
    turn = float(rng.choice([0.0, rng.uniform(0, 0.08)]))
    move = np.eye(4)
    c, s = np.cos(turn), np.sin(turn)
    rot = np.array([[1, 0, 0], [0, c, -s], [0, s, c]])
    move[:3, :3] = rot.T
    move[:3, 3] = joint - rot.T @ joint
    if _lowers_front(move, joint) > 0:
        move[:3, :3] = rot
        move[:3, 3] = joint - rot @ joint
    levels = dict(CODE_DENSITY)
    levels[3] = float(rng.uniform(1.06, 1.2))
    levels[4] = float(rng.uniform(1.55, 1.9))
    levels[7] = float(levels[3] * rng.uniform(0.97, 1.05))
    levels[1] = float(rng.uniform(0.06, 0.22))
    for k, p in enumerate(placed):
        p.label = 11 + k
        if p.fraction >= 0.8 and rng.random() < 0.12:
            turn_at = rng.uniform(0, np.pi)
            p.crack = (
                float(np.cos(turn_at)),
                float(np.sin(turn_at)),
                float(rng.normal(0, 0.15) * p.form.length),
                float(rng.uniform(0.02, 0.06)),
            )
    if o.missing or o.broken:
        able = [p for p in placed if p.fraction >= 0.8 and p.partner is None]
        picks = rng.choice(len(able), min(o.missing + o.broken, len(able)), replace=False)
        for n, k in enumerate(picks):
            if n < o.missing:
                able[k].missing = True
            else:
                able[k].broken = float(rng.uniform(0.3, 0.8))
    return Animal(
        cranium,
        rows["upper"],
        row,
        dentary,
        placed,
        move,
        length,
        levels,
        {"age": age, "sharp": sharp, "gap_mm": gap, "scale": scale, "drop_mm": drop, "turn_rad": turn},
    )


def _procumbent(animal: str, upper: bool) -> float:
    """Extra forward lean of the incisors (tangent)."""
    return {"rodent": 0.25 if upper else 0.8, "diprotodont": 0.1 if upper else 2.2}.get(animal, 0.0)


def _lowers_front(move: NDArray[np.float64], joint: NDArray[np.float64]) -> float:
    """Above 0 where a point in front of the joint is mapped below itself (then the jaw itself is raised)."""
    p = joint + np.array([0, 0, 10.0])
    return float(p[1] - (move[:3, :3] @ p + move[:3, 3])[1])


def outline_points(a: Animal) -> NDArray[np.float64]:
    """Points that span the whole skull (n, 3), skull mm."""
    c = a.cranium
    pts = []
    for z in np.linspace(c.back, c.front, 20):
        w, t, b = (float(f(z)) for f in (c.width, c.top, c.bottom))
        for x, y in ((w, (t + b) / 2), (0.6 * w, t), (0.6 * w, b)):
            pts += [[x, y, z], [-x, y, z]]
    q = c.zygoma.points + np.array([0.4, 0, 0])
    pts += [*q.tolist(), *(q * [-1, 1, 1]).tolist()]
    low = []
    r = a.lower
    for k in range(0, len(r.arc), 6):
        if r.arc[k] > r.end:
            break
        for s in (1, -1):
            low.append([s * (r.points[k, 0] + r.half[k]), r.level - r.depth[k], r.points[k, 1]])
    d = a.dentary
    on = np.argwhere(d.ramus > 0.5)[::7]
    for s in (1, -1):
        low += [[s * (d.condyle[0] + 0.5), d.origin[1] + j * d.step, d.origin[0] + i * d.step] for i, j in on]
    for p in a.teeth:
        _hm, _hb, _lo, hi = extent(p.form)
        tip = (p.origin + p.axes[2] * hi).tolist()
        (low if p.tooth.jaw == "lower" else pts).append(tip)
    inv = np.linalg.inv(a.jaw_move)
    low_arr = np.array(low) @ inv[:3, :3].T + inv[:3, 3]
    return np.vstack([np.array(pts), low_arr])


def grid(a: Animal, o: Options) -> Canvas:
    """Pose and grid that hold the whole skull with a margin."""
    key = sum(ord(ch) for ch in o.tilt + o.animal)
    rng = np.random.default_rng([o.seed, key, 77])
    if o.tilt == "any":
        q = rng.standard_normal(4)
    else:
        q = np.concatenate([[1.0], rng.uniform(-1, 1, 3) * np.sin(np.deg2rad(4.0))])
    w, x, y, z = q / np.linalg.norm(q)
    rot = np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
    )
    pts = outline_points(a) @ rot.T
    margin = rng.uniform(0.7, 1.6, (2, 3))
    lo, hi = pts.min(0) - margin[0], pts.max(0) + margin[1]
    shape = np.ceil((hi - lo) / o.voxel).astype(int)[::-1]
    m = np.eye(4)
    m[:3, :3] = rot.T
    m[:3, 3] = rot.T @ lo
    return Canvas((int(shape[0]), int(shape[1]), int(shape[2])), o.voxel, m)
