"""Puts an invented animal together and paints it on a scan grid."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from . import rows as rowlib
from .canvas import Canvas, Texture, shrink
from .crowns import extent, tissue
from .dentition import METATHERIANS, STAGE_AGE, plan
from .rows import Arcade, Placed
from .skull import Cranium, Dentary, cranium_tissue, dentary_bone, make_cranium, make_dentary, process_bone

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
            near = (local[:, 2] > -0.2) & (np.abs(local[:, 0]) < t.form.length) & (np.abs(local[:, 1]) < t.form.width)
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
    grown = o.length or float(rng.uniform(26, 31))
    length = grown * (1 - 0.35 * youth**1.3)
    teeth = plan(o.animal, age, rng, o.variant)
    sharp = float(rng.uniform(0, 1))
    gap = float(rng.uniform(0.12, 0.24))
    share = float(rng.uniform(0.35, 0.42))
    # scale so that the row of an adult fills its share of the skull
    grown_rng = np.random.default_rng([o.seed, key, 1])
    full = plan(o.animal, 1.0, grown_rng, o.variant)
    cheek = max(sum(t.length for t in full[j] if t.cls in "CPM" and t.generation != "deciduous") for j in ("upper", "lower"))
    scale = float(np.clip(grown * share / (cheek * 1.06 + 0.8), 0.9, 2.6))
    rows: dict[str, Arcade] = {}
    placed: list[Placed] = []
    procumbent = float(rng.uniform(0.1, 0.7))
    canine_x = length * float(rng.uniform(0.06, 0.09))
    flare = float(rng.uniform(-0.02, 0.15))
    shift_z = 0.0
    for jaw in ("upper", "lower"):
        ts = teeth[jaw]
        forms = rowlib.make_forms(ts, scale, rng, sharp)
        if o.animal == "rodent":
            for t, f in zip(ts, forms, strict=True):
                if f.shape == "evergrowing":
                    f.bend = (0.13 if jaw == "upper" else 0.26) * length
                    f.root_length = (0.17 if jaw == "upper" else 0.3) * length
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
        for side in ("left", "right"):
            placed += rowlib.place(ts, forms, where, row, side, rng, gap, procumbent * (1 if outside else 1.2), flare)
        rowlib.fit_bone(row, [p for p in placed if p.tooth.jaw == jaw], (0.07 if outside else 0.085) * length,
                        (0.028 if outside else 0.026) * length)
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
    for k, p in enumerate(placed):
        p.label = 11 + k
    if o.missing or o.broken:
        able = [p for p in placed if p.fraction >= 0.8 and p.partner is None]
        picks = rng.choice(len(able), min(o.missing + o.broken, len(able)), replace=False)
        for n, k in enumerate(picks):
            if n < o.missing:
                able[k].missing = True
            else:
                able[k].broken = float(rng.uniform(0.3, 0.8))
    return Animal(cranium, rows["upper"], row, dentary, placed, move, length, levels,
                  {"age": age, "sharp": sharp, "gap_mm": gap, "scale": scale, "drop_mm": drop, "turn_rad": turn})


def _lowers_front(move: NDArray[np.float64], joint: NDArray[np.float64]) -> float:
    """Sign tells whether a point in front of the joint is mapped below itself (then the jaw itself is raised)."""
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
        hm, hb, lo, hi = extent(p.form)
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
    rot = np.array([
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ])
    pts = outline_points(a) @ rot.T
    margin = rng.uniform(0.7, 1.6, (2, 3))
    lo, hi = pts.min(0) - margin[0], pts.max(0) + margin[1]
    shape = np.ceil((hi - lo) / o.voxel).astype(int)[::-1]
    m = np.eye(4)
    m[:3, :3] = rot.T
    m[:3, 3] = rot.T @ lo
    return Canvas((int(shape[0]), int(shape[1]), int(shape[2])), o.voxel, m)


def paint(a: Animal, o: Options, canvas: Canvas) -> list[dict[str, Any]]:
    """Paint bone, sockets, spongy bone and teeth. Returns measured facts per tooth (same order as ``a.teeth``)."""
    key = sum(ord(ch) for ch in o.animal + o.stage)
    rng = np.random.default_rng([o.seed, key, 5])
    fine, coarse = Texture(rng, 0.09), Texture(rng, 0.45, 0.15)
    t_up = cKDTree(a.upper.points)
    move = a.jaw_move.astype(np.float32)
    for box in canvas.slabs():
        x, y, z = canvas.coords(box)
        x, y, z = (np.ascontiguousarray(v) for v in np.broadcast_arrays(x, y, z))
        code = cranium_tissue(a.cranium, x, y, z)
        proc = process_bone(a.upper, np.abs(x), y, z, t_up)
        code[proc & (code != 7)] = 2
        lab = np.where(code > 1, 1, 0).astype(np.uint16)
        lx, ly, lz = (move[k, 0] * x + move[k, 1] * y + move[k, 2] * z + move[k, 3] for k in range(3))
        for side, sign in ((2, 1.0), (3, -1.0)):
            jaw = dentary_bone(a.dentary, sign * lx, ly, lz, a.length) & (code == 0)
            code[jaw] = 2
            lab[jaw] = side
        canvas.tissue[box] = code
        canvas.labels[box] = lab
    teeth = [_raster(p, canvas, a, rng, coarse) for p in a.teeth]
    _carve(canvas, a, teeth)
    from .spongy import hollow

    hollow(canvas, a, o, fine, coarse)
    return [_settle(canvas, p, t, a, o) for p, t in zip(a.teeth, teeth, strict=True)]


def _frame(p: Placed, a: Animal) -> NDArray[np.float64]:
    """4x4: skull mm -> local (m, b, s)."""
    m = np.eye(4)
    m[:3, :3] = p.axes
    m[:3, 3] = -p.axes @ p.origin
    return m @ a.jaw_move if p.tooth.jaw == "lower" else m


def _raster(p: Placed, canvas: Canvas, a: Animal, rng: np.random.Generator, coarse: Texture) -> dict[str, Any] | None:
    """Sub-voxel raster of a tooth: coverage, density, tissue and socket within a box."""
    import edt

    hm, hb, lo, hi = extent(p.form)
    corners = np.array([[i * hm, j * hb, k] for i in (-1, 1) for j in (-1, 1) for k in (lo, hi)])
    frame = _frame(p, a)
    inv = np.linalg.inv(frame)
    pad = p.gap + 0.35
    box = canvas.box_of(corners @ inv[:3, :3].T + inv[:3, 3], pad)
    if box is None:
        return None
    sub = 3 if canvas.voxel > 0.12 else 2
    x, y, z = canvas.coords(box, sub)
    f = frame.astype(np.float32)
    m, b, s = (np.ascontiguousarray(f[k, 0] * x + f[k, 1] * y + f[k, 2] * z + f[k, 3]) for k in range(3))
    code = tissue(p.form, m, b, s)
    if p.broken:
        plane = s - p.form.height * (1 - p.broken) + 0.5 * (b + 0.4 * m)
        code[(plane > 0) & (s > 0)] = 0
    h = canvas.voxel / sub
    dist = edt.edt(code == 0, anisotropy=(h, h, h), parallel=1)
    grow = 0.32 if p.fraction <= 0.05 and p.form.shape != "evergrowing" else p.gap
    socket = dist < grow
    if p.fraction > 0.05:  # the gap closes here and there
        sk = np.broadcast_arrays(x, y, z)
        socket &= (dist < 0.02) | (coarse(*sk) < 1.1)
    if p.fraction <= 0.05 or p.fraction < 0.8:  # the way out is open above a tooth that comes through
        ready = p.tooth.extra.get("approach", 1.0)
        if p.fraction > 0.05 or ready > 0.9:
            wide = (np.abs(m) < 0.5 * p.form.length + 0.1) & (np.abs(b) < 0.5 * p.form.width + 0.1)
            socket |= wide & (s > 0.3 * p.form.height)
    hollow_in = code == 1
    if p.form.crown_formed < 1 or p.form.root_formed < 0.6:  # dental papilla within the open crown
        inner = (np.abs(m) < 0.46 * p.form.length) & (np.abs(b) < 0.46 * p.form.width)
        top = p.form.height
        low = -p.form.root_length * p.form.root_formed - 0.2
        socket |= inner & (s < top * 0.7) & (s > low)
    level = np.zeros(8, np.float32)
    level[[3, 4]] = a.levels[3], a.levels[4]
    level[1] = 0.22 if p.fraction <= 0.05 else a.levels[1]
    maturity = 0.72 + 0.28 * float(np.clip(p.tooth.age_since * 3 + 0.3 * p.form.crown_formed, 0, 1))
    level[4] *= maturity
    level[3] *= 0.9 + 0.1 * maturity
    solid = code >= 3
    return {
        "box": box, "cover": shrink(code > 0, sub), "mass": shrink(level[code], sub), "enamel": shrink(code == 4, sub),
        "dentine": shrink(code == 3, sub), "socket": shrink(socket, sub), "volume": float(solid.sum()) * h**3,
        "enamel_volume": float((code == 4).sum()) * h**3, "pulp": shrink(hollow_in, sub),
        "size": _size(m, b, s, code), "solid_any": bool(solid.any()),
    }


def _size(m: NDArray[np.float32], b: NDArray[np.float32], s: NDArray[np.float32], code: NDArray[np.uint8]) -> tuple[float, float, float]:
    """Length, width, height of the enamel-covered crown along the tooth's own axes, mm."""
    e = code == 4
    if not e.any():
        e = code == 3
    if not e.any():
        return 0.0, 0.0, 0.0
    return tuple(float(np.ptp(v[e])) for v in (m, b, s))  # type: ignore[return-value]


def _carve(canvas: Canvas, a: Animal, teeth: list[dict[str, Any] | None]) -> None:
    """Empty the sockets and crypts in bone."""
    for p, t in zip(a.teeth, teeth, strict=True):
        if t is None:
            continue
        own = canvas.tissue[t["box"]]
        lab = canvas.labels[t["box"]]
        jaw = {"lower": (2, 3), "upper": (1,)}[p.tooth.jaw]
        hit = (t["socket"] > 0.5) & (own == 2) & np.isin(lab, jaw)
        own[hit] = 1 if p.fraction <= 0.05 else 0
        lab[hit] = 0


def _settle(canvas: Canvas, p: Placed, t: dict[str, Any] | None, a: Animal, o: Options) -> dict[str, Any] | None:
    """Paint one tooth over bone and air; what a crypt or an earlier tooth holds is not taken."""
    if t is None or p.missing or not t["solid_any"]:
        return None
    box = t["box"]
    lab = canvas.labels[box]
    tis = canvas.tissue[box]
    den = canvas.density[box]
    taken = lab > 10
    cover = np.where(taken, 0, t["cover"])
    whole = float(t["cover"].sum())
    den[...] = den * (1 - cover) + np.where(taken, 0, t["mass"])
    mine = (cover >= 0.5) & ~taken
    lab[mine] = p.label
    kinds = np.stack([t["pulp"], t["dentine"], t["enamel"]])
    best = np.argmax(kinds, axis=0)
    pulp_code = 6 if o.wet else (1 if p.fraction <= 0.05 else 0)
    tis[mine] = np.array([pulp_code, 3, 4], np.uint8)[best[mine]]
    thin = (cover >= 0.3) & (cover < 0.5) & ~taken & (t["enamel"] > 0.25)
    lab[thin] = p.label
    tis[thin] = 4
    z, y, x = np.nonzero(mine)
    if len(z) == 0:
        return None
    at = np.array([x.mean() + box[2].start, y.mean() + box[1].start, z.mean() + box[0].start]) * canvas.voxel
    edge = any(s.start == 0 or s.stop == n for s, n in zip(box, canvas.shape, strict=True)) and (
        mine[0].any() or mine[-1].any() or mine[:, 0].any() or mine[:, -1].any() or mine[:, :, 0].any() or mine[:, :, -1].any())
    return {"centroid": at.tolist(), "volume": t["volume"], "enamel": t["enamel_volume"], "size": t["size"],
            "lost": 1 - float(cover.sum()) / max(whole, 1e-9), "cut": bool(edge)}
