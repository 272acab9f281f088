"""ISO 3950:2016, two-digit designation of human teeth: all 52 teeth both ways."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ossicle.anatomy import JAWS, SIDES, ToothName, dentition, from_iso3950, iso3950_successor, to_iso3950
from ossicle.errors import OssicleError

PERMANENT = ["I1", "I2", "C", "P3", "P4", "M1", "M2", "M3"]
DECIDUOUS = ["dI1", "dI2", "dC", "dP3", "dP4"]
# ISO 3950:2016: the quadrants in their turn, permanent 1 to 4 and deciduous 5 to 8
QUADRANTS = {
    "1": ("upper", "right"),
    "2": ("upper", "left"),
    "3": ("lower", "left"),
    "4": ("lower", "right"),
    "5": ("upper", "right"),
    "6": ("upper", "left"),
    "7": ("lower", "left"),
    "8": ("lower", "right"),
}
TABLE = {
    f"{quadrant}{digit}": f"{jaw} {side} {tooth.lower() if jaw == 'lower' else tooth}"
    for quadrant, (jaw, side) in QUADRANTS.items()
    for digit, tooth in enumerate(DECIDUOUS if quadrant in "5678" else PERMANENT, start=1)
}


def test_the_table_has_32_permanent_and_20_deciduous_teeth() -> None:
    assert sum(code[0] in "1234" for code in TABLE) == 32
    assert sum(code[0] in "5678" for code in TABLE) == 20


@pytest.mark.parametrize(("code", "words"), TABLE.items())
def test_every_code_names_its_tooth_and_back(code: str, words: str) -> None:
    tooth = from_iso3950(code)
    assert tooth.in_words() == words
    assert to_iso3950(tooth) == code
    assert from_iso3950(int(code)) == tooth


@pytest.mark.parametrize(
    ("code", "words"),
    [
        # worked examples of the standard's use in handbooks
        ("11", "upper right I1"),
        ("36", "lower left m1"),
        ("75", "lower left dp4"),
        ("48", "lower right m3"),
        ("53", "upper right dC"),
    ],
)
def test_worked_examples(code: str, words: str) -> None:
    assert from_iso3950(code).in_words() == words


def test_the_successor_has_the_quadrant_less_four_and_the_same_digit() -> None:
    assert iso3950_successor("75") == "35"
    for code in TABLE:
        if code[0] in "5678":
            assert iso3950_successor(code) == str(int(code) - 40)


def test_codes_may_have_a_dot() -> None:
    assert from_iso3950("3.6") == from_iso3950("36")


@pytest.mark.parametrize("code", ["", "1", "00", "10", "19", "01", "56", "80", "86", "91", "111", "1 1", "١١"])
def test_what_is_no_code_is_refused(code: str) -> None:
    with pytest.raises(OssicleError, match=r"is no tooth of ISO 3950; permanent teeth are 11 to 18"):
        from_iso3950(code)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("P4", "has no side"),
        ("left P1", "is no tooth of the human dentition"),
        ("left P2", "is no tooth of the human dentition"),
        ("left I3", "is no tooth of the human dentition"),
        ("left M4", "is no tooth of the human dentition"),
    ],
)
def test_teeth_without_a_code_are_refused(text: str, said: str) -> None:
    with pytest.raises(OssicleError, match=said):
        to_iso3950(ToothName.parse(text))


def test_a_permanent_tooth_has_no_successor() -> None:
    with pytest.raises(OssicleError, match="is a permanent tooth, which nothing replaces"):
        iso3950_successor("35")


def test_the_human_template_holds_exactly_the_teeth_of_the_standard() -> None:
    human = dentition("Homo")
    codes = set()
    for jaw in JAWS:
        for side in SIDES:
            for locus in human.loci(jaw):
                assert locus.adult_name is not None
                codes.add(to_iso3950(locus.adult_name.on(side)))
            for locus in human.deciduous_loci(jaw):
                assert locus.deciduous_name is not None
                codes.add(to_iso3950(locus.deciduous_name.on(side)))
    assert codes == set(TABLE)


@given(st.integers(-10_000, 10_000))
def test_numbers_are_codes_only_if_in_the_table(number: int) -> None:
    if str(number) in TABLE:
        assert to_iso3950(from_iso3950(number)) == str(number)
    else:
        with pytest.raises(OssicleError):
            from_iso3950(number)
