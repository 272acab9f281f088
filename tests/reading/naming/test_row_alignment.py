"""The sums and choices of the alignment of columns with loci, against the same by listing every way there is."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from ossicle.reading.naming.alignment import decode, evidence, marginals, row_indices
from ossicle.reading.naming.knowledge import TIMES
from ossicle.reading.naming.weights import Move, Weights

AGES = len(TIMES)
KINDS = [
    SimpleNamespace(tooth_class="premolar", position=3),
    SimpleNamespace(tooth_class="premolar", position=4),
    SimpleNamespace(tooth_class="molar", position=1),
]
MOVES: tuple[tuple[int, int, tuple[str, ...]], ...] = (
    (0, 0, ()),
    (1, 0, ("permanent",)),
    (0, 1, ("permanent",)),
    (1, 1, ("deciduous", "permanent")),
    (2, 0, ("deciduous", "permanent")),
)
NAMES: dict[Any, int] = {
    (kind.tooth_class, kind.position, generation): 2 * k + g
    for k, kind in enumerate(KINDS)
    for g, generation in enumerate(("deciduous", "permanent"))
}


def weights(line: int, under: int, seed: int = 1) -> Weights:
    """Return weights drawn at random, for so many columns of the line of teeth and under it."""
    rng = np.random.default_rng(seed)
    shape = (AGES, line + 1, under + 1)
    moves = tuple(tuple(Move(a, b, names, rng.uniform(0.1, 2.0, shape)) for a, b, names in MOVES) for _ in KINDS)  # type: ignore[arg-type]
    stray_line, stray_under = rng.uniform(0.05, 0.4, line), rng.uniform(0.05, 0.4, under)
    return Weights(moves, stray_line, stray_under, np.full(line + under, 0.5))


Way = list[tuple[int, int, int, int]]
"""Of each locus: which move it takes, and how many columns of the line and under it were taken before."""


def ways(row: tuple[int, ...], given: Weights) -> Iterator[tuple[Way, list[int], list[int]]]:
    """List every way in which a row takes columns in their order, with the strays of the line and under it."""
    n, m = len(given.stray_line), len(given.stray_under)
    for chosen in itertools.product(range(len(MOVES)), repeat=len(row)):
        spare_line = n - sum(MOVES[c][0] for c in chosen)
        spare_under = m - sum(MOVES[c][1] for c in chosen)
        if spare_line < 0 or spare_under < 0:
            continue
        for gaps_line in _shared(spare_line, len(row) + 1):
            for gaps_under in _shared(spare_under, len(row) + 1):
                way: Way = []
                strays: tuple[list[int], list[int]] = ([], [])
                i = j = 0
                for step in range(len(row) + 1):
                    strays[0].extend(range(i, i + gaps_line[step]))
                    strays[1].extend(range(j, j + gaps_under[step]))
                    i, j = i + gaps_line[step], j + gaps_under[step]
                    if step < len(row):
                        way.append((row[step], chosen[step], i, j))
                        i, j = i + MOVES[chosen[step]][0], j + MOVES[chosen[step]][1]
                yield way, *strays


def _shared(many: int, among: int) -> Iterator[tuple[int, ...]]:
    """Every way to share out ``many`` among ``among`` places."""
    for bars in itertools.combinations(range(many + among - 1), among - 1):
        edges = (-1, *bars, many + among - 1)
        yield tuple(b - a - 1 for a, b in itertools.pairwise(edges))


def worth(way: Way, line: list[int], under: list[int], given: Weights) -> np.ndarray:
    """What a way weighs at each age: the product of its moves and strays."""
    out = np.full(AGES, math.prod(given.stray_line[line]) * math.prod(given.stray_under[under]))
    for kind, move, i, j in way:
        out = out * given.moves[kind][move].weight[:, i, j]
    return out


def named(way: Way, columns_of_line: int) -> tuple[dict[int, int], list[tuple[int, int]]]:
    """Name of each column that a way gives one, and the pairs of deciduous tooth and successor."""
    labels: dict[int, int] = {}
    pairs = []
    for kind, move, i, j in way:
        a, b, generations = MOVES[move]
        taken = [i + t for t in range(a)] + [columns_of_line + j + t for t in range(b)]
        own = KINDS[kind]
        labels |= {c: NAMES[own.tooth_class, own.position, g] for c, g in zip(taken, generations, strict=True)}
        if len(taken) == 2:
            pairs.append((taken[0], taken[1]))
    return labels, pairs


SHAPES = [(0, 0), (1, 0), (0, 1), (2, 1), (3, 2)]
ROW = (0, 1, 2)


@pytest.mark.parametrize(("line", "under"), SHAPES)
def test_evidence_is_the_sum_over_every_way(line: int, under: int) -> None:
    given = weights(line, under)
    rows = [ROW, (0, 1), (0,), (), ROW, (2, 2)]
    got = evidence(rows, given)
    for row, at in zip(rows, got, strict=True):
        every = sum((worth(*way, given) for way in ways(row, given)), np.zeros(AGES))
        np.testing.assert_allclose(np.exp(at), every, rtol=1e-9)


def test_a_row_that_cannot_be_has_no_evidence_and_its_neighbours_keep_theirs() -> None:
    given = weights(2, 0)
    closed = tuple(Move(m.line, m.under, m.names, m.weight * 0) for m in given.moves[2])
    shut = Weights((*given.moves[:2], closed), given.stray_line, given.stray_under, given.false_share)
    got = evidence([(0, 2), (0, 1), (2, 1)], shut)
    assert np.isneginf(got[[0, 2]]).all()
    np.testing.assert_allclose(got[1], evidence([(0, 1)], given)[0])


def test_evidence_does_not_run_out_of_numbers_in_long_rows() -> None:
    given = weights(1, 1)
    small = tuple(tuple(Move(m.line, m.under, m.names, m.weight * 1e-60) for m in of) for of in given.moves)
    row = ROW * 3
    thin = Weights(small, given.stray_line, given.stray_under, given.false_share)
    np.testing.assert_allclose(evidence([row], thin)[0], evidence([row], given)[0] + 9 * math.log(1e-60), rtol=1e-9)


@pytest.mark.parametrize(("line", "under"), SHAPES[1:])
def test_marginals_are_the_shares_of_every_way(line: int, under: int) -> None:
    given = weights(line, under, seed=2)
    size = len(NAMES)
    chances, successions = marginals(ROW, KINDS, given, NAMES, size)  # type: ignore[arg-type]
    columns = line + under
    names, pairs = np.zeros((AGES, columns, size + 1)), np.zeros((AGES, columns, columns))
    whole = np.zeros(AGES)
    for way in ways(ROW, given):
        mass = worth(*way, given)
        whole += mass
        labels, couples = named(way[0], line)
        for column in range(columns):
            names[:, column, labels.get(column, size)] += mass
        for a, b in couples:
            pairs[:, a, b] += mass
            pairs[:, b, a] += mass
    np.testing.assert_allclose(chances, names / whole[:, None, None], atol=1e-9)
    np.testing.assert_allclose(successions, pairs / whole[:, None, None], atol=1e-9)
    np.testing.assert_allclose(chances.sum(axis=2), 1.0)


def test_marginals_of_a_row_that_cannot_be_are_all_strays() -> None:
    given = weights(1, 1)
    shut = Weights(
        tuple(tuple(Move(m.line, m.under, m.names, m.weight * 0) for m in of) for of in given.moves),
        given.stray_line, given.stray_under, given.false_share,
    )  # fmt: skip
    chances, successions = marginals(ROW, KINDS, shut, NAMES, len(NAMES))  # type: ignore[arg-type]
    np.testing.assert_array_equal(chances[:, :, -1], 1.0)
    np.testing.assert_array_equal(successions, 0.0)


@pytest.mark.parametrize(("line", "under"), [(1, 0), (0, 2), (2, 1), (3, 2)])
@pytest.mark.parametrize("seed", [3, 4, 5])
def test_decode_is_the_best_of_every_way(line: int, under: int, seed: int) -> None:
    """The greatest sum of chances of names and successions, found by trying all."""
    given = weights(line, under, seed)
    rng = np.random.default_rng(seed)
    columns = line + under
    chance = rng.dirichlet(np.ones(len(NAMES) + 1), columns)
    pairs = rng.uniform(0, 0.3, (columns, columns))
    got = decode(ROW, KINDS, given, NAMES, chance, pairs)  # type: ignore[arg-type]
    scores = {}
    for way in ways(ROW, given):
        labels, couples = named(way[0], line)
        told = tuple(labels.get(c, len(NAMES)) for c in range(columns))
        score = sum(chance[c, n] for c, n in enumerate(told)) + sum(pairs[a, b] for a, b in couples)
        scores[told] = max(score, scores.get(told, -1.0))
    best = max(scores, key=lambda told: scores[told])
    by_number = {number: name for name, number in NAMES.items()}
    assert got.names == tuple(by_number.get(n) for n in best)
    assert got.score == pytest.approx(scores[best])


def test_decode_takes_no_move_that_weighs_nothing_at_any_age() -> None:
    given = weights(1, 1, seed=6)
    shut = tuple(
        tuple(m if m.line + m.under == 0 else Move(m.line, m.under, m.names, m.weight * 0) for m in of)
        for of in given.moves
    )
    only = Weights(shut, given.stray_line, given.stray_under, given.false_share)
    chance = np.zeros((2, len(NAMES) + 1))
    chance[:, 1] = 1.0
    got = decode(ROW, KINDS, only, NAMES, chance, np.ones((2, 2)))  # type: ignore[arg-type]
    assert got.names == (None, None)
    assert got.score == 0.0


def test_a_move_that_weighs_something_at_one_age_alone_may_be_taken() -> None:
    given = weights(1, 0, seed=7)
    once = np.zeros((AGES, 2, 1))
    once[0] = 1.0
    moves = tuple(tuple(Move(m.line, m.under, m.names, once) for m in of) for of in given.moves)
    only = Weights(moves, given.stray_line, given.stray_under, given.false_share)
    chance = np.zeros((1, len(NAMES) + 1))
    chance[0, NAMES["molar", 1, "permanent"]] = 0.9
    got = decode(ROW, KINDS, only, NAMES, chance, np.zeros((1, 1)))  # type: ignore[arg-type]
    assert got.names == (("molar", 1, "permanent"),)


def test_the_first_column_may_be_a_stray_though_every_locus_has_its_tooth() -> None:
    given = weights(4, 0, seed=8)
    chance = np.full((4, len(NAMES) + 1), 0.01)
    chance[0, -1] = 0.9
    for column, kind in enumerate(KINDS, start=1):
        chance[column, NAMES[kind.tooth_class, kind.position, "permanent"]] = 0.9
    got = decode(ROW, KINDS, given, NAMES, chance, np.zeros((4, 4)))  # type: ignore[arg-type]
    assert got.names == (None, *((k.tooth_class, k.position, "permanent") for k in KINDS))
    assert got.score == pytest.approx(3.6)


def test_a_deciduous_tooth_and_its_successor_may_stand_one_behind_the_other() -> None:
    given = weights(2, 0, seed=9)
    chance = np.zeros((2, len(NAMES) + 1))
    chance[0, NAMES["premolar", 4, "deciduous"]] = 0.1
    got = decode(ROW, KINDS, given, NAMES, chance, np.ones((2, 2)))  # type: ignore[arg-type]
    assert got.names == (("premolar", 4, "deciduous"), ("premolar", 4, "permanent"))
    assert got.score == pytest.approx(1.1)


def test_rows_are_told_by_the_numbers_of_their_distinct_kinds() -> None:
    first, second, third = KINDS
    rows = [(first, second), (second, third), ()]
    hashed = [tuple(_Kind(k.tooth_class, k.position) for k in row) for row in rows]
    indexed, kinds = row_indices(hashed)  # type: ignore[arg-type]
    assert indexed == [(0, 1), (1, 2), ()]
    assert kinds == [_Kind("premolar", 3), _Kind("premolar", 4), _Kind("molar", 1)]


class _Kind(tuple[str, int]):
    __slots__ = ()

    def __new__(cls, tooth_class: str, position: int) -> _Kind:
        return super().__new__(cls, (tooth_class, position))
