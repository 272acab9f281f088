"""A growth series of known order: ordered right, one left out is placed, and what erupts next is known."""

from __future__ import annotations

import numpy as np
import pytest
from growing import grown

from ossicle.anatomy import dentition
from ossicle.compare import (
    arrange,
    eruption_intervals,
    next_by_order,
    place,
    placed_text,
    series_text,
    series_to_dict,
)
from ossicle.errors import OssicleError
from ossicle.practice.animals import animal

AGES = np.linspace(0.02, 0.75, 12)
"""Up to where the last molar comes through: later, eruption tells nothing."""


@pytest.mark.parametrize("beast", ["carnivore-like", "metatherian", "small-placental"])
def test_twelve_are_ordered_right_whatever_order_they_come_in(beast: str) -> None:
    specimens = [grown(a, 5, beast=beast) for a in AGES]
    shuffled = np.random.default_rng(3).permutation(12)
    found = arrange([specimens[i] for i in shuffled])
    assert [e.specimen.name for e in found.entries] == [s.name for s in specimens]
    assert np.all(np.diff([e.score for e in found.entries]) >= 0)


@pytest.mark.parametrize("beast", ["carnivore-like", "metatherian"])
def test_each_left_out_is_placed_within_one(beast: str) -> None:
    specimens = [grown(a, 5, beast=beast) for a in AGES]
    for k, one in enumerate(specimens):
        rest = specimens[:k] + specimens[k + 1 :]
        p = place(arrange(rest), one)
        names = [s.name for s in rest]
        before = 0 if p.after is None else names.index(p.after) + 1
        assert abs(before - k) <= 1
        assert p.interval[0] <= p.score <= p.interval[1]
        assert sum(chance for _, chance in p.stages) > 0.97


def test_interval_holds_the_truth() -> None:
    # the specimen's own score, as the whole series has it, lies in the interval at about the rate that it says
    hits = []
    for seed in range(4):
        specimens = [grown(a, seed) for a in AGES]
        whole = {e.specimen.name: e.score for e in arrange(specimens).entries}
        for k in (3, 5, 7):
            rest = [s for i, s in enumerate(specimens) if i != k]
            low, high = place(arrange(rest), specimens[k]).interval
            hits.append(low - 0.03 <= whole[specimens[k].name] <= high + 0.03)
    assert np.mean(hits) > 0.85


def test_a_lost_tooth_does_not_decide() -> None:
    specimens = [grown(a, 5) for a in AGES]
    whole = grown(0.48, 9, name="new")
    bad = grown(0.48, 9, name="new", lost=("upper left M1", "upper right M1", "lower left p1", "lower right p1"))
    series = arrange(specimens)
    one, two = place(series, whole), place(series, bad)
    assert abs(one.score - two.score) < 0.05
    assert {"M1", "p1"} <= set(two.unlike)
    # and in the series itself it is told
    arranged = arrange([*specimens, bad])
    entry = next(e for e in arranged.entries if e.specimen.name == "new")
    assert "M1" in entry.out_of_line
    assert any("M1" in note for note in arranged.notes)


def test_adults_all_alike_are_not_told_apart() -> None:
    found = arrange([grown(0.3, 1), grown(1.0, 1, name="one"), grown(1.2, 1, name="two")])
    assert found.entries[1].tied
    assert "not told apart" in series_text(found)


def test_ages_bound_an_unknown_age() -> None:
    specimens = [grown(a, 5) for a in AGES]
    known = [float(a) if i % 3 else None for i, a in enumerate(AGES)]
    p = place(arrange(specimens, known), grown(0.42, 8, name="new"))
    assert p.age.low is not None
    assert p.age.high is not None
    assert p.age.estimate is not None
    assert p.age.low <= 0.42 <= p.age.high
    assert abs(p.age.estimate - 0.42) < 0.08
    assert "Age, from those known" in placed_text(p)
    old = place(arrange(specimens, [0.02, 0.1] + [None] * 10), grown(0.7, 8, name="old"))
    assert old.age.estimate is None
    assert old.age.high is None


def test_what_comes_next_is_what_comes_next() -> None:
    # truth: the loci by the age at which half of the lasting crown has emerged
    course = {
        (locus.jaw, locus.kind, locus.position): locus.second.course.erupts for locus in animal("carnivore-like").loci
    }
    series = arrange([grown(a, 5) for a in AGES])
    new = grown(0.5, 3, name="new", scatter=0.0)
    names = place(series, new).next
    letters = {"incisor": "I", "canine": "C", "premolar": "P", "molar": "M"}
    ages = {}
    for (jaw, kind, position), age in course.items():
        letter = letters[kind] if jaw == "upper" else letters[kind].lower()
        ages[letter + ("" if kind == "canine" else str(position))] = age
    assert names
    assert all(ages[n] > 0.44 for n in names)  # none that has come through already
    soonest = sorted(a for a in ages.values() if a > 0.52)
    assert ages[names[0]] <= soonest[0] + 0.08


def test_next_by_a_known_order() -> None:
    # The generic placental order of ossicle.anatomy (its source stands there): M1 is the first late tooth.
    young = grown(0.2, 1, scatter=0.0)
    names, basis = next_by_order(young, dentition("generic placental"))
    assert "M1" in names or "m1" in names
    assert "order of eruption" in basis


def test_intervals_of_eruption() -> None:
    specimens = [grown(a, 5, scatter=0.0) for a in AGES]
    between = eruption_intervals(arrange(specimens))
    erupts = next(x for x in animal("carnivore-like").loci if (x.jaw, x.kind, x.position) == ("upper", "molar", 1))
    after, before = between["M1"]
    assert after is not None
    assert before is not None
    assert float(after[4:]) - 0.07 <= erupts.second.course.erupts <= float(before[4:]) + 0.07


def test_as_data_and_refusals() -> None:
    series = arrange([grown(a, 5) for a in (0.1, 0.4, 0.7)])
    data = series_to_dict(series, [place(series, grown(0.5, 1))])
    assert data["schema"] == "ossicle-series/1"
    assert [s["name"] for s in data["specimens"]] == ["age 0.10", "age 0.40", "age 0.70"]
    assert len(data["placed"][0]["interval_95"]) == 2
    with pytest.raises(OssicleError, match="no series"):
        arrange([grown(0.1), grown(0.2)])
    with pytest.raises(OssicleError, match="more or fewer ages"):
        arrange([grown(0.1), grown(0.2), grown(0.3)], [1.0])
