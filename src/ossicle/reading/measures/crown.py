"""The crown of one tooth: its axis, its cervix, its length, width and height, its enamel.

The enamel cap is open towards the root. The sum of its outward normals times area therefore equals the area
of that opening times the direction that closes it (the vector area of an open surface depends on its rim
alone): it points along the tooth's axis to the crown's tip, for a rooted tooth as for a cap in its crypt.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .surface import Layer, Levels, ToothSurface

__all__ = ["Crown", "crown_axis", "measure_crown"]

FloatArray = npt.NDArray[np.float64]
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


def crown_axis(
    points: FloatArray, normal: FloatArray, area: FloatArray, excess: FloatArray, up: FloatArray
) -> FloatArray:
    """Return the unit vector from root to crown tip.

    ``points`` and ``normal`` (n, 3) of the surface in skull space, ``area`` (n,), ``excess`` (n,) how enamel-
    like the surface is (0 to 1), ``up`` the direction in which this jaw's crowns point. Three cues: the
    opening of the enamel cap, the way from the middle of the bare to the middle of the covered surface, and
    the long axis of the whole; the jaw's direction settles what they leave open.
    """
    total = float(area.sum())
    opening = (normal * (area * excess)[:, None]).sum(axis=0) / (0.25 * total)
    centre = (points * area[:, None]).sum(axis=0) / total
    radius = np.sqrt(float((area * ((points - centre) ** 2).sum(axis=1)).sum()) / total)
    bright, bare = area * excess, area * (1 - excess)
    shift = np.zeros(3)
    if bright.sum() > 0 and bare.sum() > 0:
        shift = (points * bright[:, None]).sum(axis=0) / bright.sum() - (points * bare[:, None]).sum(
            axis=0
        ) / bare.sum()
        shift = shift / radius * min(1.0, 4 * min(bright.sum(), bare.sum()) / total)
    spread = ((points - centre) * area[:, None]).T @ (points - centre) / total
    value, vector = np.linalg.eigh(spread)
    slender = float(1 - np.sqrt(value[1] / value[2]))
    guess = opening + 0.8 * shift + 0.25 * up
    long = vector[:, 2] * np.sign(vector[:, 2] @ guess)
    guess = guess / np.linalg.norm(guess)
    if slender > 0.35 and long @ guess > 0.3:
        guess = guess + min(2.0, 4 * (slender - 0.35)) * long
    return np.asarray(guess / np.linalg.norm(guess))


def _cervix(up: FloatArray, area: FloatArray, excess: FloatArray) -> tuple[float, bool]:
    """Height on the axis that best parts bright from bare surface, and whether there is bare surface at all
    below it."""
    low, high = float(up.min()), float(up.max())
    bins = max(8, min(60, round(len(up) / 40)))
    index = np.minimum(((up - low) / (high - low + 1e-9) * bins).astype(int), bins - 1)
    weight = np.bincount(index, area, bins)
    mean = np.bincount(index, area * excess, bins) / np.maximum(weight, 1e-12)
    gain = np.zeros(bins)
    for k in range(1, bins):
        below, above = weight[:k].sum(), weight[k:].sum()
        difference = float(
            mean[k:] @ weight[k:] / max(above, 1e-12) - mean[:k] @ weight[:k] / max(below, 1e-12)
        )
        gain[k] = below * above * difference * abs(difference)
    best = int(gain.argmax())
    if best == 0:
        return low, False
    difference = float(
        mean[best:] @ weight[best:] / max(weight[best:].sum(), 1e-12)
        - mean[:best] @ weight[:best] / max(weight[:best].sum(), 1e-12)
    )
    if difference < 0.25 or weight[:best].sum() < 0.03 * weight.sum():
        return low, False
    return low + best / bins * (high - low), True


def measure_crown(
    surface: ToothSurface,
    points: FloatArray,
    normal: FloatArray,
    levels: Levels,
    tangent: FloatArray,
    cheek: FloatArray,
    up: FloatArray,
    voxel_mm: float,
) -> Crown:
    """Measure the crown of a surface whose vertices lie at ``points`` (skull mm) with outward ``normal``
    (skull).

    ``tangent`` is the row's direction there, backwards, ``cheek`` the direction towards the cheek, ``up``
    that of this jaw's crowns.
    """
    layer = Layer.of(levels.enamel, levels.dentine, levels.blur_smoothed)
    peak = surface.peak - levels.noise_smoothed
    area = surface.area
    bright = float(np.quantile(peak, 0.9))
    top = float(np.clip(bright, levels.dentine + 0.1, levels.enamel))
    excess = np.clip(
        (peak - levels.dentine) / max(top - levels.dentine, 2 * levels.noise_smoothed, 0.05), 0.0, 1.0
    )
    axis = crown_axis(points, normal, area, excess, up)
    frame = _frame(axis, tangent, cheek)
    origin = (points * area[:, None]).sum(axis=0) / area.sum()
    own = (points - origin) @ frame.T
    cervix, rooted = _cervix(own[:, 2], area, excess)
    covered = own[:, 2] >= cervix
    tip = _reach(own[covered, 2])
    length = _reach(own[covered, 0]) + _reach(-own[covered, 0])
    width = _reach(own[covered, 1]) + _reach(-own[covered, 1])
    thickness = layer.thickness_of(peak) * voxel_mm * covered
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
        enamel_volume_mm3=float((thickness * area).sum()),
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


def _reach(values: FloatArray) -> float:
    """Outermost of the values, as the mean of the few outermost (a single noisy vertex counts little)."""
    count = min(len(values), max(3, len(values) // 400))
    return float(np.partition(values, -count)[-count:].mean())
