"""Kappa and the technical error against published worked examples, and two persons side by side."""

from __future__ import annotations

import math

import numpy as np
import pytest
from test_replay import said
from world import read_world

from ossicle.collection import Agree, Decision, PlaceLandmark, Rename, cohens_kappa, technical_error
from ossicle.collection.opinions import opinions
from ossicle.errors import OssicleError


def spread(table: list[list[int]]) -> tuple[list[int], list[int]]:
    first, second = [], []
    for i, row in enumerate(table):
        for j, count in enumerate(row):
            first += [i] * count
            second += [j] * count
    return first, second


def test_kappa_of_a_published_example() -> None:
    """Fleiss, Levin & Paik 2003, Statistical Methods for Rates and Proportions, table 18.1: two raters, 100 subjects;
    kappa 0.68 (values from memory)."""
    assert cohens_kappa(*spread([[75, 1, 4], [5, 4, 1], [0, 0, 10]])) == pytest.approx(0.68, abs=0.005)


def test_kappa_agrees_with_a_reference_library() -> None:
    """scikit-learn's cohen_kappa_score."""
    reference = pytest.importorskip("sklearn.metrics").cohen_kappa_score
    rng = np.random.default_rng(4)
    for _ in range(20):
        a, b = rng.integers(0, 4, 30).tolist(), rng.integers(0, 4, 30).tolist()
        b[:15] = a[:15]
        assert cohens_kappa(a, b) == pytest.approx(float(reference(a, b)))


def test_kappa_at_its_ends() -> None:
    assert cohens_kappa("abab", "abab") == 1
    assert cohens_kappa("aabb", "abab") == 0
    assert math.isnan(cohens_kappa("aaa", "aaa"))
    with pytest.raises(OssicleError, match="the same things"):
        cohens_kappa("a", "ab")


def test_technical_error_of_the_worked_example() -> None:
    """The worked example of the project's methods (after Ulijaszek & Kerr 1999): TEM 0.0799 mm."""
    a = [98.42, 101.10, 95.87, 110.35, 104.20]
    b = [98.51, 100.98, 95.95, 110.30, 104.38]
    assert technical_error(a, b) == pytest.approx(0.0799, abs=5e-5)


def test_two_persons_side_by_side() -> None:
    kept = read_world([], 1)
    decisions: list[Decision] = []
    for who, asked in (
        ("A. Reader", Rename("upper-left/dP2", "P2")),
        ("A. Reader", Agree("tooth/upper-left/dP3")),
        ("A. Reader", PlaceLandmark("prosthion", (5.25, 3.0, 1.0))),
        ("B. Reader", Agree("tooth/upper-left/dP3")),
        ("B. Reader", Rename("upper-left/P2", "dP2")),
        ("B. Reader", PlaceLandmark("prosthion", (5.25, 3.5, 1.0))),
    ):
        decisions.append(said(kept, decisions, asked, who))
    found = opinions(kept.structures(), decisions, "A. Reader", "B. Reader")
    names = {r.subject.split(" at ")[0]: (r.first, r.second, r.differ) for r in found.rows if r.what == "name"}
    assert names == {"left upper dP2": ("P2", "dP2", True), "left upper dP3": ("dP3", "dP3", False)}
    by_what = {a.what: a for a in found.agreement}
    assert (by_what["name"].count, by_what["name"].share) == (2, 0.5)
    assert by_what["name"].value == pytest.approx(1 / 3)  # observed 1/2, by chance 1/4
    # One landmark, 0.5 mm apart along one of three coordinates: sqrt(0.25 / 6).
    assert by_what["landmark"].value == pytest.approx(math.sqrt(0.25 / 6))
    assert by_what["landmark"].unit == "mm"
