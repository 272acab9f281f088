"""The inhibitory cascade and the weak priors of size."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ossicle.anatomy import ToothName, cascade_share, cascade_third_molar, load_dentitions, size_prior
from ossicle.errors import OssicleError

sizes = st.floats(0.1, 100)


@pytest.mark.parametrize(
    ("first", "second", "third"),
    [
        # Kavanagh et al. 2007: m3/m1 = 2 m2/m1 - 1, so equal molars stay equal and a falling row falls evenly
        (1.0, 1.0, 1.0),
        (10.0, 9.0, 8.0),
        (4.0, 5.0, 6.0),
        (2.0, 1.0, 0.0),
        (2.0, 0.5, 0.0),
    ],
)
def test_the_third_molar_of_the_cascade(first: float, second: float, third: float) -> None:
    assert cascade_third_molar(first, second) == pytest.approx(third)


@given(sizes, st.floats(0.51, 2))
def test_the_second_molar_is_a_third_of_the_three(first: float, ratio: float) -> None:
    # Halliday & Goswami 2013
    second = first * ratio
    assert cascade_share(first, second, cascade_third_molar(first, second)) == pytest.approx(1 / 3)


@pytest.mark.parametrize("bad", [(0, 1), (1, 0), (-1, 1), (1, float("nan"))])
def test_sizes_that_are_none_are_refused(bad: tuple[float, float]) -> None:
    with pytest.raises(OssicleError, match="a molar cannot be"):
        cascade_third_molar(*bad)
    with pytest.raises(OssicleError, match="a molar cannot be"):
        cascade_share(*bad, 1)


def test_a_lost_third_molar_is_allowed_and_a_negative_one_refused() -> None:
    assert cascade_share(2, 1, 0) == pytest.approx(1 / 3)
    with pytest.raises(OssicleError, match=r"a molar cannot be -1 large"):
        cascade_share(2, 1, -1)


def ratio(text: str, clade: str = "placental") -> float:
    prior = size_prior(ToothName.parse(text), clade)  # type: ignore[arg-type]
    assert prior is not None
    assert prior.log_sd > 0
    assert "no source" in prior.source
    return prior.ratio


def test_priors_are_ratios_to_the_first_molar() -> None:
    assert ratio("M1") == ratio("m1") == ratio("M1", "metatherian") == 1.0
    assert ratio("P1") < ratio("P4") < ratio("M1")
    assert ratio("M9") == ratio("M4")
    assert ratio("dP4") == 0.90
    assert ratio("I2") == 0.30


def test_there_is_no_prior_where_the_tables_hold_none() -> None:
    assert size_prior(ToothName.parse("dI1"), "metatherian") is None
    assert size_prior(ToothName.parse("M1"), "monotreme") is None


def test_every_tooth_of_every_placental_dentition_has_a_prior() -> None:
    for entry in load_dentitions().values():
        if entry.clade == "placental":
            for tooth in entry.adult_list.upper + entry.adult_list.lower:
                assert size_prior(tooth, entry.clade) is not None
