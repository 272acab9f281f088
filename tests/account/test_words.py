"""The wording of numbers and lists of loci."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ossicle.account.findings.dentition import along
from ossicle.account.words import length, loci, number, tied
from ossicle.reading.records import Reading


@pytest.mark.parametrize(
    ("mm", "said"),
    [
        (4.2, "4.20 mm"),
        (0.036, "36.0 µm"),
        (123.4, "123 mm"),
        (0.1, "0.100 mm"),
        (math.nan, "not known"),
        (0.0, "0 mm"),
    ],
)
def test_length(mm: float, said: str) -> None:
    assert length(mm) == said


@given(st.floats(1e-3, 1e6))
def test_number_is_within_half_a_per_cent(value: float) -> None:
    assert float(number(value)) == pytest.approx(value, rel=0.0051)


@pytest.mark.parametrize(
    ("names", "said"),
    [
        ("I1 I2 I3", "I1–I3"),
        ("I1 I2", "I1 and I2"),
        ("P1 P2 P4", "P1, P2 and P4"),
        ("C P1 P2 P3 M1", "C, P1–P3 and M1"),
    ],
)
def test_loci(adult: Reading, names: str, said: str) -> None:
    teeth = [t for t in adult.teeth if (t.jaw, t.side) == ("upper", "left") and t.name in names.split()]
    assert loci(teeth) == said


def test_along_a_bent_row(adult: Reading) -> None:
    row = replace(adult.rows[0], curve_skull_mm=np.array([[0, 0, 0], [0, 0, -10], [10, 0, -10.0]]))
    assert along(row, (0, 3, -4)) == pytest.approx(4)
    assert along(row, (6, 0, -11)) == pytest.approx(16)


def test_numbers_are_tied_to_their_units() -> None:
    assert tied("4.2 mm and 16 %) of 3 slices") == "4.2\u00a0mm and 16\u00a0%) of 3 slices"
