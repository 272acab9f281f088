"""Specimens of one kind in order of eruption, by what they show themselves; no table of eruption is needed.

Each specimen's score is the mean progress of its loci. A locus out of line, where what the other specimens of its place
in the series show is far off (a tooth lost after death, a wrong name), counts as they show it, and is told. What others
show is a rising curve for each locus (isotonic regression: Barlow et al. 1972, Statistical Inference under Order
Restrictions) of progress against score.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.optimize import isotonic_regression

from ossicle.errors import OssicleError

from ..specimens import Compared
from .progress import ERUPTS, Progress, progress_of

__all__ = ["Course", "Entry", "Series", "arrange", "eruption_intervals", "eruption_scores"]

FloatArray = npt.NDArray[np.float64]
FAR = 0.35
"""A locus further than this from what the others show is out of line. Convention of this program."""

ERROR, WRONG = 0.05, 0.3
"""Error of one locus' progress as read, and the mean error where its name is wrong."""


@dataclass(frozen=True)
class Entry:
    """A specimen in a series: ``score`` 0 to 1 with its standard error; ``tied`` says that its order against the next
    is not told (their scores lie within twice their error). ``out_of_line`` are loci that do not fit its place.
    """

    specimen: Compared
    score: float
    error: float
    age: float | None
    stage: str | None
    tied: bool
    out_of_line: tuple[str, ...]


@dataclass(frozen=True)
class Course:
    """Curves of all loci: progress (k, m) at scores (k,), rising; ``scores`` run from 0 to 1."""

    scores: FloatArray
    progress: FloatArray

    def at(self, score: npt.ArrayLike) -> FloatArray:
        """Progress of all loci at scores: (..., m)."""
        s = np.asarray(score, float)
        return np.stack([np.interp(s, self.scores, column) for column in self.progress.T], axis=-1)

    def reaches(self, level: float) -> FloatArray:
        """The score at which each locus (m,) reaches a level of progress, NaN where it never does."""
        fine = np.linspace(0, 1, 2001)
        over = self.at(fine) >= level
        out: FloatArray = np.where(over.any(axis=0), fine[np.argmax(over, axis=0)], np.nan)
        return out


@dataclass(frozen=True)
class Series:
    """Specimens from young to old, the progress of their loci in that order, and the curves through them."""

    entries: tuple[Entry, ...]
    progress: Progress
    course: Course
    spread: float
    """Standard deviation of one locus about the curves, from specimens left out in turn."""
    notes: tuple[str, ...] = ()


def arrange(specimens: Sequence[Compared], ages: Sequence[float | None] | None = None) -> Series:
    """Order specimens by eruption.

    Parameters
    ----------
    specimens
        Three or more, of one kind.
    ages
        Known ages in any one unit, None where unknown; they are not used for the order.

    Raises
    ------
    OssicleError
        There are fewer than three specimens, or no tooth in any of them.
    """
    if len(specimens) < 3:
        raise OssicleError(f"{len(specimens)} specimens are no series", mend="give three or more")
    known = list(ages) if ages is not None else [None] * len(specimens)
    if len(known) != len(specimens):
        raise OssicleError("there are more or fewer ages than specimens", mend="give one of each, or leave it empty")
    progress = progress_of(specimens)
    if not progress.tracks:
        raise OssicleError("no tooth was found in any of the specimens", mend="give specimens with teeth")
    scores, out = eruption_scores(progress)
    rank = np.argsort(np.round(scores, 3), kind="stable")  # of those alike the one given first stays first
    errors = _errors(progress)
    names = progress.names()
    entries = []
    for place, i in enumerate(rank):
        after = rank[place + 1] if place + 1 < len(rank) else None
        tied = after is not None and scores[after] - scores[i] < 2 * float(np.hypot(errors[i], errors[after]))
        s = specimens[i]
        entries.append(
            Entry(
                s,
                float(scores[i]),
                float(errors[i]),
                known[i],
                s.account.formula.stage.name,
                bool(tied),
                tuple(n for n, far in zip(names, out[i], strict=True) if far),
            )
        )
    ordered = Progress(progress.tracks, progress.values[rank], progress.sure[rank], progress.replaced)
    course = _course(scores[rank], ordered.values, out[rank])
    return Series(tuple(entries), ordered, course, _spread(scores[rank], ordered.values), _notes(entries))


def eruption_scores(progress: Progress) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Return the scores (n,) of specimens, and which of their loci (n, m) are out of line."""
    values = progress.values
    n = len(values)
    filled = np.where(np.isfinite(values), values, np.nanmean(values, axis=1, keepdims=True))
    scores = np.asarray(filled.mean(axis=1))
    far = np.zeros(values.shape, bool)
    for _ in range(4):
        expected = np.empty_like(values)
        for i in range(n):
            others = np.arange(n) != i
            expected[i] = _course(scores[others], values[others], far[others]).at(scores[i])
        far = np.isfinite(values) & (np.abs(values - expected) > FAR)
        # never set aside more than a quarter: then it is the specimen that differs, not its loci
        many = far.sum(axis=1) > 0.25 * values.shape[1]
        far[many] = False
        used = np.where(far | ~np.isfinite(values), expected, values)
        again = used.mean(axis=1)
        if np.allclose(again, scores, atol=1e-6):
            break
        scores = again
    return scores, far


def _course(scores: FloatArray, values: FloatArray, far: npt.NDArray[np.bool_]) -> Course:
    """Rising curves through (scores, values), anchored at nothing and at all."""
    order = np.argsort(scores, kind="stable")
    at = np.concatenate([[0.0], np.clip(scores[order], 0, 1), [1.0]])
    columns = []
    for j in range(values.shape[1]):
        v = values[order, j]
        use = np.isfinite(v) & ~far[order, j]
        if not use.any():
            use = np.isfinite(v)
        if not use.any():
            columns.append(at.copy())
            continue
        rising = np.asarray(isotonic_regression(v[use]).x)
        x = np.concatenate([[0.0], np.clip(scores[order][use], 0, 1), [1.0]])
        # nothing is known beyond the last specimen: a locus that has begun is taken to end as it should
        y = np.concatenate([[min(0.0, rising[0])], rising, [max(1.0, rising[-1])]])
        columns.append(np.interp(at, x, y))
    return Course(at, np.stack(columns, axis=1))


def _errors(progress: Progress) -> FloatArray:
    wrong = np.clip(1 - progress.sure, 0, 1)
    each = np.where(np.isfinite(progress.values), ERROR**2 + wrong * WRONG**2, WRONG**2)
    out: FloatArray = np.sqrt(each.sum(axis=1)) / progress.values.shape[1]
    return out


def _spread(scores: FloatArray, values: FloatArray) -> float:
    left = []
    none = np.zeros(values.shape, bool)
    for i in range(1, len(scores) - 1):
        others = np.arange(len(scores)) != i
        gap = values[i] - _course(scores[others], values[others], none[others]).at(scores[i])
        left.append(gap[np.isfinite(gap)])
    flat = np.concatenate(left) if left else np.zeros(1)
    # by the median: a few loci out of line do not widen it
    return max(0.08, 1.4826 * float(np.median(np.abs(flat)))) if flat.size else 0.08


def _notes(entries: Sequence[Entry]) -> tuple[str, ...]:
    notes = []
    for one, two in pairwise(entries):
        if one.tied:
            notes.append(f"{one.specimen.name} and {two.specimen.name} are not told apart by eruption.")
    for e in entries:
        if e.out_of_line:
            notes.append(f"{e.specimen.name}: {', '.join(e.out_of_line)} out of line with its place in the series.")
    kinds = {e.specimen.account.formula.dentition for e in entries}
    if len(kinds) > 1:
        notes.append(
            "The specimens were read by different dentitions "
            f"({', '.join(sorted(str(k) for k in kinds))}); read them again with one of them, by --dentition."
        )
    return tuple(notes)


def eruption_intervals(series: Series) -> dict[str, tuple[str | None, str | None]]:
    """Return for each locus between which specimens its lasting tooth comes through: the last in which it has not, and
    the first in which it has (None: before the first, after the last). Where ages are known they bound its age.
    """
    out = {}
    for j, name in enumerate(series.progress.names()):
        v = series.progress.values[:, j]
        there = [i for i in range(len(v)) if np.isfinite(v[i]) and v[i] >= ERUPTS]
        first = there[0] if there else None
        before = [i for i in range(len(v)) if np.isfinite(v[i]) and v[i] < ERUPTS and (first is None or i < first)]
        out[name] = (
            series.entries[before[-1]].specimen.name if before else None,
            series.entries[first].specimen.name if first is not None else None,
        )
    return out
