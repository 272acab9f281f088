"""Joint inference over both jaws: rows, dental age, names."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from ..records import Jaw
from .alignment import Decoded, Name, decode, evidence, marginals, row_indices
from .candidates import CandidateSet, Kind, RowTemplate
from .columns import JawColumns
from .knowledge import AGES, OCCLUSION, TIME_PRIOR, TIMES
from .weights import Weights, jaw_weights

__all__ = ["JawResult", "Posterior", "infer"]

FloatArray = npt.NDArray[np.float64]

_JAWS: tuple[Jaw, ...] = ("upper", "lower")
_KEPT = 0.999
"""Share of the probability whose rows enter the chances of names."""
_ROWS = 80
"""The most rows of a jaw that are followed up."""
_LISTED = 40
"""Pairs of rows reported at most."""
_DECODED = 6
"""Pairs of rows compared for the one that is reported."""


@dataclass(frozen=True)
class JawResult:
    """What was found of one jaw: its columns, the chance of each name (last: stray) and of each succession,
    the chosen row and assignment."""

    columns: JawColumns
    names: dict[Name, int]
    chance: FloatArray
    pairs: FloatArray
    false_share: FloatArray
    row: RowTemplate
    decoded: Decoded


@dataclass(frozen=True)
class Posterior:
    """``pairs`` are (upper row, lower row, probability) in falling order, the chosen one named by
    ``chosen``."""

    jaws: Mapping[Jaw, JawResult]
    pairs: tuple[tuple[int, int, float], ...]
    chosen: tuple[int, int]
    age: tuple[float, float]
    times: FloatArray
    """Probability of each of `knowledge.TIMES`."""


def _shared_age(log_evidence: FloatArray) -> FloatArray:
    """Scale (rows, ages) evidence to a maximum of one."""
    top = log_evidence.max()
    if not np.isfinite(top):
        return np.ones_like(log_evidence)
    return np.asarray(np.exp(log_evidence - top))


def _slack() -> FloatArray:
    """Return (times, times): how far the two jaws of one animal may differ in dental age, and in when they
    replace teeth."""
    age = np.abs(np.searchsorted(AGES, TIMES[:, 0])[:, None] - np.searchsorted(AGES, TIMES[:, 0])[None, :])
    near = np.select([age == 0, age == 1, age == 2], [0.6, 0.2, 0.02], 1e-5)
    same = np.where(TIMES[:, 1][:, None] == TIMES[:, 1][None, :], 0.9, 0.1)
    kernel = near * same
    return np.asarray(kernel / kernel.sum(axis=1, keepdims=True))


@dataclass
class _Work:
    """One jaw while it is worked on."""

    columns: JawColumns
    indexed: list[tuple[int, ...]]
    kinds: list[Kind]
    weights: Weights
    names: dict[Name, int]
    fit: FloatArray
    given: dict[int, tuple[FloatArray, FloatArray]] = field(default_factory=dict)

    def marginals(self, row: int) -> tuple[FloatArray, FloatArray]:
        """Return the chances given a row, kept for the next call."""
        if row not in self.given:
            self.given[row] = marginals(self.indexed[row], self.kinds, self.weights, self.names, len(self.names))
        return self.given[row]


def _shares(prior: FloatArray, upper: FloatArray, lower: FloatArray, slack: FloatArray) -> dict[Jaw, FloatArray]:
    """Return the probability of each (row, age) of each jaw, the other jaw summed out."""
    shares: dict[Jaw, FloatArray] = {
        "upper": upper * (prior @ (lower @ slack.T)),
        "lower": lower * ((prior.T @ upper) @ slack),
    }
    return {jaw: share / max(float(share.sum()), 1e-300) for jaw, share in shares.items()}


def _kept_rows(share: FloatArray) -> list[int]:
    """Return the rows that hold all but a thousandth of the probability, likeliest first."""
    per_row = share.sum(axis=1)
    order = np.argsort(-per_row, kind="stable")
    count = int(np.searchsorted(np.cumsum(per_row[order]), _KEPT)) + 1
    return [int(row) for row in order[: min(count, _ROWS)]]


def _first_molar(work: _Work, rows: list[int], share: FloatArray) -> FloatArray:
    """Return (rows, columns): the chance that a column is the first molar, given the row."""
    at = work.names.get(("molar", 1, "permanent"))
    found = np.zeros((len(rows), len(work.columns.all)))
    if at is not None:
        for k, row in enumerate(rows):
            ages = share[row] / max(float(share[row].sum()), 1e-300)
            found[k] = ages @ work.marginals(row)[0][:, :, at]
    return found


def _occlusion(
    works: Mapping[Jaw, _Work], rows: Mapping[Jaw, list[int]], shares: Mapping[Jaw, FloatArray]
) -> FloatArray:
    """Return (upper rows, lower rows) factors: how well the first molars of both jaws face each other.

    The lower first molar lies about half a tooth in front of the upper one. Where jaws were scanned apart
    or gape, the factor says little and costs little: it runs from 0.4 to 2.6.
    """
    first = {jaw: _first_molar(work, rows[jaw], shares[jaw]) for jaw, work in works.items()}
    u, v = works["upper"].columns.all, works["lower"].columns.all
    length = 0.5 * (np.array([c.length_mm for c in u])[:, None] + np.array([c.length_mm for c in v])[None, :])
    ahead = (np.array([c.rostral_mm for c in v])[None, :] - np.array([c.rostral_mm for c in u])[:, None]) / length
    z = (ahead - OCCLUSION[0]) / OCCLUSION[1]
    facing = 0.4 + 2.2 * (1 + z * z / 3) ** -2
    both = first["upper"].sum(axis=1)[:, None] * first["lower"].sum(axis=1)[None, :]
    return np.asarray(first["upper"] @ facing @ first["lower"].T + 1 - both)


@dataclass(frozen=True)
class _Same:
    """Candidates, told from others by which object they are."""

    candidates: CandidateSet

    def __hash__(self) -> int:
        return id(self.candidates)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and other.candidates is self.candidates


@lru_cache(maxsize=4)
def _weighed(known: _Same, jaw: Jaw, columns: JawColumns) -> _Work:
    """Return one jaw weighed against all its rows; kept, as a person's word about one jaw leaves the other as it is."""
    indexed, kinds = row_indices(known.candidates.rows[jaw])
    names: dict[Name, int] = {}
    for kind in kinds:
        for generation in kind.tooth.generations:
            names.setdefault((kind.tooth_class, kind.position, generation), len(names))
    weights = jaw_weights(kinds, columns)
    return _Work(columns, indexed, kinds, weights, names, _shared_age(evidence(indexed, weights)))


def infer(jaws: Mapping[Jaw, JawColumns], candidates: CandidateSet) -> Posterior:
    """Weigh all pairs of rows against the columns of both jaws and name the columns."""
    works = {jaw: _weighed(_Same(candidates), jaw, columns) for jaw, columns in jaws.items()}
    fit = {jaw: works[jaw].fit if jaw in works else np.ones((len(candidates.rows[jaw]), len(TIMES))) for jaw in _JAWS}

    prior = candidates.open_weights.copy()
    for _, u, v, listed in candidates.listed:
        prior[u, v] += listed
    slack = _slack()
    upper, lower = fit["upper"] * TIME_PRIOR, fit["lower"]
    shares = _shares(prior, upper, lower, slack)
    rows = {jaw: _kept_rows(shares[jaw]) for jaw in works}
    if len(works) == 2:
        prior[np.ix_(rows["upper"], rows["lower"])] *= _occlusion(works, rows, shares)
        shares = _shares(prior, upper, lower, slack)
    joint = prior * (upper @ (lower @ slack.T).T)
    joint = joint / joint.sum() if joint.sum() > 0 else prior / prior.sum()
    ages = shares["upper"].sum(axis=0)
    ages = ages / max(float(ages.sum()), 1e-300)
    mean = float(ages @ TIMES[:, 0])
    age = (mean, float(np.sqrt(ages @ (TIMES[:, 0] - mean) ** 2)))

    chance: dict[Jaw, FloatArray] = {}
    succession: dict[Jaw, FloatArray] = {}
    for jaw, work in works.items():
        share = shares[jaw]
        count = len(work.columns.all)
        sums, pair_sums = np.zeros((count, len(work.names) + 1)), np.zeros((count, count))
        for row in rows[jaw]:
            given, paired = work.marginals(row)
            sums += np.einsum("a,anm->nm", share[row], given)
            pair_sums += np.einsum("a,anm->nm", share[row], paired)
        succession[jaw] = pair_sums / max(float(share[rows[jaw]].sum()), 1e-300)
        chance[jaw] = sums / np.maximum(sums.sum(axis=1, keepdims=True), 1e-300)

    done: dict[tuple[Jaw, int], Decoded] = {}

    def decoded(jaw: Jaw, row: int) -> Decoded:
        work = works[jaw]
        if (jaw, row) not in done:
            done[jaw, row] = decode(
                work.indexed[row], work.kinds, work.weights, work.names, chance[jaw], succession[jaw]
            )
        return done[jaw, row]

    def expected(pair: tuple[int, int, float]) -> float:
        each = zip(_JAWS, pair[:2], strict=True)
        return sum(decoded(jaw, row).score for jaw, row in each if jaw in works) + pair[2]

    # A jaw that shows no tooth says nothing: its rows are summed into the likeliest.
    for axis, jaw in enumerate(_JAWS):
        if jaw not in works:
            total = joint.sum(axis=axis, keepdims=True)
            likeliest = np.zeros_like(joint)
            np.put_along_axis(likeliest, joint.argmax(axis=axis, keepdims=True), total, axis=axis)
            joint = likeliest
    flat = np.argsort(-joint, axis=None, kind="stable")[:_LISTED]
    pairs = tuple((int(u), int(v), float(joint[u, v])) for u, v in (np.unravel_index(k, joint.shape) for k in flat))
    best = max(pairs[:_DECODED], key=expected)
    chosen: dict[Jaw, int] = {"upper": best[0], "lower": best[1]}
    results = {
        jaw: JawResult(
            columns=work.columns,
            names=work.names,
            chance=chance[jaw],
            pairs=succession[jaw],
            false_share=work.weights.false_share,
            row=candidates.rows[jaw][chosen[jaw]],
            decoded=decoded(jaw, chosen[jaw]),
        )
        for jaw, work in works.items()
    }
    return Posterior(jaws=results, pairs=pairs, chosen=best[:2], age=age, times=ages)
