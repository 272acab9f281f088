"""The crown of one tooth: its axis, its cervix, its length, width and height, its enamel.

The enamel cap is open towards the root. The sum of its outward normals times area therefore equals the area
of that opening times the direction that closes it (the vector area of an open surface depends on its rim
alone): it points along the tooth's axis to the crown's tip, for a rooted tooth as for a cap in its crypt.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import ConvexHull, QhullError

from .sharpening import Levels
from .surface import ToothSurface

__all__ = ["Crown", "crown_axis", "hollow_direction", "measure_crown"]

FloatArray = npt.NDArray[np.float64]
HOLLOW = 0.6
"""Weight of the hollow among the cues to the axis."""
LOWEST = 0.6
"""Grey, in shares of the crown's bright tail, from which on a surface may count as a little like enamel."""
UPRIGHT = 0.35
"""Weight of the jaw's own direction among the cues."""
UPRIGHT_WEAK = 1.0
"""More of it where the cues amount to nothing."""
STRONG = 1.0
"""Sum of the cues at which they need no help."""
FLAT = 2.0
"""Weight of the shortest axis of a flat cap where the other cues amount to nothing."""
BARE = 0.25
"""Quantile of the rings below the enamel that stands for bare root."""
EDGE = 0.2
"""Enamel begins where a ring has come this share of the way from bare root to crown: low, as enamel thins out
to the cervix."""
SHARE = 0.45
"""Share of the way from dentine to the crown's bright tail at which brightness counts as enamel in full."""
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Crown:
    """A measured crown. Lengths in mm, ``frame`` rows are the unit vectors mesial-distal, cheekwards,
    tipwards in skull space.

    ``along``, ``across``, ``up`` are the coordinates of the surface's vertices in that frame, ``covered``
    tells which lie on enamel, ``tip`` and ``cervix`` the ends of the crown on the third axis, ``centre`` the
    skull coordinates of the crown's middle.
    """

    frame: FloatArray
    origin: FloatArray
    points: FloatArray
    covered: BoolArray
    enamel_thickness_mm: FloatArray
    tip: float
    cervix: float
    base: float
    length_mm: float
    width_mm: float
    height_mm: float
    enamel_volume_mm3: float
    peak: float
    rooted: bool

    @property
    def centre(self) -> FloatArray:
        """Middle of the crown, skull mm."""
        low, high = self.points[self.covered].min(axis=0), self.points[self.covered].max(axis=0)
        return np.asarray(self.origin + ((low + high) / 2) @ self.frame)


def hollow_direction(solid: FloatArray, within: FloatArray) -> FloatArray:
    """Return a vector (3,) from the hollow of a cap to its solid, tipwards, its length 0 to 1 by how much
    there is to go by.

    ``solid`` (n, 3) are the places of mineralised voxels, ``within`` (m, 3) those of all others nearby; the
    hollow is what of them lies in the convex hull of the solid: the papilla beneath a growing cap, the space
    between roots.
    """
    if len(solid) < 12 or len(within) == 0:
        return np.zeros(3)
    try:
        hull = ConvexHull(solid)
    except QhullError:
        return np.zeros(3)
    inside = np.ones(len(within), bool)
    for equation in hull.equations:
        inside[inside] = within[inside] @ equation[:3] + equation[3] <= 0
    if inside.sum() < 3:
        return np.zeros(3)
    away = solid.mean(axis=0) - within[inside].mean(axis=0)
    size = float(np.linalg.norm(away))
    radius = float(np.sqrt(((solid - solid.mean(axis=0)) ** 2).sum(axis=1).mean()))
    share = inside.sum() / (inside.sum() + len(solid))
    return np.asarray(away / max(size, 1e-9) * min(1.0, size / (0.25 * radius)) * min(1.0, 3.0 * share))


def crown_axis(
    points: FloatArray,
    normal: FloatArray,
    area: FloatArray,
    excess: FloatArray,
    hollow: FloatArray,
    up: FloatArray,
) -> FloatArray:
    """Return the unit vector from root to crown tip.

    ``points`` and ``normal`` (n, 3) of the surface in skull space, ``area`` (n,), ``excess`` (n,) how enamel-
    like the surface is (0 to 1), ``hollow`` see `hollow_direction`, ``up`` the direction in which this jaw's
    crowns point. Cues: the opening of the enamel cap, the way from the middle of the bare to the middle of
    the covered surface, the hollow, and the long axis of the whole; the jaw's direction settles what they
    leave open.
    """
    total = float(area.sum())
    opening = (normal * (area * excess)[:, None]).sum(axis=0) / (0.25 * total)
    centre = (points * area[:, None]).sum(axis=0) / total
    radius = np.sqrt(float((area * ((points - centre) ** 2).sum(axis=1)).sum()) / total)
    bright, bare = area * excess, area * (1 - excess)
    shift = np.zeros(3)
    if bright.sum() > 0 and bare.sum() > 0:
        high = (points * bright[:, None]).sum(axis=0) / bright.sum()
        low = (points * bare[:, None]).sum(axis=0) / bare.sum()
        shift = (high - low) / radius * min(1.0, 4 * min(bright.sum(), bare.sum()) / total)
    spread = ((points - centre) * area[:, None]).T @ (points - centre) / total
    value, vector = np.linalg.eigh(spread)
    slender = float(1 - np.sqrt(value[1] / value[2]))
    guess = opening + 0.8 * shift + HOLLOW * hollow
    weak = max(0.0, 1 - float(np.linalg.norm(guess)) / STRONG)
    guess = guess + (UPRIGHT + UPRIGHT_WEAK * weak) * up
    flat = float(1 - np.sqrt(value[0] / value[1]))
    guess = guess + FLAT * weak * max(0.0, flat - 0.2) * vector[:, 0] * np.sign(vector[:, 0] @ guess)
    long = vector[:, 2] * np.sign(vector[:, 2] @ guess)
    guess = guess / np.linalg.norm(guess)
    if slender > 0.35 and long @ guess > 0.3:
        guess = guess + min(2.0, 4 * (slender - 0.35)) * long
    return np.asarray(guess / np.linalg.norm(guess))


def _cervix(
    own: FloatArray, area: FloatArray, bright: FloatArray, dentine: float, top: float, least: float
) -> tuple[float, bool]:
    """Height on the axis at which enamel begins, and whether there is bare root surface below it at all.

    ``own`` (n, 3) the surface's vertices in the crown's frame, ``bright`` the peak greys beneath them. First
    the height that best parts a surface brighter than dentine from one that is not (greatest variance between
    two classes, Otsu 1979, along the axis); where nothing is brighter than dentine, brighter from dimmer.
    Then, as enamel thins out, down to where rings of surface are hardly brighter than the dimmest below. A
    slender tooth whose enamel does not show is cut at the neck below its greatest girth. ``least`` is the
    contrast that counts.
    """
    up = own[:, 2]
    low, high = float(up.min()), float(up.max())
    bins = int(np.clip(round(len(up) / 30), 8, 80))
    index = np.minimum(((up - low) / (high - low + 1e-9) * bins).astype(int), bins - 1)
    weight = np.asarray(np.bincount(index, area, bins) + 1e-12, float)
    girth = _girth(own, index, bins)
    ring = np.asarray(np.bincount(index, area * bright, bins) / weight, float)
    shown = np.clip(bright, dentine, dentine + SHARE * (top - dentine))
    seen = np.asarray(np.bincount(index, area * shown, bins) / weight, float)
    first = _best_cut(seen, weight, 0.6 * SHARE * least)
    if not first:
        first = _best_cut(ring, weight, least)
        neck = _neck(girth)
        if neck and first < 0.35 * bins:
            return low + neck / bins * (high - low), True
    if not first:
        return low, False
    ring = np.asarray(np.convolve(np.pad(ring, 1, mode="edge"), [0.25, 0.5, 0.25], mode="valid"))
    depth = max(4, int(0.5 * (bins - first)))
    window = ring[max(0, first - depth) : max(1, first - depth // 4)]
    crown = float(np.average(ring[first:], weights=weight[first:]))
    bare = float(np.quantile(window, BARE))
    limit = bare + EDGE * (crown - bare)
    k = first
    while k > 0 and ring[k] > limit:
        k -= 1
    part = float(np.clip((limit - ring[k]) / max(ring[k + 1] - ring[k], 1e-9), 0.0, 1.0))
    return low + (k + 0.5 + part) / bins * (high - low), k > 0 or ring[0] <= limit


def _best_cut(ring: FloatArray, weight: FloatArray, least: float) -> int:
    """First bin of the brighter upper class, 0 where there is no such class."""
    below = np.cumsum(weight)[:-1]
    above = weight.sum() - below
    sum_below = np.cumsum(weight * ring)[:-1]
    step = ((weight * ring).sum() - sum_below) / above - sum_below / below
    best = int(np.argmax(below * above * step * np.abs(step)))
    if step[best] < least or below[best] < 0.04 * weight.sum():
        return 0
    return best + 1


def _girth(own: FloatArray, index: npt.NDArray[np.intp], bins: int) -> FloatArray:
    """Length times width of each slice of the surface across the axis, mm2."""
    span = []
    for k in (0, 1):
        most, least = np.full(bins, -np.inf), np.full(bins, np.inf)
        np.maximum.at(most, index, own[:, k])
        np.minimum.at(least, index, own[:, k])
        span.append(np.where(np.isfinite(most), most - least, 0.0))
    return np.asarray(np.convolve(np.pad(span[0] * span[1], 1, mode="edge"), [0.25, 0.5, 0.25], mode="valid"))


def _neck(girth: FloatArray) -> int:
    """Bin in which the girth has fallen to three quarters of its greatest, towards the root; 0 where there is
    none below the middle part."""
    bins = len(girth)
    widest = int(np.argmax(girth[bins // 4 :])) + bins // 4
    thin = np.flatnonzero(girth[:widest] < 0.75 * girth[widest])
    return int(thin[-1]) + 1 if len(thin) and thin[-1] > 0.25 * bins else 0


def measure_crown(
    surface: ToothSurface,
    points: FloatArray,
    normal: FloatArray,
    levels: Levels,
    tangent: FloatArray,
    cheek: FloatArray,
    up: FloatArray,
    hollow: FloatArray,
    noise: float,
) -> Crown:
    """Measure the crown of a surface whose vertices lie at ``points`` (skull mm) with outward ``normal``
    (skull).

    ``tangent`` is the row's direction there, backwards, ``cheek`` the direction towards the cheek, ``up``
    that of this jaw's crowns.
    """
    peak = surface.peak - 0.6 * noise
    area = surface.area
    bright = float(np.quantile(peak, 0.9))
    top = float(np.clip(bright, levels.dentine + 0.1, levels.enamel))
    dim = min(levels.dentine, max(float(np.quantile(peak, 0.15)), LOWEST * bright))
    excess = np.clip((peak - dim) / max(min(top, bright) - dim, 2 * noise, 0.05), 0.0, 1.0)
    axis = crown_axis(points, normal, area, excess, hollow, up)
    frame = _frame(axis, tangent, cheek)
    origin = (points * area[:, None]).sum(axis=0) / area.sum()
    own = (points - origin) @ frame.T
    cervix, rooted = _cervix(own, area, peak, levels.dentine, top, max(2.5 * noise, 0.25 * (top - levels.dentine)))
    covered = own[:, 2] >= cervix
    tip = _reach(own[covered, 2])
    turn = _own_turn(own[covered, :2])
    frame, own = turn @ frame, own @ turn.T
    length, width = (_reach(own[covered, k]) + _reach(-own[covered, k]) for k in (0, 1))
    thickness = surface.thickness_mm * covered
    return Crown(
        frame=frame,
        origin=origin,
        points=own,
        covered=covered,
        enamel_thickness_mm=thickness,
        tip=tip,
        cervix=cervix,
        base=float(own[:, 2].min()),
        length_mm=length,
        width_mm=width,
        height_mm=tip - cervix,
        enamel_volume_mm3=float((thickness * surface.middle_area).sum()),
        peak=bright,
        rooted=rooted,
    )


def _frame(axis: FloatArray, tangent: FloatArray, cheek: FloatArray) -> FloatArray:
    """Rows: along the row, cheekwards, tipwards; orthonormal, the first as near to ``tangent`` as the axis
    allows."""
    along = tangent - (tangent @ axis) * axis
    if np.linalg.norm(along) < 0.2:
        along = np.cross(axis, cheek)
    along = along / np.linalg.norm(along)
    across = np.cross(axis, along)
    if across @ cheek < 0:
        across = -across
    return np.stack([along, across, axis])


def _own_turn(flat: FloatArray) -> FloatArray:
    """Turn (3, 3) about the axis by which the crown fits the narrowest rectangle, 20 degrees at most and the
    less the better.

    A crown seldom stands exactly along the row; its length and width are those of its own outline (n, 2).
    """
    best, least = 0.0, np.inf
    for angle in np.radians(np.arange(-20.0, 21.0, 2.0)):
        sides = flat @ np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        spans = [_reach(sides[:, k]) + _reach(-sides[:, k]) for k in (0, 1)]
        cost = np.log(max(spans[0] * spans[1], 1e-12)) + 0.3 * angle**2
        if cost < least:
            best, least = float(angle), cost
    c, s = np.cos(best), np.sin(best)
    return np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])


def _reach(values: FloatArray) -> float:
    """Outermost of the values, as the mean of the few outermost (a single noisy vertex counts little)."""
    count = min(len(values), max(3, len(values) // 400))
    return float(np.partition(values, -count)[-count:].mean())
