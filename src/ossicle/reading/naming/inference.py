"""Joint inference over both jaws: rows, dental age, names."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..records import Jaw
from .alignment import Decoded, Name, decode, evidence, marginals, row_indices
from .candidates import CandidateSet, Kind, RowTemplate
from .columns import JawColumns
from .knowledge import AGE_PRIOR, AGES
from .weights import Weights, jaw_weights

__all__ = ["JawResult", "Posterior", "infer"]

FloatArray = npt.NDArray[np.float64]

_JAWS: tuple[Jaw, ...] = ("upper", "lower")
_KEPT = 0.999
"""Share of the probability whose rows enter the chances of names."""
_DECODED = 6
"""Pairs of rows compared for the one that is reported."""


@dataclass(frozen=True)
class JawResult:
    """What was found of one jaw: its columns, the chance of each name (last: stray) and of each
    succession, the chosen row and
    assignment."""

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


def _shared_age(log_evidence: FloatArray) -> FloatArray:
    """Scale (rows, ages) evidence to a maximum of one."""
    top = log_evidence.max()
    if not np.isfinite(top):
        return np.ones_like(log_evidence)
    return np.asarray(np.exp(log_evidence - top))


def _slack() -> FloatArray:
    """Return (ages, ages): how far the two jaws of one animal may differ in dental age."""
    steps = np.abs(np.arange(len(AGES))[:, None] - np.arange(len(AGES))[None, :])
    kernel = np.where(steps == 0, 0.6, np.where(steps == 1, 0.2, 0.0)) + 0.001
    return np.asarray(kernel / kernel.sum(axis=1, keepdims=True))


def infer(jaws: Mapping[Jaw, JawColumns], candidates: CandidateSet) -> Posterior:
    """Weigh all pairs of rows against the columns of both jaws and name the columns."""
    indexed: dict[Jaw, list[tuple[int, ...]]] = {}
    kinds: dict[Jaw, list[Kind]] = {}
    weights: dict[Jaw, Weights] = {}
    fit: dict[Jaw, FloatArray] = {}
    for jaw in _JAWS:
        indexed[jaw], kinds[jaw] = row_indices(candidates.rows[jaw])
        if jaw in jaws:
            weights[jaw] = jaw_weights(kinds[jaw], jaws[jaw])
            fit[jaw] = _shared_age(evidence(indexed[jaw], weights[jaw]))
        else:
            fit[jaw] = np.ones((len(indexed[jaw]), len(AGES)))

    prior = candidates.open_weights.copy()
    for _, u, v, share in candidates.listed:
        prior[u, v] += share
    slack = _slack()
    upper = fit["upper"] * AGE_PRIOR
    lower = fit["lower"] @ slack.T
    joint = prior * (upper @ lower.T)
    total = joint.sum()
    if not total > 0:
        joint, total = prior, prior.sum()
    joint = joint / total

    # Weight of each (row, age) of a jaw, the other jaw summed out.
    shares: dict[Jaw, FloatArray] = {
        "upper": upper * (prior @ lower),
        "lower": fit["lower"] * ((prior.T @ upper) @ slack),
    }
    ages = shares["upper"].sum(axis=0)
    ages = ages / ages.sum()
    mean = float(ages @ AGES)
    age = (mean, float(np.sqrt(ages @ (AGES - mean) ** 2)))

    names: dict[Jaw, dict[Name, int]] = {}
    chance: dict[Jaw, FloatArray] = {}
    succession: dict[Jaw, FloatArray] = {}
    for jaw in jaws:
        names[jaw] = {}
        for kind in kinds[jaw]:
            for generation in kind.tooth.generations:
                names[jaw].setdefault((kind.tooth_class, kind.position, generation), len(names[jaw]))
        share = shares[jaw] / shares[jaw].sum()
        per_row = share.sum(axis=1)
        order = np.argsort(-per_row, kind="stable")
        kept = order[: int(np.searchsorted(np.cumsum(per_row[order]), _KEPT)) + 1]
        size = len(names[jaw])
        count = len(jaws[jaw].all)
        sums, pair_sums = np.zeros((count, size + 1)), np.zeros((count, count))
        for row in kept:
            given, paired = marginals(indexed[jaw][row], kinds[jaw], weights[jaw], names[jaw], size)
            sums += np.einsum("a,anm->nm", share[row], given)
            pair_sums += np.einsum("a,anm->nm", share[row], paired)
        succession[jaw] = pair_sums / max(float(share[kept].sum()), 1e-300)
        chance[jaw] = sums / sums.sum(axis=1, keepdims=True)

    flat = np.argsort(-joint, axis=None, kind="stable")[: max(_DECODED, 40)]
    pairs = tuple(
        (int(u), int(v), float(joint[u, v])) for u, v in (np.unravel_index(k, joint.shape) for k in flat)
    )
    done: dict[tuple[Jaw, int], Decoded] = {}

    def decoded(jaw: Jaw, row: int) -> Decoded:
        if (jaw, row) not in done:
            done[jaw, row] = decode(
                indexed[jaw][row], kinds[jaw], weights[jaw], names[jaw], chance[jaw], succession[jaw]
            )
        return done[jaw, row]

    def expected(pair: tuple[int, int, float]) -> float:
        return (
            sum(decoded(jaw, row).score for jaw, row in zip(_JAWS, pair[:2], strict=True) if jaw in jaws)
            + pair[2]
        )

    best = max(pairs[:_DECODED], key=expected)
    chosen: dict[Jaw, int] = {"upper": best[0], "lower": best[1]}
    results = {
        jaw: JawResult(
            columns=jaws[jaw],
            names=names[jaw],
            chance=chance[jaw],
            pairs=succession[jaw],
            false_share=weights[jaw].false_share,
            row=candidates.rows[jaw][chosen[jaw]],
            decoded=decoded(jaw, chosen[jaw]),
        )
        for jaw in jaws
    }
    return Posterior(jaws=results, pairs=pairs, chosen=best[:2], age=age)
