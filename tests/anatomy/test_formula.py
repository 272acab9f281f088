"""Formulas: counting, writing, sides that differ."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ossicle.anatomy import Counts, Formula
from ossicle.errors import OssicleError

counts = st.integers(0, 12)
permanent = st.builds(Counts, I=counts, C=counts, P=counts, M=counts)
deciduous = st.builds(Counts, dI=counts, dC=counts, dP=counts)
both = st.builds(Counts, I=counts, C=counts, P=counts, M=counts, dI=counts, dC=counts, dP=counts)

OPOSSUM = Formula.symmetric(Counts(I=5, C=1, P=3, M=4), Counts(I=4, C=1, P=3, M=4))
DOG = Formula.symmetric(Counts(I=3, C=1, P=4, M=2), Counts(I=3, C=1, P=4, M=3))


def test_total_counts_both_sides_and_jaws() -> None:
    assert OPOSSUM.total == 50  # Beddard 1902: 'teeth are fifty'
    assert DOG.total == 42
    assert DOG.upper_right.total == 10
    assert DOG.lower_left.total == 11


def test_total_counts_each_quadrant_once() -> None:
    formula = Formula(Counts(I=1), Counts(C=2), Counts(P=4), Counts(M=8, dI=16, dC=32, dP=64))
    assert formula.total == 1 + 2 + 4 + 8 + 16 + 32 + 64


@pytest.mark.parametrize(
    ("style", "text"),
    [
        ("plain", "I5/4 C1/1 P3/3 M4/4"),
        ("total", "I5/4 C1/1 P3/3 M4/4 = 50"),
        ("bracket", "2(I5/4 C1/1 P3/3 M4/4) = 50"),
        ("dotted", "5.1.3.4/4.1.3.4"),
        ("raised", "I⁵₄ C¹₁ P³₃ M⁴₄"),
    ],
)
def test_each_style_is_written_as_documented(style: str, text: str) -> None:
    assert OPOSSUM.written(style) == text  # type: ignore[arg-type]


def test_str_is_the_plain_style() -> None:
    assert str(DOG) == "I3/3 C1/1 P4/4 M2/3"


def test_classes_without_teeth_are_written() -> None:
    mouse = Formula.symmetric(Counts(I=1, M=3), Counts(I=1, M=3))
    assert str(mouse) == "I1/1 C0/0 P0/0 M3/3"
    assert str(Formula.symmetric(Counts(), Counts())) == "I0/0 C0/0 P0/0 M0/0"


def test_deciduous_formula_is_written_with_all_its_letters_and_only_those() -> None:
    milk = Formula.symmetric(Counts(dI=3, dP=3), Counts(dI=3, dP=3))
    assert str(milk) == "dI3/3 dC0/0 dP3/3"
    assert milk.written("dotted") == "d3.0.3/3.0.3"
    assert milk.written("raised") == "dI³₃ dC⁰₀ dP³₃"


def test_mixed_formula_writes_deciduous_letters_first_and_permanent_ones_that_occur() -> None:
    mixed = Formula.symmetric(Counts(dI=2, dC=1, dP=3, M=1), Counts(dI=3, dC=1, dP=3, M=1, I=1))
    assert str(mixed) == "dI2/3 dC1/1 dP3/3 I0/1 M1/1"
    with pytest.raises(OssicleError, match="dots cannot tell apart"):
        mixed.written("dotted")


def test_sides_that_differ_are_written_one_after_the_other() -> None:
    formula = Formula(
        upper_right=Counts(I=3, C=1, P=4, M=2),
        upper_left=Counts(I=3, C=1, P=3, M=2),
        lower_left=Counts(I=3, C=1, P=4, M=3),
        lower_right=Counts(I=3, C=1, P=4, M=3),
    )
    assert not formula.is_symmetric
    assert formula.total == 41
    assert str(formula) == "right I3/3 C1/1 P4/4 M2/3; left I3/3 C1/1 P3/4 M2/3"
    assert formula.written("total") == f"{formula} = 41"
    assert formula.written("bracket") == f"{formula} = 41"
    assert formula.written("dotted") == "right 3.1.4.2/3.1.4.3; left 3.1.3.2/3.1.4.3"
    assert str(formula.half("right")) == "I3/3 C1/1 P4/4 M2/3"
    assert str(formula.half("left")) == "I3/3 C1/1 P3/4 M2/3"
    assert formula.half("left").is_symmetric


def test_a_difference_in_the_lower_jaw_alone_is_a_difference() -> None:
    assert not Formula(Counts(), Counts(), Counts(M=1), Counts()).is_symmetric
    assert Formula(Counts(M=2), Counts(M=2), Counts(M=1), Counts(M=1)).is_symmetric


def test_from_quadrants_takes_the_counts_of_an_account() -> None:
    formula = Formula.from_quadrants(
        {
            "upper_left": {"I": 5, "C": 1, "P": 3, "M": 3},
            "upper_right": {"I": 5, "C": 1, "P": 3, "M": 3},
            "lower_left": {"I": 4, "C": 1, "P": 3, "M": 3},
            "lower_right": {"I": 4, "C": 1, "P": 3, "M": 3},
        }
    )
    assert str(formula) == "I5/4 C1/1 P3/3 M3/3"


def test_from_quadrants_takes_left_out_quadrants_as_empty() -> None:
    formula = Formula.from_quadrants({"upper_left": {"I": 2}})
    assert (formula.upper_left, formula.upper_right) == (Counts(I=2), Counts())
    assert (formula.lower_left, formula.lower_right) == (Counts(), Counts())


@pytest.mark.parametrize(
    ("quadrants", "named"),
    [
        ({"upper": {"I": 1}}, "no quadrant is called 'upper'"),
        ({"upper_left": {"X": 1}}, "upper_left: no class of teeth is called 'X'"),
        ({"upper_left": {"I": -1}}, "'-1' is no number of I teeth"),
        ({"upper_left": {"I": 100}}, "'100' is no number of I teeth"),
        ({"upper_left": {"I": True}}, "'True' is no number of I teeth"),
        ({"upper_left": {"I": 1.5}}, "'1.5' is no number of I teeth"),
    ],
)
def test_from_quadrants_refuses_bad_counts(quadrants: dict[str, dict[str, int]], named: str) -> None:
    with pytest.raises(OssicleError) as caught:
        Formula.from_quadrants(quadrants)
    assert named in str(caught.value)


def test_the_largest_count_is_allowed() -> None:
    assert Counts(M=99).total == 99


def test_quadrants_always_give_the_four_letters_and_deciduous_ones_where_present() -> None:
    formula = Formula(Counts(I=2), Counts(dP=1), Counts(), Counts())
    assert formula.quadrants() == {
        "upper_right": {"I": 2, "C": 0, "P": 0, "M": 0},
        "upper_left": {"I": 0, "C": 0, "P": 0, "M": 0, "dP": 1},
        "lower_right": {"I": 0, "C": 0, "P": 0, "M": 0},
        "lower_left": {"I": 0, "C": 0, "P": 0, "M": 0},
    }


def test_count_by_jaw_class_side_and_generation() -> None:
    formula = Formula(Counts(I=1, dI=2), Counts(I=3), Counts(P=4), Counts(M=5))
    assert formula.count("upper", "incisor") == 1
    assert formula.count("upper", "incisor", "left") == 3
    assert formula.count("upper", "incisor", "right", "deciduous") == 2
    assert formula.count("upper", "incisor", "right", "unreplaced") == 1
    assert formula.count("lower", "molar", "right") == 5
    assert formula.count("lower", "premolar", "left") == 4
    assert formula.count("lower", "molar", "right", "deciduous") == 0


@given(permanent, permanent)
def test_every_style_of_a_permanent_formula_reads_back(upper: Counts, lower: Counts) -> None:
    formula = Formula.symmetric(upper, lower)
    for style in ("plain", "total", "bracket", "dotted", "raised"):
        assert Formula.parse(formula.written(style)) == formula


@given(both, both)
def test_mixed_formulas_read_back(upper: Counts, lower: Counts) -> None:
    formula = Formula.symmetric(upper, lower)
    for style in ("plain", "total", "bracket", "raised"):
        assert Formula.parse(formula.written(style)) == formula


@given(both, both, both, both)
def test_sides_that_differ_read_back(a: Counts, b: Counts, c: Counts, d: Counts) -> None:
    formula = Formula(a, b, c, d)
    assert Formula.parse(str(formula)) == formula
    assert Formula.parse(formula.written("total")) == formula


@given(deciduous, deciduous)
def test_deciduous_dots_read_back(upper: Counts, lower: Counts) -> None:
    formula = Formula.symmetric(upper, lower)
    assert Formula.parse(formula.written("dotted")) == formula


@given(both, both, both, both)
def test_quadrants_read_back(a: Counts, b: Counts, c: Counts, d: Counts) -> None:
    formula = Formula(a, b, c, d)
    assert Formula.from_quadrants(formula.quadrants()) == formula
    assert formula.total == sum(sum(counts.values()) for counts in formula.quadrants().values())
