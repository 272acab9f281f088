"""The crown of one tooth: its axis, its cervix, its length, width and height, its enamel.

The enamel cap is open towards the root. The sum of its outward normals times area therefore equals the area
of that opening times the direction that closes it (the vector area of an open surface depends on its rim
alone): it points along the tooth's axis to the crown's tip, for a rooted tooth as for a cap in its crypt.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.spatial import ConvexHull, QhullError

from .cervix import AxialProfile, find_cervix
from .sharpening import Levels
from .surface import ToothSurface

__all__ = ["Crown", "crown_axis", "hollow_direction", "measure_crown"]

FloatArray = npt.NDArray[np.float64]
THINNEST = 0.55
"""The least grey, in shares of dentine's, that a bare root is taken to have."""
HOLLOW = 0.6
"""Weight of the hollow among the cues to the axis."""
TUSK = 2.5
"""A crown higher than this many times its greater extent is measured along its curved middle line."""
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
    in_crypt: bool = False,
    forming: bool = False,
) -> Crown:
    """Measure the crown of a surface whose vertices lie at ``points`` (skull mm) with outward ``normal``
    (skull).

    A tooth thinner than a few voxels never shows the grey of dentine, nor that of enamel. As far as its bright tail
    is nearer dentine's than enamel's, its own bare root stands for dentine, and enamel is what is brighter than that.
    ``forming`` tells that the levels are the tooth's own already.

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
    dentine = levels.dentine
    profile = AxialProfile.of(own, normal @ axis, area, peak, dentine, top)
    lack = float(np.clip(2 * (levels.enamel - bright) / max(levels.enamel - dentine, 1e-6) - 1, 0.0, 1.0))
    if not forming and lack > 0 and (bare := profile.bare()) < dentine:
        dentine -= lack * (dentine - max(bare, THINNEST * dentine))
        top = float(np.clip(bright, dentine + 0.1, levels.enamel))
        profile = AxialProfile.of(own, normal @ axis, area, peak, dentine, top)
    cervix, rooted = find_cervix(profile, max(2.5 * noise, 0.25 * (top - dentine)), in_crypt)
    covered = own[:, 2] >= cervix
    tip = _reach(own[covered, 2])
    turn = _own_turn(own[covered, :2])
    frame, own = turn @ frame, own @ turn.T
    length, width = _length_and_width(own[covered])
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


def _length_and_width(crown: FloatArray) -> tuple[float, float]:
    """Extent of a crown's surface (n, 3) along and across the row.

    A tall curved crown (a tusk, an ever-growing incisor) is measured square to its own curved middle line, slice by
    slice.
    """
    length, width = (_reach(crown[:, k]) + _reach(-crown[:, k]) for k in (0, 1))
    up = crown[:, 2]
    if float(np.ptp(up)) < TUSK * max(length, width):
        return length, width
    spans = []
    edges = np.linspace(up.min(), up.max(), 13)
    for k in (0, 1):
        line = np.polynomial.Polynomial.fit(up, crown[:, k], 2)
        off = crown[:, k] - line(up)
        slices = [off[(up >= a) & (up < b)] for a, b in pairwise(edges)]
        middle = (edges[:-1] + edges[1:]) / 2
        square = 1 / np.sqrt(1 + line.deriv()(middle) ** 2)
        spans.append(
            float(
                np.quantile([np.ptp(s) * c if len(s) > 3 else 0.0 for s, c in zip(slices, square, strict=True)], 0.85)
            )
        )
    return min(length, spans[0]), min(width, spans[1])


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
