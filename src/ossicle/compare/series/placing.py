"""Where a specimen belongs in a series, how sure that is, how old it may be, and what is to erupt next."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import isotonic_regression

from ossicle.anatomy import Dentition, Locus, ToothName, eruption_order
from ossicle.errors import OssicleError

from ..specimens import Compared
from .ordering import Series
from .progress import ERUPTS, progress_of

__all__ = ["AgeInterval", "Placed", "age_of", "expected_next", "next_by_order", "place"]

FloatArray = npt.NDArray[np.float64]
CREDIBLE = 0.95
GRID = np.linspace(0, 1, 1001)


@dataclass(frozen=True)
class AgeInterval:
    """An age from those known in the series, in their unit: ``low`` or ``high`` None where no specimen bounds it."""

    estimate: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Placed:
    """A specimen's place in a series.

    ``score`` (0 to 1, as of the entries) with its 95 % credible interval; ``after`` and ``before`` name the specimens
    between which it stands, ``earliest`` and ``latest`` those between which it may (None: before the first or after the
    last). ``stages`` are the chances of the stages that the series' specimens bear. ``unlike`` are loci that do not
    fit.
    """

    specimen: Compared
    score: float
    interval: tuple[float, float]
    after: str | None
    before: str | None
    earliest: str | None
    latest: str | None
    stages: tuple[tuple[str, float], ...]
    age: AgeInterval
    next: tuple[str, ...]
    unlike: tuple[str, ...]


def place(series: Series, specimen: Compared) -> Placed:
    """Place a specimen in a series by what its loci show.

    Each locus is taken to lie about the series' curve with the series' own spread, or, with a small chance that grows
    as its teeth are less sure, anywhere (a mixture, so that a lost tooth does not decide); all scores are as likely
    beforehand.

    Raises
    ------
    OssicleError
        It shares no locus with the series.
    """
    known = dict(zip(series.progress.tracks, (bool(r) for r in series.progress.replaced), strict=True))
    own = progress_of([specimen], known)
    seen = np.isfinite(own.values[0])
    if not specimen.account.teeth or not seen.any():
        raise OssicleError("it shares no locus with the series", where=specimen.name, mend="read it again")
    values, sure = own.values[0][seen], own.sure[0][seen]
    expected = series.course.at(GRID)[:, seen]
    off = values - expected
    wrong = np.clip(0.03 + 0.5 * (1 - sure), 0.03, 0.6)
    bell = np.exp(-0.5 * (off / series.spread) ** 2) / (series.spread * np.sqrt(2 * np.pi))
    logs = np.log((1 - wrong) * bell + wrong).sum(axis=1)
    weight = np.exp(logs - logs.max())
    weight /= weight.sum()
    best = float(GRID[int(np.argmax(weight))])
    low, high = _credible(weight)
    scores = np.array([e.score for e in series.entries])
    names = [e.specimen.name for e in series.entries]
    here = series.course.at(best)[seen]
    unlike = [n for n, g in zip(np.array(own.names())[seen], np.abs(values - here), strict=True) if g > 0.35]
    return Placed(
        specimen,
        best,
        (low, high),
        *_around(scores, names, best),
        _around(scores, names, low)[0],
        _around(scores, names, high)[1],
        _stages(series, weight),
        age_of(series, best, (low, high)),
        expected_next(series, specimen, best),
        tuple(str(n) for n in unlike),
    )


def _credible(weight: FloatArray) -> tuple[float, float]:
    """The narrowest run of scores about the best that holds 95 %."""
    order = np.argsort(weight)[::-1]
    count = int(np.searchsorted(np.cumsum(weight[order]), CREDIBLE)) + 1
    held = GRID[order[:count]]
    return float(held.min()), float(held.max())


def _around(scores: FloatArray, names: list[str], at: float) -> tuple[str | None, str | None]:
    after = [n for n, s in zip(names, scores, strict=True) if s <= at]
    before = [n for n, s in zip(names, scores, strict=True) if s > at]
    return (after[-1] if after else None), (before[0] if before else None)


def _stages(series: Series, weight: FloatArray) -> tuple[tuple[str, float], ...]:
    """Each score bears the stage of the nearest specimen; several as near share it."""
    apart = np.abs(GRID[:, None] - np.array([e.score for e in series.entries]))
    near = apart <= apart.min(axis=1, keepdims=True) + 0.005
    each = (weight[:, None] * near / near.sum(axis=1, keepdims=True)).sum(axis=0)
    chances: dict[str, float] = {}
    for w, entry in zip(each, series.entries, strict=True):
        stage = entry.stage or "no stage"
        chances[stage] = chances.get(stage, 0.0) + float(w)
    return tuple(sorted(((s, p) for s, p in chances.items() if p >= 0.005), key=lambda x: -x[1]))


def age_of(series: Series, score: float, interval: tuple[float, float]) -> AgeInterval:
    """Return the age at a score, from the specimens whose age is known.

    The estimate lies on a rising curve through them. The bounds are the ages of the last specimen below the interval
    and the first above it: nothing is said beyond the known ages, and how much individuals vary is not in it.
    """
    known = [(e.score, e.age) for e in series.entries if e.age is not None]
    if len(known) < 2:
        return AgeInterval(None, None, None)
    scores = np.array([s for s, _ in known])
    ages = np.asarray(isotonic_regression(np.array([a for _, a in known], float)).x)
    inside = scores.min() <= score <= scores.max()
    below = [float(a) for s, a in zip(scores, ages, strict=True) if s <= interval[0]]
    above = [float(a) for s, a in zip(scores, ages, strict=True) if s >= interval[1]]
    estimate = float(np.interp(score, scores, ages)) if inside else None
    return AgeInterval(estimate, max(below) if below else None, min(above) if above else None)


def expected_next(series: Series, specimen: Compared, score: float, count: int = 4) -> tuple[str, ...]:
    """Return the loci at which a tooth is to come through next, the first first, as the series has it.

    Loci at which this specimen shows it through are left out, whatever the series says, and so are those that had come
    through in the series well before.
    """
    known = dict(zip(series.progress.tracks, (bool(r) for r in series.progress.replaced), strict=True))
    own = progress_of([specimen], known)
    reached = series.course.reaches(ERUPTS)
    waiting = [
        (float(r), name)
        for r, name, p in zip(reached, own.names(), own.values[0], strict=True)
        if np.isfinite(r) and np.isfinite(p) and p < ERUPTS and r >= score - series.spread
    ]
    return tuple(name for _, name in sorted(waiting)[:count])


def next_by_order(specimen: Compared, dentition: Dentition) -> tuple[tuple[str, ...], str]:
    """Return the teeth that the dentition's order of eruption expects next, and what that order rests on.

    They are the first group of the order that holds a tooth still to come: seen in its crypt, or not seen at a locus
    whose later teeth have not come through either.
    """
    through = {t.name for t in specimen.account.teeth if t.emergence != "in_crypt"}
    waiting = {t.name for t in specimen.account.teeth if t.emergence == "in_crypt"}
    order = eruption_order(dentition)
    for i, group in enumerate(order.steps):
        names = [str(t) for t in group if not _passed(t, through)]
        later = any(str(t) in through for step in order.steps[i + 1 :] for t in step)
        to_come = [n for n in names if n in waiting or not later]
        if to_come:
            return tuple(to_come), order.basis
    return (), order.basis


def _passed(tooth: ToothName, through: set[str]) -> bool:
    """Whether a tooth has come through, or its successor has."""
    lasting = str(Locus(tooth.jaw, None, tooth.tooth_class, tooth.position))
    return str(tooth) in through or (tooth.deciduous and lasting in through)
