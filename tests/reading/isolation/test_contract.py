"""Contraction of pairs, against the best partition by trying all."""

from itertools import product

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from ossicle.reading.isolate import JOIN, contract


def groups(parent: list[int]) -> list[int]:
    out = []
    for i in range(len(parent)):
        while parent[i] != i:
            i = parent[i]
        out.append(i)
    return out


def test_one_mistaken_pair_does_not_chain_a_row() -> None:
    # Teeth 1-2-3 in a row; 1 and 3 each in two pieces (4, 5); the pair 2-4 is mistaken for one, outweighed by 2-1.
    pairs = [(1, 2), (2, 3), (1, 4), (3, 5), (2, 4)]
    found = groups(contract(6, pairs, np.array([0.02, 0.05, 0.97, 0.95, JOIN + 0.1])))
    assert found[1] == found[4]
    assert found[3] == found[5]
    assert len({found[1], found[2], found[3]}) == 3


def test_nothing_is_joined_below_the_limit_and_all_above() -> None:
    pairs = [(1, 2), (2, 3)]
    assert groups(contract(4, pairs, np.full(2, JOIN - 0.01))) == [0, 1, 2, 3]
    assert groups(contract(4, pairs, np.full(2, JOIN + 0.01))) == [0, 1, 1, 1]
    assert contract(3, [], np.zeros(0)) == [0, 1, 2]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0.01, 0.99), min_size=10, max_size=10))
def test_never_worse_than_leaving_all_apart_and_near_the_best(chance: list[float]) -> None:
    pairs = [(a, b) for a in range(5) for b in range(a + 1, 5)]
    odds = np.log(np.array(chance) / (1 - np.array(chance))) - np.log(JOIN / (1 - JOIN))

    def worth(label: list[int]) -> float:
        return float(sum(w for (a, b), w in zip(pairs, odds, strict=True) if label[a] == label[b]))

    found = worth(groups(contract(5, pairs, np.array(chance))))
    best = max(worth(list(label)) for label in product(range(5), repeat=5))
    assert found >= -1e-9
    assert found >= 0.5 * best - 1e-9
