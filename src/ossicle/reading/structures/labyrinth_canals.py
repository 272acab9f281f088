"""Radii of the semicircular canals: the circles that run dark all along through the bone about the vestibule.

A canal's radius of curvature is half the mean of its arc's height and width (Spoor & Zonneveld 1995, J. Anat. 186:271;
value from memory); for an arc that is part of a circle that is the circle's radius, which is what is fitted here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates
from scipy.spatial import cKDTree

from ..records import Side
from .cochlea import AHEAD, sharp_box
from .labyrinth import Labyrinth
from .membrane import plane_axes
from .records import Value
from .space import Space, unit

__all__ = ["Arc", "arc_of_points", "canal_radii"]

FloatArray = npt.NDArray[np.float64]

TRIES = 6000
TURN = np.linspace(0, 2 * np.pi, 72, endpoint=False)
AT_ONCE = 256
"""So many circles are looked at together."""
LEAST_COVER = 0.85
"""Along so much of the circle outside the vestibule the canal must show."""
MOST_AHEAD = 0.55
"""Cosine to the cochlea's direction beyond which nothing is a canal. Common practice, no source."""
LEAST_WALL = 0.7
"""On so much of it bone must show on either side."""


CROWDED = 0.1
"""Share of its radius by which the lateral canal may be off besides: it runs close by the vestibule and the posterior
canal. As seen on practice ears (docs/structures.md)."""


@dataclass(frozen=True)
class Arc:
    """A circle: centre and unit normal (skull), radius (mm), and how far points lie off (mm, standard deviation)."""

    centre: FloatArray
    normal: FloatArray
    radius: float
    off: float

    def points(self) -> FloatArray:
        """Points all round (72, 3)."""
        u, v = plane_axes(self.normal)
        out: FloatArray = self.centre + self.radius * (np.cos(TURN)[:, None] * u + np.sin(TURN)[:, None] * v)
        return out


def arc_of_points(points: FloatArray) -> Arc | None:
    """The circle nearest to points (n, 3): the plane of least squares, and in it the circle of Kasa (1976; value from
    memory). None for fewer than six points or points on a line."""
    if len(points) < 6:
        return None
    middle = points.mean(0)
    _, size, way = np.linalg.svd(points - middle, full_matrices=False)
    if size[1] < 0.05 * size[0]:
        return None
    flat = (points - middle) @ way[:2].T
    basis = np.c_[2 * flat, np.ones(len(flat))]
    a, b, c = np.linalg.lstsq(basis, (flat**2).sum(1), rcond=None)[0]
    radius = float(np.sqrt(max(c + a * a + b * b, 1e-12)))
    rest = np.hypot(np.hypot(*(flat - [a, b]).T) - radius, (points - middle) @ way[2])
    return Arc(middle + a * way[0] + b * way[1], way[2], radius, float(np.sqrt((rest**2).mean())))


def canal_radii(
    space: Space, labyrinth: Labyrinth, side: Side, coil: FloatArray | None
) -> tuple[dict[str, Value], dict[str, Arc], str]:
    """Radii (mm) of the anterior, posterior and lateral canal, those that show; their circles; why others do not.

    ``coil`` is the cochlea's middle line (skull mm), which is left out.
    """
    grey, allowed, place = sharp_box(space, labyrinth)
    low, step, deep = place[0, 0, 0], labyrinth.step, labyrinth.vestibule_mm
    allowed &= grey < 0.5
    allowed &= np.linalg.norm(place - labyrinth.vestibule, axis=-1) > 1.25 * deep
    points = place[allowed]
    # the cochlea lies before the vestibule, the canals above and behind it (any handbook)
    before = unit(np.array(AHEAD) * [1.0 if side == "left" else -1.0, 1.0, 1.0])
    way = points - labyrinth.vestibule
    points = points[way @ before < MOST_AHEAD * np.linalg.norm(way, axis=1)]
    if coil is not None and len(points):
        points = points[cKDTree(coil).query(points)[0] > 0.5 * deep]
    why = "no circle about the vestibule runs dark all along with bone on either side"
    if len(points) < 30:
        return {}, {}, why
    rng = np.random.default_rng(0)  # a search, not chance in the result: the same scan gives the same circles
    some = points[rng.integers(0, len(points), (TRIES, 3))]
    centre, normal, radius = _circles(some)
    away = np.abs(np.linalg.norm(labyrinth.vestibule - centre, axis=1) - radius)
    fit = np.isfinite(radius) & (radius > 0.7 * deep) & (radius < 4.5 * deep) & (away < 1.2 * deep)
    off = centre - labyrinth.vestibule
    fit &= off @ before < 0.3 * np.linalg.norm(off, axis=1)
    centre, normal, radius = centre[fit], normal[fit], radius[fit]
    if not len(radius):
        return {}, {}, why

    def seen(at: FloatArray) -> npt.NDArray[np.float32]:
        index = np.moveaxis((at - low) / step, -1, 0)
        out: npt.NDArray[np.float32] = map_coordinates(grey, index, order=1, mode="nearest")
        return out

    score = _scores(seen, centre, normal, radius, labyrinth.vestibule, deep)
    arcs: list[Arc] = []
    for i in np.argsort(-score):
        if score[i] <= 0 or len(arcs) == 3:
            break
        if any(abs(float(normal[i] @ a.normal)) > 0.75 for a in arcs):
            continue
        arc = _settled(points, Arc(centre[i], normal[i], float(radius[i]), 0.0), deep)
        arc = None if arc is None else _centred(seen, arc, labyrinth.vestibule, deep)
        if arc is not None and all(abs(float(arc.normal @ a.normal)) < 0.8 for a in arcs):
            arcs.append(arc)
    named = _named(arcs)
    values = {}
    for name, a in named.items():
        error = float(np.hypot(0.5 * space.voxel, a.off) / np.sqrt(2))
        values[name] = Value(a.radius, float(np.hypot(error, CROWDED * a.radius)) if name == "lateral" else error)
    return values, named, "" if len(named) == 3 else why


def _settled(points: FloatArray, arc: Arc, deep: float) -> Arc | None:
    """A circle fitted again to the points near it."""
    found: Arc | None = arc
    for reach in (0.4, 0.3, 0.3):
        assert found is not None
        u = points - found.centre
        high = u @ found.normal
        flat = np.linalg.norm(u - high[:, None] * found.normal, axis=1)
        near = np.hypot(flat - found.radius, high) < reach * deep
        found = arc_of_points(points[near])
        if found is None or not 0.6 < found.radius / arc.radius < 1.6:
            return None
    return found


def _centred(
    seen: Callable[[FloatArray], npt.NDArray[np.float32]], arc: Arc, vestibule: FloatArray, deep: float
) -> Arc | None:
    """A circle moved to the canal's middle: thrice fitted to the middles of the dark in sections across it, where it is
    clear of the vestibule. Cells would weigh more outside the circle than within."""
    found: Arc | None = arc
    for wide in (0.45, 0.32, 0.32):
        off = np.linspace(-wide, wide, 19) * deep
        rho, high = (g.ravel() for g in np.meshgrid(off, off, indexing="ij"))
        disc = np.hypot(rho, high) < wide * deep
        rho, high = rho[disc], high[disc]
        assert found is not None
        line = found.points()
        spoke = (line - found.centre) / found.radius
        free = np.linalg.norm(line - vestibule, axis=1) > 1.6 * deep
        line, spoke = line[free], spoke[free]
        grey = seen(line[:, None] + rho[None, :, None] * spoke[:, None] + high[None, :, None] * found.normal)
        # nearest the circle only: beyond the canal's wall there may be other voids
        dark = np.clip(0.8 - grey, 0, None) * (1 - np.hypot(rho, high) / (wide * deep))
        heavy = dark.sum(axis=1)
        shown = heavy > 0.3 * float(np.median(heavy))
        if shown.sum() < 8:
            return None
        line, spoke, dark, heavy = line[shown], spoke[shown], dark[shown], heavy[shown, None]
        out, up = (dark @ rho)[:, None] / heavy, (dark @ high)[:, None] / heavy
        # the weights fall towards the rim, so a shift shows by less than it is
        middle = line + 1.6 * (out * spoke + up * found.normal)
        found = arc_of_points(middle)
        if found is not None:
            # where another canal runs by, the dark's middle is not this one's
            rest = np.abs(np.linalg.norm(middle - found.centre, axis=1) - found.radius)
            found = arc_of_points(middle[rest <= np.quantile(rest, 0.6)]) or found
        if found is None or not 0.7 < found.radius / arc.radius < 1.4:
            return None
    return found


def _named(arcs: list[Arc]) -> dict[str, Arc]:
    """The lateral canal lies flattest; of the other two the anterior one stands farther forward."""
    flat = sorted(arcs, key=lambda a: -abs(float(a.normal[1])))
    out: dict[str, Arc] = {}
    if flat and abs(float(flat[0].normal[1])) > 0.6:
        out["lateral"] = flat.pop(0)
    if len(flat) == 2:
        front, back = sorted(flat, key=lambda a: -float(a.centre[2]))
        out |= {"anterior": front, "posterior": back}
    return out


def _circles(three: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Centres, normals and radii of the circles through three points each (n, 3, 3); not finite where on a line."""
    a, b = three[:, 1] - three[:, 0], three[:, 2] - three[:, 0]
    cross = np.cross(a, b)
    square = (cross**2).sum(1)
    with np.errstate(divide="ignore", invalid="ignore"):
        to = (np.cross(cross, a) * (b**2).sum(1)[:, None] + np.cross(b, cross) * (a**2).sum(1)[:, None]) / (
            2 * square[:, None]
        )
        normal = cross / np.sqrt(square)[:, None]
    return three[:, 0] + to, normal, np.linalg.norm(to, axis=1)


def _scores(
    seen: Callable[[FloatArray], npt.NDArray[np.float32]],
    centre: FloatArray,
    normal: FloatArray,
    radius: FloatArray,
    vestibule: FloatArray,
    deep: float,
) -> FloatArray:
    """How long a canal shows along each circle (mm); 0 where it does not."""
    out = np.zeros(len(radius))
    gap = 0.42 * deep
    for some in np.array_split(np.arange(len(radius)), max(1, len(radius) // AT_ONCE)):
        spoke = _spokes(normal[some])
        line = centre[some, None] + radius[some, None, None] * spoke
        free = np.linalg.norm(line - vestibule, axis=-1) > 1.25 * deep
        count = free.sum(axis=1)
        dark = np.zeros(free.shape, bool)
        dark[free] = seen(line[free]) < 0.55
        cover = dark.sum(axis=1) / np.maximum(count, 1)
        shown = np.flatnonzero((count >= 24) & (cover >= LEAST_COVER))
        for i in shown:
            rim, ray = line[i, free[i]], spoke[i, free[i]]
            sides = [rim + gap * ray, rim - gap * ray, rim + gap * unit(normal[some[i]])]
            wall = float(np.mean([(seen(s) > 0.6).mean() for s in sides]))
            if wall >= LEAST_WALL:
                out[some[i]] = cover[i] * wall * float(free[i].mean()) * radius[some[i]]
    return out


def _spokes(normal: FloatArray) -> FloatArray:
    """Unit vectors all round (n, 72, 3) in the planes across normals (n, 3): :func:`plane_axes` for many."""
    n = normal / np.linalg.norm(normal, axis=1, keepdims=True)
    least = np.eye(3)[np.argmin(np.abs(n), axis=1)]
    u = np.cross(n, least)
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    v = np.cross(n, u)
    out: FloatArray = np.cos(TURN)[:, None] * u[:, None] + np.sin(TURN)[:, None] * v[:, None]
    return out
