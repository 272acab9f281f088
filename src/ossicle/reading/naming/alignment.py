"""Alignment of one jaw's columns with rows of loci, for many rows and dental ages at once.

The sum over all order-keeping alignments by the forward and backward recursions of a hidden Markov model
(Rabiner 1989; Durbin et al. 1998 for pairwise alignment), with two queues of columns: the line of teeth,
and what lies under it. Rows that begin alike share the forward recursion (a trie).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..records import Generation, ToothClass
from .candidates import Kind, RowTemplate
from .knowledge import TIMES
from .weights import Move, Weights

__all__ = ["Decoded", "Name", "decode", "evidence", "marginals", "row_indices"]

FloatArray = npt.NDArray[np.float64]
Name = tuple[ToothClass, int, Generation]
"""Class, position, generation."""


def _stray(alpha: FloatArray, weights: Weights) -> None:
    """Let any columns be strays before the next locus, in place: line columns first, then under columns."""
    for i, w in enumerate(weights.stray_line):
        alpha[..., i + 1, :] += alpha[..., i, :] * w
    for j, w in enumerate(weights.stray_under):
        alpha[..., :, j + 1] += alpha[..., :, j] * w


def _stray_back(beta: FloatArray, weights: Weights) -> None:
    """The transpose of ``_stray``, in place."""
    for j in range(len(weights.stray_under) - 1, -1, -1):
        beta[..., :, j] += beta[..., :, j + 1] * weights.stray_under[j]
    for i in range(len(weights.stray_line) - 1, -1, -1):
        beta[..., i, :] += beta[..., i + 1, :] * weights.stray_line[i]


def _start(weights: Weights) -> FloatArray:
    alpha = np.zeros((len(TIMES), len(weights.stray_line) + 1, len(weights.stray_under) + 1))
    alpha[:, 0, 0] = 1.0
    _stray(alpha, weights)
    return alpha


def _step(alpha: FloatArray, kind: int, weights: Weights) -> FloatArray:
    """Return the sums after one locus, strays before the next included."""
    after = np.zeros_like(alpha)
    n, m = alpha.shape[-2:]
    for move in weights.moves[kind]:
        a, b = move.line, move.under
        if n - a > 0 and m - b > 0:
            after[..., a:, b:] += alpha[..., : n - a, : m - b] * move.weight[:, : n - a, : m - b]
    _stray(after, weights)
    return after


def evidence(rows: Sequence[tuple[int, ...]], weights: Weights) -> FloatArray:
    """Return (rows, ages) log evidence; each row is given by the indices of its kinds."""
    result = np.full((len(rows), len(TIMES)), -np.inf)
    children: dict[tuple[int, ...], set[int]] = {}
    ends: dict[tuple[int, ...], list[int]] = {}
    for number, row in enumerate(rows):
        ends.setdefault(row, []).append(number)
        for depth in range(len(row)):
            children.setdefault(row[:depth], set()).add(row[depth])

    def visit(prefix: tuple[int, ...], alpha: FloatArray, scale: float) -> None:
        top = float(alpha.max())
        if top <= 0.0:
            return
        alpha = alpha / top
        scale += float(np.log(top))
        with np.errstate(divide="ignore"):
            for number in ends.get(prefix, ()):
                result[number] = np.log(alpha[:, -1, -1]) + scale
        for kind in sorted(children.get(prefix, ())):
            visit((*prefix, kind), _step(alpha, kind, weights), scale)

    visit((), _start(weights), 0.0)
    return result


def marginals(
    row: tuple[int, ...], kinds: Sequence[Kind], weights: Weights, names: dict[Name, int], size: int
) -> tuple[FloatArray, FloatArray]:
    """Return the chances of names and of successions, given the row and the age.

    The first is (ages, columns, names + 1): the chance of each name of each column, the last being 'stray'.
    The second is (ages, columns, columns): the chance that one column is deciduous and the other its
    successor.
    """
    forward = [_start(weights)]
    for at in row:
        alpha = _step(forward[-1], at, weights)
        forward.append(alpha / max(float(alpha.max()), 1e-300))
    n1, n2 = len(weights.stray_line), len(weights.stray_under)
    beta = np.zeros_like(forward[0])
    beta[:, -1, -1] = 1.0
    _stray_back(beta, weights)
    result = np.zeros((len(TIMES), n1 + n2, size + 1))
    pairs = np.zeros((len(TIMES), n1 + n2, n1 + n2))
    for depth in range(len(row) - 1, -1, -1):
        kind = kinds[row[depth]]
        alpha = forward[depth]
        before = np.zeros_like(beta)
        parts: list[tuple[Move, FloatArray]] = []
        for move in weights.moves[row[depth]]:
            a, b = move.line, move.under
            if n1 + 1 - a <= 0 or n2 + 1 - b <= 0:
                continue
            onward = move.weight[:, : n1 + 1 - a, : n2 + 1 - b] * beta[:, a:, b:]
            before[:, : n1 + 1 - a, : n2 + 1 - b] += onward
            parts.append((move, alpha[:, : n1 + 1 - a, : n2 + 1 - b] * onward))
        # ``alpha`` holds the strays before this locus, so alpha * before sums to the evidence at each age.
        total = np.maximum((alpha * before).sum(axis=(1, 2)), 1e-300)[:, None, None]
        for move, mass in parts:
            if not move.names:
                continue
            share = mass / total
            labels = [names[(kind.tooth_class, kind.position, g)] for g in move.names]
            per_line, per_under = share.sum(axis=2), share.sum(axis=1)
            for t in range(move.line):
                result[:, t : t + per_line.shape[1], labels[t]] += per_line
            for t in range(move.under):
                result[:, n1 + t : n1 + t + per_under.shape[1], labels[move.line + t]] += per_under
            if move.line == 1 and move.under == 1:
                pairs[:, :n1, n1:] += share
            elif move.line == 2:
                first = np.arange(per_line.shape[1])
                pairs[:, first, first + 1] += per_line
        beta = before / max(float(before.max()), 1e-300)
        _stray_back(beta, weights)
    result[:, :, size] = np.clip(1 - result[:, :, :size].sum(axis=2), 0, 1)
    return result, pairs + pairs.transpose(0, 2, 1)


@dataclass(frozen=True)
class Decoded:
    """The best assignment: per column its name or None (a stray), and the sum of the chances of what was
    chosen."""

    names: tuple[Name | None, ...]
    score: float


def decode(
    row: tuple[int, ...],
    kinds: Sequence[Kind],
    weights: Weights,
    names: dict[Name, int],
    chance: FloatArray,
    pairs: FloatArray,
) -> Decoded:
    """Return the alignment with the greatest expected number of rightly named columns and right
    successions.

    ``chance`` is (columns, names + 1) and ``pairs`` (columns, columns) as from ``marginals``, averaged over
    rows and ages.
    """
    n1, n2 = len(weights.stray_line), len(weights.stray_under)
    stray = chance[:, -1]
    score = np.full((len(row) + 1, n1 + 1, n2 + 1), -np.inf)
    score[0, 0, 0] = 0.0
    # How each cell was reached: a move of the locus, or -1 and -2 for a stray of the line or under it.
    how = np.full(score.shape, -9)

    def settle(depth: int) -> None:
        for i in range(n1 + 1):
            for j in range(n2 + 1):
                if i > 0 and score[depth, i - 1, j] + stray[i - 1] > score[depth, i, j] + 1e-12:
                    score[depth, i, j], how[depth, i, j] = score[depth, i - 1, j] + stray[i - 1], -1
                if j > 0 and score[depth, i, j - 1] + stray[n1 + j - 1] > score[depth, i, j] + 1e-12:
                    score[depth, i, j], how[depth, i, j] = score[depth, i, j - 1] + stray[n1 + j - 1], -2

    settle(0)
    for depth, at in enumerate(row):
        kind = kinds[at]
        for number, move in enumerate(weights.moves[at]):
            a, b = move.line, move.under
            if a > n1 or b > n2:
                continue
            gain = np.where(move.weight.max(axis=0) > 0, 0.0, -np.inf)[: n1 + 1 - a, : n2 + 1 - b]
            labels = [names[(kind.tooth_class, kind.position, g)] for g in move.names]
            for t in range(a):
                gain = gain + chance[t : t + n1 + 1 - a, labels[t]][:, None]
            for t in range(b):
                gain = gain + chance[n1 + t : n1 + t + n2 + 1 - b, labels[a + t]][None, :]
            if a == 1 and b == 1:
                gain = gain + pairs[:n1, n1:]
            elif a == 2:
                first = np.arange(n1 - 1)
                gain = gain + pairs[first, first + 1][:, None]
            value = score[depth, : n1 + 1 - a, : n2 + 1 - b] + gain
            better = value > score[depth + 1, a:, b:] + 1e-12
            score[depth + 1, a:, b:] = np.where(better, value, score[depth + 1, a:, b:])
            how[depth + 1, a:, b:] = np.where(better, number, how[depth + 1, a:, b:])
        settle(depth + 1)

    found: list[Name | None] = [None] * (n1 + n2)
    depth, i, j = len(row), n1, n2
    while (depth, i, j) != (0, 0, 0):
        number = int(how[depth, i, j])
        if number == -1:
            i -= 1
        elif number == -2:
            j -= 1
        else:
            depth -= 1
            kind = kinds[row[depth]]
            move = weights.moves[row[depth]][number]
            i, j = i - move.line, j - move.under
            taken = [i + t for t in range(move.line)] + [n1 + j + t for t in range(move.under)]
            for column, generation in zip(taken, move.names, strict=True):
                found[column] = (kind.tooth_class, kind.position, generation)
    return Decoded(tuple(found), float(score[len(row), n1, n2]))


def row_indices(rows: Sequence[RowTemplate]) -> tuple[list[tuple[int, ...]], list[Kind]]:
    """Return each row as indices into the list of distinct kinds."""
    kinds: dict[Kind, int] = {}
    indexed = [tuple(kinds.setdefault(kind, len(kinds)) for kind in row) for row in rows]
    return indexed, list(kinds)
