"""Oval and round window: the membranes that close the labyrinth's ways out into the middle ear.

The oval window lies at the vestibule, outward of it; the round one below and behind, where the cochlea begins, with the
promontory's bone between. A footplate fills the oval window with grey of its own, so its rim is sought half-way between
the bone about it and what fills it, plane by plane.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import permutations

import cc3d
import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates
from scipy.optimize import minimize

from ..records import Side
from .labyrinth import OPEN, Labyrinth, ways_out
from .labyrinth_rooms import even_directions
from .membrane import Membrane, from_line, plane_axes, rim_in_image
from .records import Opening, Value
from .space import Space, unit

__all__ = ["filled_section", "read_windows"]

FloatArray = npt.NDArray[np.float64]

TOWARDS = {"oval window": (0.68, -0.72, 0.1), "round window": (-0.35, -0.75, -0.55)}
"""Where the windows lie from the vestibule's middle, on the left: lateral, dorsal, rostral. The oval one looks outward
and down, the round one down, back and a little inward (any handbook of the skull; the numbers are ours)."""
LEAST_COSINE = 0.35
FULLEST = 0.72
"""A plane in which the hole is so full of grey has no rim to be told."""
PLATE = 0.35
"""A footplate is thinner than this share of the vestibule's radius. Common practice, no source."""


@dataclass(frozen=True)
class _Way:
    membrane: Membrane
    cosine: dict[str, float]


def read_windows(
    space: Space, labyrinth: Labyrinth, side: Side, reasons: dict[str, str]
) -> tuple[Opening | None, Opening | None]:
    """Oval and round window, each None where it is not told; ``reasons`` then says why."""
    ways = _ways(space, labyrinth, side)
    pair = _named(ways)
    if "oval window" not in pair:
        more = _through_plate(space, labyrinth, side, [w.membrane for w in pair.values()])
        if more is not None:
            pair = {**pair, "oval window": more}
    found: dict[str, Opening] = {}
    for term, key in (("oval window", "oval_window_mm2"), ("round window", "round_window_mm2")):
        if term not in pair:
            reasons[key] = (
                "no way out of the labyrinth lies where it is looked for and is closed all round by bone that this "
                "voxel size shows"
            )
            continue
        found[term] = _opening(space, pair[term], term, side, len(pair) == 2)
    return found.get("oval window"), found.get("round window")


def _opening(space: Space, way: _Way, term: str, side: Side, both: bool) -> Opening:
    m = way.membrane
    fault = 0.29 * space.voxel * float(np.sqrt(2))
    other = next(v for k, v in way.cosine.items() if k != term)
    sure = float(np.clip(0.55 + 0.3 * (way.cosine[term] - other) + (0.1 if both else 0.0), 0.4, 0.9))
    place = "outward of it" if term == "oval window" else "below and behind it, where the cochlea begins"
    return Opening(
        term,
        side,
        Value(m.area, m.error(space.noise, space.blur_mm)),
        Value(m.length, fault),
        Value(m.width, fault),
        m.perimeter,
        m.centre,
        m.rim,
        sure,
        f"a way out of the vestibule into the middle ear, {place}",
    )


def _ways(space: Space, labyrinth: Labyrinth, side: Side) -> list[_Way]:
    """The labyrinth's ways out that bone closes all round, largest seam first."""
    reach = 2.2 * labyrinth.vestibule_mm
    found: list[_Way] = []
    for middle, way, cells in ways_out(labyrinth)[:8]:
        if cells * labyrinth.step**2 < (1.2 * space.voxel) ** 2:
            continue
        m = _across_canal(space, middle, way, reach)
        if m is None or m.width < 1.5 * space.voxel:
            continue
        if all(np.linalg.norm(m.centre - o.membrane.centre) > 0.35 * (m.width + o.membrane.width) for o in found):
            found.append(_Way(m, _cosines(labyrinth, m.centre, side)))
    return found


def _cosines(labyrinth: Labyrinth, centre: FloatArray, side: Side) -> dict[str, float]:
    mirror = np.array([1.0 if side == "left" else -1.0, 1.0, 1.0])
    way = unit(centre - labyrinth.vestibule)
    return {term: float(way @ unit(np.array(to) * mirror)) for term, to in TOWARDS.items()}


def _named(ways: Sequence[_Way]) -> dict[str, _Way]:
    """Which way is which window: the pair that lies best, larger ones before smaller; one alone where only one lies
    where its window is looked for."""
    terms = list(TOWARDS)
    best: tuple[float, dict[str, _Way]] = (0.0, {})
    for one, two in permutations(ways, 2):
        given = dict(zip(terms, (one, two), strict=True))
        if min(w.cosine[t] for t, w in given.items()) < LEAST_COSINE:
            continue
        score = sum(w.cosine[t] * w.membrane.area**0.5 for t, w in given.items())
        if score > best[0]:
            best = (score, given)
    if best[1]:
        return best[1]
    for way in ways:
        term = max(terms, key=lambda t: way.cosine[t])
        score = way.cosine[term] * way.membrane.area**0.5
        if way.cosine[term] > 0.6 and score > best[0]:
            best = (score, {term: way})
    return best[1]


def filled_section(
    sample: Callable[[FloatArray], npt.NDArray[np.float32]],
    centre: FloatArray,
    normal: FloatArray,
    reach: float,
    step: float,
    blur: float,
) -> tuple[Membrane, float] | None:
    """The membrane in one plane, its rim half-way between the bone about it and what fills it, and that fill (grey).

    None where the hole is not closed within ``reach`` mm, or is as good as full.
    """
    u, v = plane_axes(normal)
    n = int(np.ceil(reach / step))
    grid = np.arange(-n, n + 1) * step
    image = np.asarray(sample(centre + grid[:, None, None] * u + grid[None, :, None] * v), float)
    near = np.hypot(grid[:, None], grid[None, :]) < max(2.5 * step, 0.8 * blur)
    fill, wall = max(0.0, float(image[near].mean())), 1.0
    line = None
    for _ in range(3):
        if fill > FULLEST:
            return None
        # the blur of the rim itself greys a small hole a little: that is no filling
        line = rim_in_image(image, (n, n), (wall + (fill if fill > 0.1 else max(0.0, 2 * fill - 0.1))) / 2)
        if line is None:
            return None
        middle = line[:-1].mean(0)
        ways = np.linspace(0, 1, 5)[1:3, None, None] * (line[None, :-1] - middle) + middle
        inner = map_coordinates(image, np.moveaxis(ways.reshape(-1, 2), -1, 0), order=1, mode="nearest")
        fill = max(0.0, float(inner.mean()))
        out = line[:-1] - middle
        out /= np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-9)
        beyond = line[:-1, None] + out[:, None] * np.linspace(0.2, 1, 6)[None, :, None] * 2.5 * blur / step
        seen = map_coordinates(image, np.moveaxis(beyond, -1, 0), order=1, mode="nearest").max(axis=1)
        wall = float(np.clip(np.median(seen), 0.7, 1.0))
    assert line is not None
    if np.abs(line - n).max() > n - 1:
        return None
    m = from_line(line, step, lambda q: centre + (q[:, :1] - n) * step * u + (q[:, 1:] - n) * step * v, normal, blur)
    return m, fill


def _across_canal(space: Space, middle: FloatArray, way: FloatArray, reach: float) -> Membrane | None:
    """The membrane of a short canal: of the planes across it that bone closes, the middle one of those hardly larger
    than the least; their tilt is that of least area."""
    step, blur = max(0.35 * space.voxel, reach / 60), space.sampled_blur
    span = 0.6 * reach

    def at(centre: FloatArray, normal: FloatArray) -> tuple[Membrane, float] | None:
        return filled_section(space.at, centre, normal, reach, step, blur)

    normal = way
    for turn in range(2):
        some = _stack(at, middle, normal, span, 0.4 * space.voxel)
        if not some:
            return None
        least = sorted(m.area for m, _ in some)[len(some) // 5]
        level = sorted((m for m, _ in some if 0.8 * least < m.area < 1.1 * least), key=lambda m: m.area)
        if turn:
            return _less_lip(level[len(level) // 2], [m for m, _ in some], blur)
        middle = np.median([m.centre for m in level], axis=0)
        normal = _tilted(at, middle, normal)
    return None


def _less_lip(m: Membrane, some: Sequence[Membrane], blur: float) -> Membrane:
    """A membrane whose rim is a rounded lip: blur draws its rim in by the curvature within the plane, but out by that
    across it, which is told from how the areas of neighbouring planes rise."""
    off = np.array([(s.centre - m.centre) @ m.normal for s in some])
    area = np.array([s.area for s in some])
    near = (np.abs(off) < 1.6 * blur) & (area < 1.5 * m.area)
    if near.sum() < 4 or np.ptp(off[near]) < 1.2 * blur:
        return m
    rise = 2 * float(np.polyfit(off[near], area[near], 2)[0])
    # r times r'', as the area's second slope is 2 pi r r''; at most half, as no lip is wholly round
    lip = float(np.clip(rise / (2 * np.pi), 0.0, 0.5))
    area_mm2 = m.area - np.pi * blur**2 * lip
    shrunk = float(np.sqrt(area_mm2 / m.area))
    return replace(m, area=area_mm2, length=m.length * shrunk, width=m.width * shrunk, perimeter=m.perimeter * shrunk)


def _stack(
    at: Callable[[FloatArray, FloatArray], tuple[Membrane, float] | None],
    middle: FloatArray,
    normal: FloatArray,
    span: float,
    step: float,
) -> list[tuple[Membrane, float]]:
    """Closed planes on either side of a start, each centred on the one before."""
    out: list[tuple[Membrane, float]] = []
    for sign in (1.0, -1.0):
        centre = middle
        for k in range(0 if sign > 0 else 1, int(span / step) + 1):
            where = centre + ((middle - centre) @ normal + sign * k * step) * normal
            found = at(where, normal)
            if found is None:
                continue
            out.append(found)
            centre = found[0].centre
    return out


def _tilted(
    at: Callable[[FloatArray, FloatArray], tuple[Membrane, float] | None], centre: FloatArray, normal: FloatArray
) -> FloatArray:
    """The normal within 18 degrees for which the plane through ``centre`` has the least area."""
    u, v = plane_axes(normal)

    def way(p: FloatArray) -> FloatArray:
        return unit(normal + np.tan(p[0]) * u + np.tan(p[1]) * v)

    def cost(p: FloatArray) -> float:
        if np.hypot(*p) > np.deg2rad(18):
            return 1e6
        found = at(centre, way(p))
        return 1e5 if found is None else found[0].area

    start = np.array([[0.0, 0.0], [0.12, 0.0], [0.0, 0.12]])
    done = minimize(
        cost, start[0], method="Nelder-Mead", options={"initial_simplex": start, "maxfev": 30, "xatol": 0.02}
    )
    return way(done.x) if done.fun < 1e5 else normal


def _through_plate(space: Space, labyrinth: Labyrinth, side: Side, others: Sequence[Membrane]) -> _Way | None:
    """An oval window that its footplate shuts: where the bone between vestibule and middle ear is as thin as a plate,
    over an area that thicker bone surrounds."""
    k = 1.0 if side == "left" else -1.0
    towards = unit(np.array(TOWARDS["oval window"]) * [k, 1, 1])
    ways = even_directions(1500)
    ways = ways[ways @ towards > 0.6]
    step, radius = 0.4 * labyrinth.step, labyrinth.vestibule_mm
    far = np.arange(0.0, 3.0 * radius, step)
    path = labyrinth.vestibule + ways[:, None] * far[None, :, None]
    index = np.moveaxis((path - labyrinth.low) / labyrinth.step, -1, 0)
    zone = map_coordinates(labyrinth.zones, index, order=0, mode="nearest")
    bone = space.at(path) > 0.5
    opens = np.argmax(zone == OPEN, axis=1)
    seen = (zone == OPEN).any(axis=1)
    before = np.arange(len(far))[None] < opens[:, None]
    thick = (bone & before).sum(axis=1) * step
    leaves = np.argmax(bone & before, axis=1) * step
    thin = seen & (thick < PLATE * radius) & (leaves < 2.2 * radius)
    if thin.sum() < 6:
        return None
    groups = cc3d.connected_components(_grid_of(ways, thin, towards), connectivity=8)
    u, v = plane_axes(towards)
    flat = np.stack([ways @ u, ways @ v], axis=1)
    cell = np.clip(((flat + 1) * 20).astype(int), 0, 40)
    mine = np.where(thin, groups[cell[:, 0], cell[:, 1]], 0)
    best: _Way | None = None
    for g in range(1, int(mine.max()) + 1):
        own = mine == g
        if own.sum() < 6:
            continue
        spot = labyrinth.vestibule + ways[own] * leaves[own, None]
        centre, normal = spot.mean(0), unit(ways[own].mean(0))
        m = _across_canal(space, centre - 0.5 * space.voxel * normal, normal, 2.2 * radius)
        if m is None or m.width < 1.5 * space.voxel:
            continue
        if any(np.linalg.norm(m.centre - o.centre) < 0.35 * (m.width + o.width) for o in others):
            continue
        cosine = _cosines(labyrinth, m.centre, side)
        if cosine["oval window"] > LEAST_COSINE and (best is None or m.area > best.membrane.area):
            best = _Way(m, cosine)
    return best


def _grid_of(ways: FloatArray, chosen: npt.NDArray[np.bool_], towards: FloatArray) -> npt.NDArray[np.uint8]:
    """Chosen directions drawn on a plane across ``towards``, gaps between neighbours closed."""
    u, v = plane_axes(towards)
    flat = np.stack([ways[chosen] @ u, ways[chosen] @ v], axis=1)
    image = np.zeros((41, 41), np.uint8)
    cell = np.clip(((flat + 1) * 20).astype(int), 0, 40)
    image[cell[:, 0], cell[:, 1]] = 1
    out: npt.NDArray[np.uint8] = np.zeros_like(image)
    for dx in (-1, 0, 1):
        for dy in (-1, 0, 1):
            out |= np.roll(image, (dx, dy), (0, 1))
    return out
