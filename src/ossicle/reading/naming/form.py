"""How likely a crown's form is at a locus: size, height, width, roots, cusps, premaxilla.

All measures are logarithms relative to the specimen's own cheek teeth, so that neither body size nor crown
height
of the kind (low or high crowned) decides. Distributions are Student t with few degrees of freedom: an odd
form costs a bounded amount.
Each is divided by the broad density of any object at all, so that the result weighs a locus against 'no
tooth'.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln

from ..records import Generation
from .candidates import Kind
from .columns import Column

__all__ = ["Features", "features", "form_ratio"]

FloatArray = npt.NDArray[np.float64]

FORM_WEIGHT = 0.8
"""Tempering of the form's log ratio: size, height and width of one tooth are not independent."""


@dataclass(frozen=True)
class Features:
    """Per column, arrays of length n: log size, height and width against the specimen's cheek teeth; roots
    and cusps (NaN where
    unknown); probability of the premaxilla (NaN where unknown); whether the crown still lies in its crypt."""

    size: FloatArray
    height: FloatArray
    width: FloatArray
    roots: FloatArray
    cusps: FloatArray
    premaxilla: FloatArray
    young: FloatArray
    offset: FloatArray


def _log_t(x: FloatArray, mean: float, spread: FloatArray | float, df: float = 4.0) -> FloatArray:
    """Return the log density of Student's t."""
    z = (x - mean) / spread
    norm = gammaln((df + 1) / 2) - gammaln(df / 2) - 0.5 * np.log(df * np.pi)
    return np.asarray(norm - np.log(spread) - (df + 1) / 2 * np.log1p(z * z / df))


def features(columns: tuple[Column, ...]) -> Features:
    """Measure all columns of one jaw against the jaw's own cheek teeth."""
    length = np.array([c.length_mm for c in columns])
    width = np.array([c.width_mm for c in columns])
    height = np.array([c.crown_height_mm for c in columns])
    arc = np.array([c.arc_mm for c in columns])
    young = np.array([1.0 - min(1.0, c.emergence_fraction / 0.3) for c in columns])
    size = 0.5 * (np.log(length) + np.log(width))
    tall = np.log(height) - np.log(length)
    broad = np.log(width) - np.log(length)
    back = arc >= np.median(arc)
    mature = back & (young < 0.5)
    group = mature if mature.sum() >= 2 else back
    top = np.sort(size[group])[-4:]
    reference = float(np.median(top))
    large = group & (size >= reference - 0.5)
    return Features(
        size=size - reference,
        height=tall - float(np.median(tall[large])),
        width=broad - float(np.median(broad[large])),
        roots=np.array([np.nan if c.root_count is None else c.root_count for c in columns], dtype=float),
        cusps=np.array([np.nan if c.cusp_count is None else c.cusp_count for c in columns], dtype=float),
        premaxilla=np.array(
            [np.nan if c.in_premaxilla is None else c.in_premaxilla for c in columns], dtype=float
        ),
        young=young,
        offset=np.array([c.offset_mm for c in columns]) / np.maximum(width, 1e-6),
    )


def _size_height_width(kind: Kind, generation: Generation) -> tuple[tuple[float, float], ...]:
    """Return (mean, spread) of log size, height and width at a locus."""
    young = generation == "deciduous"
    if kind.tooth_class == "incisor":
        return ((-1.0 if young else -0.75, 0.5), (0.6, 0.45), (0.05, 0.4))
    if kind.tooth_class == "canine":
        return ((-0.8 if young else -0.5, 0.5), (0.85, 0.45), (-0.05, 0.4))
    if kind.tooth_class == "premolar":
        back = kind.rank_back
        if young and back == 0:
            return ((-0.15, 0.35), (0.05, 0.35), (-0.08, 0.35))
        size = (-0.22, -0.5, -0.75, -0.95, -1.0)[min(back, 4)] - (0.12 if young else 0.0)
        return ((size, 0.38), (0.2 + 0.08 * min(back, 3), 0.35), (-0.15 - 0.05 * min(back, 2), 0.35))
    size = (-0.02, -0.02, -0.12, -0.25, -0.35)[min(kind.rank_front, 4)]
    if kind.rank_back == 0 and kind.count >= 2:
        return ((size - 0.2, 0.42), (0.0, 0.3), (0.08, 0.35))
    return ((size, 0.3), (0.0, 0.28), (0.02, 0.3))


_MOLAR_ROOTS = {"upper": (0.08, 0.2, 0.55, 0.17), "lower": (0.06, 0.78, 0.12, 0.04)}


def _root_chances(kind: Kind, generation: Generation) -> FloatArray:
    """Return the chance of 1, 2, 3, 4 or more roots, with the confusion of a root count from a scan mixed
    in."""
    if kind.tooth_class == "incisor":
        p = (0.96, 0.03, 0.005, 0.005)
    elif kind.tooth_class == "canine":
        p = (0.92, 0.07, 0.005, 0.005)
    elif kind.tooth_class == "premolar":
        if generation == "deciduous" and kind.rank_back == 0:
            p = (0.1, 0.5, 0.33, 0.07) if kind.jaw == "upper" else (0.1, 0.75, 0.12, 0.03)
        elif kind.jaw == "upper":
            p = (
                (0.2, 0.4, 0.35, 0.05),
                (0.25, 0.55, 0.18, 0.02),
                (0.4, 0.55, 0.04, 0.01),
                (0.65, 0.33, 0.01, 0.01),
            )[min(kind.rank_back, 3)]
        else:
            p = (
                (0.2, 0.72, 0.06, 0.02),
                (0.3, 0.66, 0.03, 0.01),
                (0.45, 0.53, 0.01, 0.01),
                (0.7, 0.28, 0.01, 0.01),
            )[min(kind.rank_back, 3)]
    else:
        p = _MOLAR_ROOTS[kind.jaw]
        if kind.rank_back == 0 and kind.count >= 2:
            p = (0.2, 0.35, 0.35, 0.1) if kind.jaw == "upper" else (0.2, 0.7, 0.07, 0.03)
    return np.asarray(0.7 * np.array(p) + 0.3 * np.array((0.4, 0.3, 0.2, 0.1)))


def _cusp_chances(kind: Kind, generation: Generation) -> FloatArray:
    """Return the chance of 1, 2, 3, 4, 5 or more cusps, with the confusion of a count from a scan mixed
    in."""
    if kind.tooth_class in ("incisor", "canine"):
        p = (0.85, 0.1, 0.04, 0.005, 0.005)
    elif kind.tooth_class == "premolar":
        if generation == "deciduous" and kind.rank_back == 0:
            p = (0.05, 0.15, 0.25, 0.3, 0.25)
        else:
            p = ((0.25, 0.3, 0.22, 0.15, 0.08), (0.5, 0.25, 0.15, 0.07, 0.03), (0.65, 0.2, 0.1, 0.03, 0.02))[
                min(kind.rank_back, 2)
            ]
    else:
        p = (0.06, 0.1, 0.24, 0.3, 0.3)
    return np.asarray(0.7 * np.array(p) + 0.3 * 0.2)


def form_ratio(kind: Kind, generation: Generation, seen: Features) -> FloatArray:
    """Return (n,) log of (density of each column's form at this locus / density for any object)."""
    widen = 1.0 + 0.6 * seen.young
    total = np.zeros_like(seen.size)
    for values, (mean, spread), (any_mean, any_spread) in zip(
        (seen.size, seen.height, seen.width),
        _size_height_width(kind, generation),
        ((-0.6, 0.8), (0.3, 0.7), (0.0, 0.6)),
        strict=True,
    ):
        total += _log_t(values, mean, spread * widen) - _log_t(values, any_mean, any_spread)
    known = np.isfinite(seen.roots)
    if known.any():
        chances = _root_chances(kind, generation)
        total[known] += np.log(chances[np.clip(seen.roots[known], 1, 4).astype(int) - 1] / 0.25) * (
            1 - 0.5 * seen.young[known]
        )
    known = np.isfinite(seen.cusps)
    if known.any():
        chances = _cusp_chances(kind, generation)
        total[known] += np.log(chances[np.clip(seen.cusps[known], 1, 5).astype(int) - 1] / 0.2) * 0.7
    total *= FORM_WEIGHT
    known = np.isfinite(seen.premaxilla)
    if known.any() and kind.jaw == "upper":
        p = np.clip(seen.premaxilla[known], 0.03, 0.97)
        total[known] += np.log(2 * (p if kind.tooth_class == "incisor" else 1 - p))
    total += _log_t(seen.offset, 0.0, 0.5 * widen) - _log_t(seen.offset, 0.0, 1.2)
    return total
