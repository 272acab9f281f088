"""Worked examples of repeat-measurement statistics."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ossicle.anatomy.repeats import intraclass, repeatability
from ossicle.errors import OssicleError

# Shrout & Fleiss 1979, Psychol. Bull. 86:420, table 2: six targets, four judges.
SHROUT = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]],
    float,
)


def test_technical_error_of_five_lengths() -> None:
    # Recomputed by hand from the definitions of Ulijaszek & Kerr 1999.
    r = repeatability([98.42, 101.10, 95.87, 110.35, 104.20], [98.51, 100.98, 95.95, 110.30, 104.38])
    assert r.tem == pytest.approx(0.0799, abs=5e-5)
    assert r.relative_percent == pytest.approx(0.0783, abs=5e-5)
    assert r.reliability == pytest.approx(0.99977, abs=1e-5)


def test_intraclass_of_shrout_and_fleiss() -> None:
    said = [round(v, 2) for v in intraclass(SHROUT).values()]
    assert said == [0.17, 0.29, 0.71, 0.44, 0.62, 0.91]


@given(st.lists(st.floats(1, 1e3), min_size=3, max_size=8).filter(lambda v: np.ptp(v) > 0.1), st.floats(0.5, 20))
def test_equal_rounds_have_no_error_and_the_unit_does_not_matter(values: list[float], scale: float) -> None:
    same = repeatability(values, values)
    assert same.tem == 0
    assert same.reliability == 1
    other = np.array(values) + np.resize([0.1, -0.1], len(values))
    a, b = repeatability(values, other), repeatability(np.array(values) * scale, other * scale)
    assert b.tem == pytest.approx(a.tem * scale)
    assert b.relative_percent == pytest.approx(a.relative_percent)


@pytest.mark.parametrize("rounds", [([1.0], [1.0]), ([1.0, 2.0], [1.0]), ([1.0, np.nan], [1.0, 2.0])])
def test_bad_rounds_are_told_in_a_sentence(rounds: tuple[list[float], list[float]]) -> None:
    with pytest.raises(OssicleError):
        repeatability(*rounds)
