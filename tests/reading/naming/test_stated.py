"""What is stated as confidence: chances of the model, less what it is too sure of."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ossicle.reading.naming.teeth import OVERSURE, stated


@given(st.floats(0, 1), st.floats(0, 1))
def test_order_and_ends_are_kept_and_nothing_is_surer_than_its_chance(one: float, other: float) -> None:
    assert (stated(0.0), stated(1.0)) == (0.0, 1.0)
    assert 0 <= stated(one) <= one
    assert one >= other - 1e-12 or stated(one) <= stated(other)


def test_log_odds_are_shifted() -> None:
    """scipy.special.logit is the reference."""
    from scipy.special import expit, logit

    for chance in (0.02, 0.5, 0.9, 0.999):
        assert stated(chance) == pytest.approx(expit(logit(chance) - OVERSURE))
