"""Paints a modelled animal on a scan grid: bone, sockets and crypts, spongy bone, teeth."""

from __future__ import annotations

from typing import Any

import edt
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from .build import Animal, Options
from .canvas import Canvas, Texture, shrink
from .crowns import extent, tissue
from .pose import has
from .rows import Placed
from .skull import cranium_tissue, dentary_bone, process_bone
from .spongy import hollow

Facts = dict[str, Any]


def paint(a: Animal, o: Options, canvas: Canvas) -> list[dict[str, Any] | None]:
    """Paint bone, sockets, spongy bone and teeth. Returns measured facts in the order of ``a.teeth``."""
    key = sum(ord(ch) for ch in o.animal + o.stage)
    rng = np.random.default_rng([o.seed, key, 5])
    fine, coarse = Texture(rng, 0.09), Texture(rng, 0.45, 0.15)
    t_up = cKDTree(a.upper.points)
    for box in canvas.slabs():
        x, y, z = canvas.coords(box)
        x, y, z = (np.ascontiguousarray(v) for v in (x, y, z))
        if has(o, "upper", "left"):
            code = cranium_tissue(a.cranium, x, y, z)
            proc = process_bone(a.upper, np.abs(x), y, z, t_up)
            code[proc & (code != 7)] = 2
        else:
            code = np.zeros(x.shape, np.uint8)
        lab = np.where(code > 1, 1, 0).astype(np.uint16)
        for side, label, sign in (("left", 2, 1.0), ("right", 3, -1.0)):
            if not has(o, "lower", side):
                continue
            move = a.moves[side].astype(np.float32)
            lx, ly, lz = (move[k, 0] * x + move[k, 1] * y + move[k, 2] * z + move[k, 3] for k in range(3))
            jaw = dentary_bone(a.dentary, sign * lx, ly, lz, a.length) & (code == 0)
            code[jaw] = 2
            lab[jaw] = label
        canvas.tissue[box] = code
        canvas.labels[box] = lab
    teeth = [_raster(p, canvas, a, rng, coarse) if has(o, p.tooth.jaw, p.side) else None for p in a.teeth]
    for p, t in zip(a.teeth, teeth, strict=True):
        _sheathe(canvas, p, t)
    _carve(canvas, a, teeth)
    hollow(canvas, a, o, fine, coarse)
    return [_settle(canvas, p, t, a, o) for p, t in zip(a.teeth, teeth, strict=True)]


def _frame(p: Placed, a: Animal) -> NDArray[np.float64]:
    """4x4: skull mm -> local (m, b, s)."""
    m = np.eye(4)
    m[:3, :3] = p.axes
    m[:3, 3] = -p.axes @ p.origin
    return m @ a.moves[p.side] if p.tooth.jaw == "lower" else m


def _raster(p: Placed, canvas: Canvas, a: Animal, rng: np.random.Generator, coarse: Texture) -> dict[str, Any] | None:
    """Sub-voxel raster of a tooth: coverage, density, tissue and socket within a box."""
    hm, hb, lo, hi = extent(p.form)
    corners = np.array([[i * hm, j * hb, k] for i in (-1, 1) for j in (-1, 1) for k in (lo, hi)])
    frame = _frame(p, a)
    inv = np.linalg.inv(frame)
    pad = p.gap + 0.35
    box = canvas.box_of(corners @ inv[:3, :3].T + inv[:3, 3], pad)
    if box is None:
        return None
    sub = 2
    x, y, z = canvas.coords(box, sub)
    f = frame.astype(np.float32)
    m, b, s = (np.ascontiguousarray(f[k, 0] * x + f[k, 1] * y + f[k, 2] * z + f[k, 3]) for k in range(3))
    near = (np.abs(m) <= hm) & (np.abs(b) <= hb) & (s >= lo) & (s <= hi)
    code = np.zeros(m.shape, np.uint8)
    code[near] = tissue(p.form, m[near], b[near], s[near])
    if p.broken:
        plane = s - p.form.height * (1 - p.broken) + 0.5 * (b + 0.4 * m)
        code[(plane > 0) & (s > 0)] = 0
    h = canvas.voxel / sub
    dist = edt.edt(code == 0, anisotropy=(h, h, h), parallel=1)
    grow = 0.32 if p.fraction <= 0.05 and p.form.shape != "evergrowing" else p.gap
    socket = dist < grow
    if p.fraction > 0.05:  # the gap closes here and there
        socket &= (dist < 0.02) | (coarse(x, y, z) < 1.1)
    if p.fraction <= 0.05 or p.fraction < 0.8:  # the way out is open above a tooth that comes through
        ready = p.tooth.extra.get("approach", 1.0)
        if p.fraction > 0.05 or ready > 0.9:
            wide = (np.abs(m) < 0.5 * p.form.length + 0.1) & (np.abs(b) < 0.5 * p.form.width + 0.1)
            socket |= wide & (s > 0.3 * p.form.height)
    wall = 0.55 if p.form.shape == "evergrowing" else 0.24
    sheath = (dist < grow + wall) & (s < p.depth - 0.12)
    hollow_in = code == 1
    if p.form.crown_formed < 1 or p.form.root_formed < 0.6:  # dental papilla within the open crown
        inner = (np.abs(m) < 0.46 * p.form.length) & (np.abs(b) < 0.46 * p.form.width)
        top = p.form.height
        low = -p.form.root_length * p.form.root_formed - 0.2
        socket |= inner & (s < top * 0.7) & (s > low)
    level = np.zeros(8, np.float32)
    level[[3, 4]] = a.levels[3], a.levels[4]
    level[1] = a.levels[1] if p.fraction <= 0.05 else 0.05
    maturity = 0.72 + 0.28 * float(np.clip(p.tooth.age_since * 3 + 0.3 * p.form.crown_formed, 0, 1))
    level[4] *= maturity
    level[3] *= 0.9 + 0.1 * maturity
    solid = code >= 3
    mass = level[code]
    if p.crack is not None:
        mass[np.abs(m * p.crack[0] + b * p.crack[1] + 0.2 * s - p.crack[2]) < p.crack[3]] *= 0.25
    return {
        "box": box,
        "cover": shrink(code > 0, sub),
        "mass": shrink(mass, sub),
        "enamel": shrink(code == 4, sub),
        "dentine": shrink(code == 3, sub),
        "socket": shrink(socket, sub),
        "sheath": shrink(sheath, sub),
        "volume": float(solid.sum()) * h**3,
        "enamel_volume": float((code == 4).sum()) * h**3,
        "pulp": shrink(hollow_in, sub),
        "size": _size(m, b, s, code),
        "solid_any": bool(solid.any()),
    }


def _size(
    m: NDArray[np.float32], b: NDArray[np.float32], s: NDArray[np.float32], code: NDArray[np.uint8]
) -> tuple[float, float, float]:
    """Length, width, height of the enamel-covered crown along the tooth's own axes, mm."""
    e = code == 4
    if not e.any():
        e = code == 3
    if not e.any():
        return 0.0, 0.0, 0.0
    return tuple(float(np.ptp(v[e])) for v in (m, b, s))  # type: ignore[return-value]


def _sheathe(canvas: Canvas, p: Placed, t: Facts | None) -> None:
    """Thin bone over roots and crypts that would stick out of the jaw."""
    if t is None:
        return
    tis, lab = canvas.tissue[t["box"]], canvas.labels[t["box"]]
    bare = (t["sheath"] > 0.5) & (tis == 0)
    tis[bare] = 2
    lab[bare] = 1 if p.tooth.jaw == "upper" else (2 if p.side == "left" else 3)


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
        mine[0].any()
        or mine[-1].any()
        or mine[:, 0].any()
        or mine[:, -1].any()
        or mine[:, :, 0].any()
        or mine[:, :, -1].any()
    )
    return {
        "centroid": at.tolist(),
        "volume": t["volume"],
        "enamel": t["enamel_volume"],
        "size": t["size"],
        "lost": 1 - float(cover.sum()) / max(whole, 1e-9),
        "cut": bool(edge),
    }
