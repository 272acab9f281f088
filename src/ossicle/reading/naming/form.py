"""How likely a crown's form is at a locus: size, height, width, roots, cusps, premaxilla.

All measures are logarithms relative to the specimen's own cheek teeth, so that neither body size nor crown
height of the kind (low or high crowned) decides. Distributions are Student t with few degrees of freedom:
an odd form costs a bounded amount. Each is divided by the broad density of any object at all, so that the
result weighs a locus against 'no tooth'.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln, logsumexp

from ..records import Generation, Jaw, ToothClass
from .candidates import Kind
from .columns import Column

__all__ = ["Features", "features", "first_molar_steps", "form_ratio"]

FloatArray = npt.NDArray[np.float64]

FORM_WEIGHT = 0.8
"""Tempering of the form's log ratio: size, height and width of one tooth are not independent."""

STEP_WEIGHT = 0.6
"""The same for changes between neighbours, which repeat part of the form."""


@dataclass(frozen=True)
class Features:
    """Per column, arrays of length n: log size, height and width against the specimen's cheek teeth; roots
    and cusps (NaN where unknown); probability of the premaxilla (NaN where unknown); whether the crown
    still lies in its crypt."""

    size: FloatArray
    height: FloatArray
    width: FloatArray
    roots: FloatArray
    cusps: FloatArray
    spread: FloatArray
    """Log occlusal spread against the specimen's cheek teeth; NaN where unknown or the crown lies in its crypt."""
    premaxilla: FloatArray
    young: FloatArray
    offset: FloatArray
    peak: FloatArray
    """Log bulk (cube root of length, width and height) above the mean of the neighbours' in the line; NaN
    under it."""

    steps: tuple[FloatArray, FloatArray, FloatArray, FloatArray]
    """Change of log height, log width, cusps and log occlusal spread from the tooth in front; NaN where unknown."""
    midline: FloatArray
    """Distance of the crown's middle from the midline along the row, in its own lengths; NaN where only one side is
    there, and the midline is a guess."""
    root_trust: float
    cusp_trust: float
    """0 to 1: whether the counts of this jaw tell teeth apart at all. Where no tooth shows more than one
    cusp the scan was too coarse
    to count them."""


def _trust(counts: FloatArray, span: float) -> float:
    """Return how far the upper counts of a jaw rise above one, against ``span``, 0 to 1."""
    known = counts[np.isfinite(counts)]
    return 0.0 if len(known) < 3 else float(np.clip((np.quantile(known, 0.85) - 1) / span, 0.0, 1.0))


def _log_t(x: FloatArray, mean: float, spread: FloatArray | float, df: float = 4.0) -> FloatArray:
    """Return the log density of Student's t."""
    z = (x - mean) / spread
    norm = gammaln((df + 1) / 2) - gammaln(df / 2) - 0.5 * np.log(df * np.pi)
    return np.asarray(norm - np.log(spread) - (df + 1) / 2 * np.log1p(z * z / df))


def features(columns: tuple[Column, ...], line: int, sides: int = 2) -> Features:
    """Measure all columns of one jaw against the jaw's own cheek teeth; the first ``line`` of them stand in
    line. ``sides`` tells on how many sides the jaw shows teeth."""
    length = np.array([c.length_mm for c in columns])
    width = np.array([c.width_mm for c in columns])
    height = np.array([c.crown_height_mm for c in columns])
    arc = np.array([c.arc_mm for c in columns])
    young = np.array([1.0 - min(1.0, c.emergence_fraction / 0.3) for c in columns])
    size = 0.5 * (np.log(length) + np.log(width))
    tall = np.log(height) - np.log(length)
    broad = np.log(width) - np.log(length)
    # A cap is a part of its crown: low first, then short.
    forming = young * np.clip([1.0 - c.mineralised for c in columns], 0.0, 1.0)
    size, tall = size + 0.35 * forming, tall + 0.6 * forming
    back = arc >= np.median(arc)
    mature = back & (young < 0.5)
    group = mature if mature.sum() >= 2 else back
    top = np.sort(size[group])[-4:]
    reference = float(np.median(top))
    large = group & (size >= reference - 0.5)
    bulk = (2 * size + np.log(height)) / 3
    peak = np.full(len(columns), np.nan)
    for i in range(line):
        beside = [bulk[k] for k in (i - 1, i + 1) if 0 <= k < line and abs(young[k] - young[i]) < 0.7]
        if beside:
            peak[i] = bulk[i] - float(np.mean(beside))
    cusps = np.array([np.nan if c.cusp_count is None else c.cusp_count for c in columns], dtype=float)
    roots = np.array([np.nan if c.root_count is None else c.root_count for c in columns], dtype=float)
    spread = np.log(np.maximum([np.nan if c.occlusal_spread is None else c.occlusal_spread for c in columns], 0.05))
    spread[young >= 0.5] = np.nan
    wide = spread[large & np.isfinite(spread)]
    spread -= float(np.median(wide)) if len(wide) else np.nan
    steps = tuple(np.full(len(columns), np.nan) for _ in range(4))
    for i in range(1, line):
        if young[i] < 0.5 and young[i - 1] < 0.5:
            for step, values in zip(steps, (tall, broad, cusps, spread), strict=True):
                step[i] = values[i] - values[i - 1]
    return Features(
        size=size - reference,
        height=tall - float(np.median(tall[large])),
        width=broad - float(np.median(broad[large])),
        roots=roots,
        cusps=cusps,
        spread=spread,
        premaxilla=np.array([np.nan if c.in_premaxilla is None else c.in_premaxilla for c in columns], dtype=float),
        young=young,
        offset=np.array([c.offset_mm for c in columns]) / np.maximum(width, 1e-6),
        peak=peak,
        steps=(steps[0], steps[1], steps[2], steps[3]),
        midline=arc / length if sides == 2 else np.full(len(columns), np.nan),
        root_trust=_trust(roots, 1.0),
        cusp_trust=_trust(cusps, 2.0),
    )


@dataclass(frozen=True)
class _Shape:
    """Mean and spread of log size, height and width, chances of 1 to 4 roots and 1 to 5 cusps, mean and
    spread of the peak, and of the log occlusal spread (None: says nothing)."""

    size: tuple[float, float]
    height: tuple[float, float]
    width: tuple[float, float]
    roots: tuple[float, ...]
    cusps: tuple[float, ...]
    peak: tuple[float, float]
    spread: tuple[float, float] | None = None


_BROAD = (0.0, 0.15)
SECTORIAL = 0.2
"""Share of mammals whose last upper premolar (deciduous: the one before it) is a shearing blade."""
_ONE_ROOT = (0.95, 0.04, 0.005, 0.005)
_ONE_CUSP = (0.85, 0.1, 0.04, 0.005, 0.005)
_MANY_CUSPS = (0.02, 0.1, 0.24, 0.32, 0.32)
_PREMOLAR_ROOTS: Mapping[Jaw, tuple[tuple[float, ...], ...]] = {
    "upper": (
        (0.15, 0.45, 0.35, 0.05),
        (0.2, 0.6, 0.18, 0.02),
        (0.35, 0.6, 0.04, 0.01),
        (0.6, 0.38, 0.01, 0.01),
    ),
    "lower": (
        (0.15, 0.77, 0.06, 0.02),
        (0.2, 0.76, 0.03, 0.01),
        (0.4, 0.58, 0.01, 0.01),
        (0.65, 0.33, 0.01, 0.01),
    ),
}
_MOLAR_ROOTS: Mapping[Jaw, tuple[float, ...]] = {
    "upper": (0.06, 0.19, 0.57, 0.18),
    "lower": (0.06, 0.76, 0.13, 0.05),
}
_LAST_ROOTS: Mapping[Jaw, tuple[float, ...]] = {
    "upper": (0.2, 0.3, 0.4, 0.1),
    "lower": (0.18, 0.7, 0.09, 0.03),
}
_PREMOLAR_CUSPS = ((0.35, 0.3, 0.2, 0.1, 0.05), (0.55, 0.25, 0.13, 0.05, 0.02), (0.7, 0.2, 0.06, 0.02, 0.02))


def _molariform(kind: Kind, size: float, peak: tuple[float, float]) -> _Shape:
    return _Shape((size, 0.3), (0.0, 0.28), (0.02, 0.3), _MOLAR_ROOTS[kind.jaw], _MANY_CUSPS, peak, _BROAD)


def _shapes(kind: Kind, generation: Generation) -> tuple[tuple[float, _Shape], ...]:
    """Return the shapes a tooth of this locus may have, each with its share of mammals.

    Incisors may be gnawing tusks, canines incisor-like (lower canine of ruminants), the last premolars like
    molars (grazers); the last deciduous premolar is like a molar in nearly all, the one before it in many
    (common knowledge, no source for the shares).
    """
    young = generation == "deciduous"
    beside = (-0.15, 0.35)
    if kind.tooth_class == "incisor":
        peak = beside if kind.rank_back == 0 and kind.count > 1 else (0.0, 0.35)
        small = _Shape((-1.0 if young else -0.75, 0.45), (0.6, 0.4), (0.1, 0.35), _ONE_ROOT, _ONE_CUSP, peak)
        tusk = _Shape((-0.1, 0.3), (0.9, 0.5), (0.0, 0.4), _ONE_ROOT, _ONE_CUSP, (0.4, 0.4))
        share = 0.5 if kind.count == 1 or kind.continuous else 0.06
        return ((1 - share, small), (share, tusk))
    if kind.tooth_class == "canine":
        tower = _Shape((-0.65 if young else -0.4, 0.4), (0.85, 0.4), (-0.05, 0.35), _ONE_ROOT, _ONE_CUSP, (0.35, 0.35))
        low = _Shape((-1.0 if young else -0.8, 0.4), (0.55, 0.4), (0.05, 0.4), _ONE_ROOT, _ONE_CUSP, (-0.05, 0.3))
        return ((0.8, tower), (0.2, low))
    if kind.tooth_class == "premolar":
        back = min(kind.rank_back, 3)
        simple = _Shape(
            ((-0.2, -0.45, -0.7, -0.95)[back] - (0.12 if young else 0.0), 0.35),
            (0.2 + 0.08 * back, 0.33),
            (-0.15 - 0.05 * min(back, 2), 0.33),
            _PREMOLAR_ROOTS[kind.jaw][back],
            _PREMOLAR_CUSPS[min(back, 2)],
            (-0.2, 0.33) if kind.rank_front == 0 and kind.count > 1 else (-0.03, 0.25),
            ((-0.3, 0.18), (-0.28, 0.2), (-0.22, 0.25), (-0.2, 0.3))[back],
        )
        share = (0.85, 0.5, 0.12, 0.02)[back] if young else (0.25, 0.12, 0.05, 0.01)[back]
        like = _molariform(kind, (-0.1, -0.2, -0.3, -0.4)[back] - (0.05 if young else 0.0), (0.0, 0.22))
        if kind.jaw == "upper" and back == (1 if young else 0):
            # The upper carnassial of carnivores: the longest tooth of its row, narrow for its length.
            roots = _MOLAR_ROOTS["upper"]
            blade = _Shape((0.1, 0.3), (0.0, 0.35), (-0.4, 0.25), roots, _PREMOLAR_CUSPS[0], (0.25, 0.25), (-0.15, 0.2))
            rest = 1 - SECTORIAL
            return ((rest * (1 - share), simple), (rest * share, like), (SECTORIAL, blade))
        return ((1 - share, simple), (share, like))
    size = (-0.02, -0.02, -0.1, -0.2, -0.3)[min(kind.rank_front, 4)]
    usual = _molariform(kind, size, (-0.1, 0.25) if kind.rank_back == 0 else (0.05, 0.22))
    if kind.rank_back == 0 and kind.count >= 2:
        small = _Shape(
            (size - 0.4, 0.35), (0.0, 0.3), (0.1, 0.35), _LAST_ROOTS[kind.jaw], _MANY_CUSPS, (-0.3, 0.25), _BROAD
        )
        return ((0.5, usual), (0.5, small))
    return ((1.0, usual),)


def _chance_of(values: FloatArray, chances: tuple[float, ...]) -> FloatArray:
    """Return log chance of counts against an even chance, 0 where the count is unknown.

    A count from a scan is right in about half of the teeth, one off in a third, and anything in the rest.
    """
    size = len(chances)
    apart = np.abs(np.arange(size)[:, None] - np.arange(size)[None, :])
    seen = np.array(chances) @ (np.array([0.5, 0.18, 0.04, 0.01, 0.0])[apart] + 0.12 / size)
    ratio = np.log(seen * size / seen.sum())
    index = np.clip(np.nan_to_num(np.rint(values), nan=1.0), 1, size).astype(int) - 1
    return np.asarray(np.where(np.isfinite(values), ratio[index], 0.0))


def _shape_ratio(shape: _Shape, seen: Features, widen: FloatArray) -> FloatArray:
    total = np.zeros_like(seen.size)
    for values, (mean, spread), (any_mean, any_spread), noise in (
        (seen.size, shape.size, (-0.6, 0.8), 0.1),
        (seen.height, shape.height, (0.3, 0.7), 0.2),
        (seen.width, shape.width, (0.0, 0.6), 0.15),
    ):
        total += _log_t(values, mean, np.hypot(spread, noise) * widen) - _log_t(values, any_mean, any_spread)
    total += seen.root_trust * _chance_of(seen.roots, shape.roots) * (1 - 0.5 * seen.young)
    total += 0.8 * seen.cusp_trust * _chance_of(seen.cusps, shape.cusps)
    known = np.isfinite(seen.spread)
    if shape.spread is not None and known.any():
        mean, spread = shape.spread
        total[known] += _log_t(seen.spread[known], mean, np.hypot(spread, 0.06)) - _log_t(
            seen.spread[known], -0.15, 0.3
        )
    known = np.isfinite(seen.peak)
    total[known] += _log_t(seen.peak[known], *shape.peak) - _log_t(seen.peak[known], 0.0, 0.45)
    return FORM_WEIGHT * total


_SAME: Mapping[ToothClass, tuple[tuple[float, float], ...]] = {
    "premolar": ((-0.05, 0.2), (0.05, 0.2), (0.3, 0.9), (-0.05, 0.15)),
    "molar": ((0.0, 0.16), (0.0, 0.18), (0.0, 0.9), (0.0, 0.1)),
}
_CHANGE = ((-0.3, 0.3), (0.2, 0.35), (1.8, 1.4), (0.3, 0.2))
_ANY = ((-0.08, 0.35), (0.05, 0.35), (0.4, 1.6), (0.05, 0.25))


def _steps(seen: Features, tooth_class: ToothClass, likeness: float) -> FloatArray:
    """Return log weights of the change from the tooth in front, alike with this chance, else changing
    much."""
    total = np.zeros_like(seen.size)
    trusts = (1.0, 1.0, seen.cusp_trust, 1.0)
    for step, same, change, any_, trust in zip(seen.steps, _SAME[tooth_class], _CHANGE, _ANY, trusts, strict=True):
        known = np.isfinite(step)
        density = likeness * np.exp(_log_t(step[known], *same))
        density += (1 - likeness) * np.exp(_log_t(step[known], *change))
        total[known] += trust * (np.log(density) - _log_t(step[known], *any_))
    return STEP_WEIGHT * total


def first_molar_steps(seen: Features) -> tuple[FloatArray, FloatArray]:
    """Return log weights of the change to a first molar: from a deciduous premolar, and from a permanent
    one.

    The deciduous premolar is like the molar behind it; from the permanent one to the molar, form changes
    most.
    """
    return _steps(seen, "molar", 0.75), _steps(seen, "molar", 0.3)


def _from_midline(lengths: FloatArray, first: bool) -> FloatArray:
    """Return log weights of an incisor's distance from the midline, in its own lengths.

    The first stands beside its mirror tooth; where there is room for another tooth between the two, one before them
    has fallen out or has yet to come. The others leave that room. (Anatomy of the closed front row; spreads wide, as
    some mammals have a gap in the middle.)
    """
    if first:
        return np.asarray(np.maximum(_log_t(lengths, 0.8, 0.45) - _log_t(lengths, 1.5, 1.2), -3.0))
    return -2.0 / (1 + np.exp(np.clip((lengths - 0.8) / 0.12, -30, 30)))


def form_ratio(kind: Kind, generation: Generation, seen: Features) -> FloatArray:
    """Return (n,) log of (density of each column's form at this locus / density for any object)."""
    widen = 1.0 + 0.6 * seen.young
    shapes = _shapes(kind, generation)
    total = np.asarray(
        logsumexp(np.stack([np.log(share) + _shape_ratio(shape, seen, widen) for share, shape in shapes]), axis=0)
    )
    if kind.rank_front > 0 and kind.tooth_class in _SAME:
        # The last deciduous premolars turn from premolar to molar form, now at one, now at the other.
        turning = generation == "deciduous" and kind.rank_back <= 1
        total += _steps(seen, kind.tooth_class, 0.5 if turning else 0.9)
    known = np.isfinite(seen.premaxilla)
    if known.any() and kind.jaw == "upper":
        p = np.clip(seen.premaxilla[known], 0.03, 0.97)
        total[known] += np.log(2 * (p if kind.tooth_class == "incisor" else 1 - p))
    if kind.tooth_class == "incisor" and np.isfinite(seen.midline).all():
        total += _from_midline(seen.midline, kind.rank_front == 0)
    total += _log_t(seen.offset, 0.0, 0.5 * widen) - _log_t(seen.offset, 0.0, 1.2)
    return np.asarray(total)
