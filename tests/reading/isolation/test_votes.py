"""What voxels say of their tooth, pooled by label: closed forms, a plain loop, and votes read off a network."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ossicle.reading import network
from ossicle.reading.greys import Normalised
from ossicle.reading.tissue_model import CHANNELS, VOTE, tooth_chance
from ossicle.reading.votes import Votes, said


def test_spread_of_votes_round_one_place_is_their_distance_from_it() -> None:
    labels = np.zeros((4, 4, 4), np.int32)
    labels[1, 1, :] = 2
    centre = np.array([[10, 0, 3], [10, 0, -3], [10, 3, 0], [10, -3, 0]], np.float32)
    form = np.tile(np.array([0.1, 0.2, 0.3, 0.4], np.float32), (4, 1))
    index = np.ravel_multi_index((np.ones(4, int), np.ones(4, int), np.arange(4)), labels.shape)
    told = said(labels, Votes(index, centre, np.array([0, 1, 1, 1], np.float32), form))
    assert told.count.tolist() == [0, 0, 4]
    np.testing.assert_allclose(told.centre[2], (10, 0, 0))
    assert told.spread[2] == pytest.approx(3)
    assert told.deciduous[2] == pytest.approx(0.75)
    np.testing.assert_allclose(told.form[2], (0.1, 0.2, 0.3, 0.4), atol=1e-6)
    # Label 1 has no voxel: nothing is claimed of it.
    assert told.spread[1] == 0
    assert told.deciduous[1] == 0.5
    assert told.form[1].tolist() == [0.25] * 4


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=25, deadline=None)
def test_means_are_those_of_a_plain_loop(seed: int) -> None:
    rng = np.random.default_rng(seed)
    labels = rng.integers(0, 4, (5, 6, 7)).astype(np.int32)
    index = np.sort(rng.choice(labels.size, 60, replace=False))
    votes = Votes(
        index,
        rng.normal(size=(60, 3)).astype(np.float32),
        rng.random(60).astype(np.float32),
        rng.random((60, 4)).astype(np.float32),
    )
    told = said(labels, votes)
    for label in range(1, int(labels.max()) + 1):
        own = labels.ravel()[index] == label
        assert told.count[label] == own.sum()
        if own.any():
            mean = votes.centre[own].astype(float).mean(axis=0)
            np.testing.assert_allclose(told.centre[label], mean, atol=1e-6)
            off = np.linalg.norm(votes.centre[own] - mean, axis=1)
            assert told.spread[label] == pytest.approx(float(np.sqrt((off**2).mean())), abs=1e-5)
            np.testing.assert_allclose(told.form[label], votes.form[own].mean(axis=0), atol=1e-6)


def test_no_votes_and_no_labels() -> None:
    told = said(np.zeros((3, 3, 3), np.int32), Votes())
    assert told.count.tolist() == [0]
    assert told.deciduous.tolist() == [0.5]


class Pointing:
    """Stands for a network: tooth is the grey, every voxel points 1, 2 and 3 voxels on."""

    def __call__(self, grey: np.ndarray) -> np.ndarray:
        out = np.zeros((len(CHANNELS), *grey.shape), np.float32)
        out[0], out[1], out[2] = grey, grey / 2, grey / 4
        out[3], out[4], out[5] = 1, 2, 3
        out[6], out[8] = 0.7, 1
        return out


def test_votes_are_kept_where_tooth_is_likely_in_every_block(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(network, "network", lambda name: Pointing())
    monkeypatch.setattr(network, "LARGEST", 600_000)
    values = np.random.default_rng(1).uniform(0.0, 1.0, (70, 60, 110)).astype(np.float32)
    values[0, 0, 0] = values[-1, -1, -1] = 0.9  # so that all is looked at
    assert len(network.blocks(values > VOTE)) > 1
    chance = tooth_chance(Normalised(values, 1.5, 0.01), threads=2)
    np.testing.assert_array_equal(chance.tooth, values)
    np.testing.assert_array_equal(chance.enamel, values / 2)
    np.testing.assert_array_equal(chance.between, values / 4)
    votes = chance.votes
    np.testing.assert_array_equal(votes.index, np.flatnonzero(values > VOTE))  # each once, rising
    place = np.stack(np.unravel_index(votes.index, values.shape), axis=1)
    np.testing.assert_array_equal(votes.centre, place + np.array([1, 2, 3]))
    assert (votes.deciduous == np.float32(0.7)).all()
    assert (votes.form == np.array([0, 1, 0, 0], np.float32)).all()
