"""The forms of dental formulas in the literature, and what is refused."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ossicle.anatomy import Counts, Formula
from ossicle.errors import OssicleError

DOG = "I3/3 C1/1 P4/4 M2/3"
OPOSSUM = "I5/4 C1/1 P3/3 M4/4"
MILK = "dI3/3 dC1/1 dP3/3"


def read_or_sentence(text: str) -> Formula | str:
    try:
        return Formula.parse(text)
    except OssicleError as error:
        return str(error)


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        # the forms of the design
        ("I5/4 C1/1 P3/3 M4/4 = 50", OPOSSUM),
        ("5.1.3.4/4.1.3.4", OPOSSUM),
        ("2(I3/3 C1/1 P4/4 M2/3) = 42", DOG),
        # Beddard 1902, Mammalia, on Didelphis
        ("I 5/4 C 1/1 Pm 3/3 M 4/4", OPOSSUM),
        # Nicholson, Manual of Zoology, on Perameles: places with strokes
        ("5/3 1/1 3/3 4/4 = 48", "I5/3 C1/1 P3/3 M4/4"),
        # Thomas 1888, on Vombatus: one side times two
        ("I 1/1 C 0/0 P 1/1 M 4/4 x 2 = 24", "I1/1 C0/0 P1/1 M4/4"),
        # forms in common use, no single source
        ("I 3/3, C 1/1, Pm 4/4, M 2/3 x 2 = 42", DOG),
        ("I 3/3, C 1/1, P 4/4, M 2/3 = 21 × 2 = 42", DOG),
        ("(I3/3 C1/1 P4/4 M2/3) × 2 = 42", DOG),
        ("(I 3/3, C 1/1, P 4/4, M 2/3) 2", None),
        ("2 × [I3/3 C1/1 P4/4 M2/3] = 42", DOG),
        ("2x{I3/3 C1/1 P4/4 M2/3}", DOG),
        ("(I 3/3) (C 1/1) (P 4/4) (M 2/3) = 42", DOG),
        ("[I(3/3) C(1/1) P(4/4) M(2/3)] = 42", DOG),
        ("I3/3C1/1P4/4M2/3=42", DOG),
        ("I 3/3; C 1/1; P 4/4; M 2/3", DOG),
        ("I. 3/3, C. 1/1, P. 4/4, M. 2/3 = 42.", DOG),
        ("I3/3 + C1/1 + P4/4 + M2/3 = 42", DOG),
        ("I 3 / 3 C 1 / 1 P 4 / 4 M 2 / 3", DOG),
        ("i 3/3 c 1/1 p 4/4 m 2/3", DOG),
        ("i 3/3 c 1/1 pm 4/4 m 2/3 = 42 teeth", DOG),
        ("PM 4/4 M 2/3 I 3/3 C 1/1", DOG),
        ("Dental formula: I 3/3, C 1/1, P 4/4, M 2/3; total = 42", DOG),
        ("dental formula = 3.1.4.2/3.1.4.3", DOG),
        ("I 3/3 · C 1/1 · P 4/4 · M 2/3", DOG),
        ("I 3–3/3–3, C 1—1/1—1, P 4−4/4−4, M 2-2/3-3 = 42", DOG),
        ("3-3/3-3 1-1/1-1 4-4/4-4 2-2/3-3", DOG),
        # raised and lowered numbers, one-character fractions, markup
        ("I³₃ C¹₁ P⁴₄ M²₃", DOG),
        ("I³/₃, C¹/₁, P⁴/₄, M²/₃ = 42", DOG),
        ("I³⁄₃ C¹⁄₁ P⁴⁄₄ M²⁄₃", DOG),
        ("I₃³ C₁¹ P₄⁴ M₃²", DOG),
        ("I 3/3 C 1/1 P 4/4 M ⅔", DOG),
        ("I<sup>3</sup><sub>3</sub> C 1/1 P<sup>4</sup>/<sub>4</sub> M<SUP> 2 </SUP><SUB>3</SUB>", DOG),
        ("I^3_3 C^{1}_{1} P^4/_4 M^2_3", DOG),
        ("I¹⁰₁₂", "I10/12 C0/0 P0/0 M0/0"),
        # by place
        ("3-1-4-2/3-1-4-3", DOG),
        ("3 1 4 2 / 3 1 4 3", DOG),
        ("3:1:4:2/3:1:4:3", DOG),
        ("3·1·4·2/3·1·4·3 = 42", DOG),
        ("3. 1. 4. 2/3. 1. 4. 3", DOG),
        ("2(3.1.4.2/3.1.4.3) = 42", DOG),
        ("(3.1.4.2)/(3.1.4.3)", DOG),
        ("2.1.2.3", "I2/2 C1/1 P2/2 M3/3"),
        ("10.1.4.12/3.0.0.11", "I10/3 C1/0 P4/0 M12/11"),
        # deciduous
        ("dI3/3 dC1/1 dP3/3 = 28", MILK),
        ("di 3/3, dc 1/1, dp 3/3", MILK),
        ("DI3/3 DC1/1 DP3/3", MILK),
        ("Di 3/3 Dc 1/1 Dm 3/3 = 28", MILK),
        ("Id 3/3 Cd 1/1 Pd 3/3", MILK),
        ("dI3/3 dC1/1 dm3/3", MILK),
        ("d3.1.3/3.1.3", MILK),
        ("d3.1.3/d3.1.3", MILK),
        ("d 3.1.3", MILK),
        ("dI3/3 dC1/1 dP3/3 M1/1", "dI3/3 dC1/1 dP3/3 M1/1"),
        # names counted
        ("I1-3 C P2-4 M1 / i1-3 c p3-4 m1 = 30", "I3/3 C1/1 P3/2 M1/1"),
        ("I¹⁻³ C¹ P²⁻⁴ M¹ / I₁₋₃ C₁ P₃₋₄ M₁", "I3/3 C1/1 P3/2 M1/1"),
        ("dI1-2 dC dP3-4 / di1-2 dc dp3-4 = 20", "dI2/2 dC1/1 dP2/2"),
    ],
)
def test_each_form_of_the_literature_is_read(text: str, plain: str | None) -> None:
    if plain is None:
        with pytest.raises(OssicleError):
            Formula.parse(text)
    else:
        assert str(Formula.parse(text)) == plain


def test_classes_left_out_hold_no_teeth() -> None:
    assert Formula.parse("M3/2") == Formula.symmetric(Counts(M=3), Counts(M=2))


def test_upper_is_before_the_stroke_in_every_form() -> None:
    expected = Formula.symmetric(Counts(I=5, C=1, P=2, M=4), Counts(I=3, C=0, P=6, M=7))
    forms = [
        "I5/3 C1/0 P2/6 M4/7",
        "5.1.2.4/3.0.6.7",
        "I⁵₃ C¹₀ P²₆ M⁴₇",
        "I₃⁵ C₀¹ P₆² M₇⁴",
        "5/3 1/0 2/6 4/7",
    ]
    assert [Formula.parse(text) for text in forms] == [expected] * len(forms)


def test_sides_that_differ_are_read_with_commas_or_semicolons_and_a_total() -> None:
    expected = Formula(Counts(I=3, M=1), Counts(I=2, M=1), Counts(I=4, M=5), Counts(I=3, M=4))
    for text in (
        "right I3/3 M1/4; left I2/4 M1/5",
        "Right: I3/3 M1/4, Left: I2/4 M1/5 = 23",
        "right 3.0.0.1/3.0.0.4; left 2.0.0.1/4.0.0.5",
        "right I³₃ M¹₄; left I²₄ M¹₅ = 23",
    ):
        assert Formula.parse(text) == expected


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("I3/3 C1/1 P4/4 M2/3 = 41", "it states 41 teeth but counts 42"),
        ("I3/3 C1/1 P4/4 M2/3 = 43", "it states 43 teeth but counts 42"),
        ("I3/3 C1/1 P4/4 M2/3 = 21", "it states 21 teeth (the number of one side) but counts 42"),
        ("I3/3 C1/1 P4/4 M2/3 = 20 x 2", "it states 20 x 2 teeth but counts 42"),
        ("I3/3 C1/1 P4/4 M2/3 = 42 x 2", "it states 42 x 2 teeth but counts 42"),
        ("I3/3 C1/1 P4/4 M2/3 = 21 x 2 = 44", "it states 44 teeth but counts 42"),
        ("2(5.1.3.4/4.1.3.4) = 48", "it states 48 teeth but counts 50"),
        ("right I3/3; left I2/3 = 22", "it states 22 teeth but counts 11"),
    ],
)
def test_a_stated_total_that_differs_is_refused_with_both_numbers(text: str, said: str) -> None:
    with pytest.raises(OssicleError) as caught:
        Formula.parse(text)
    assert str(caught.value) == f"dental formula {text!r}: {said}; correct the counts or the total."


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "it holds no counts"),
        ("()", "it holds no counts"),
        ("= 42", "it holds no counts"),
        ("nothing of the kind", "'nothing of the kind' names no tooth"),
        ("I3/3 X2/2", "'X2/2' is no count of upper and lower teeth"),
        ("I3/3 I3/3", "I is counted twice"),
        ("P4/4 Pm4/4", "P is counted twice"),
        ("dP3/3 dM3/3", "dP is counted twice"),
        ("I3/3 C1/1 4/4 M2/3", "some counts have a letter and some have none"),
        ("3/3 1/1 4/4", "counts without letters must be the four of I C P M, not 3"),
        ("3/3 1/1 4/4 2/3 1/1", "counts without letters must be the four of I C P M, not 5"),
        ("3.1.4/3.1.4", "a row has 3 numbers where 4 stand for incisors, canines, premolars, molars"),
        ("3.1.4.2.1/3.1.4.3.1", "a row has 5 numbers where 4 stand for"),
        ("d3.1.4.2/3.1.4.3", "a row has 4 numbers where 3 stand for incisors, canines, premolars;"),
        ("3.1.4.2/3.1.4", "a row has 3 numbers where 4"),
        ("3.1.4.2/3.1.4.3/3.1.4.3", "it has more than two rows"),
        ("3.1.4.2/d3.1.3", "the lower row is deciduous and the upper is not"),
        ("I3/3 M4/4-5", "M4/4-5 gives a range or sides that differ"),
        ("I4-5/3", "I4-5/3 gives a range or sides that differ"),
        ("I3-2/3-3", "I3-2/3-3 gives a range or sides that differ"),
        ("I3-3/3", "I3-3/3 gives a range or sides that differ"),
        ("(I3/3", "a bracket is not closed by )"),
        ("I3/3)", "the bracket ) closes nothing"),
        ("(I3/3]", "the bracket ] closes nothing"),
        ("[I3/3 (C1/1]", "the bracket ] closes nothing"),
        ("I3/3 = many", "'many' is no total; write it like"),
        ("I3/3 = " + "9" * 30, f"'{'9' * 19}…' is no total"),
        ("I3/3 =", "'' is no total"),
        ("I3/3 = 12 = x", "'x' is no total"),
        ("I3 C1 P4 M2", "it neither counts upper and lower teeth nor names teeth of both jaws"),
        ("i3 c1 p4 m2", "it neither counts upper and lower teeth nor names teeth of both jaws"),
        ("I100/3", "'100' is no number of I teeth in one quadrant; give a whole number from 0 to 99"),
        ("I3/100", "'100' is no number of I teeth"),
        ("3.1.4.2/3.1.4.100", "'100' is no number of M teeth"),
        ("I3/10000", None),
        ("I3/3/3", "'/3' is no count of upper and lower teeth"),
        ("I3/3 " + "X" * 30, f"'{'X' * 19}…' is no count of upper and lower teeth"),
        ("3.1 4-2/3.1.4.3", None),
        ("2(I3/3) C1/1", None),
        ("I-3/3", None),
        ("I3//3", None),
        ("right I3/3", None),
        ("right I3/3; left", None),
        ("dentition: dentition: I3/3", None),
        ("I3/3 C1/1 P4/4 M3/3~", "'~' is no count of upper and lower teeth"),
    ],
)
def test_what_is_no_formula_is_refused_in_one_sentence(text: str, said: str | None) -> None:
    with pytest.raises(OssicleError) as caught:
        Formula.parse(text)
    sentence = str(caught.value)
    start = f"dental formula {text!r}: "
    assert sentence.startswith(start)
    assert said is None or sentence.removeprefix(start).startswith(said)
    assert "; write it like " in sentence or "; give " in sentence or "; count from 1 to 99" in sentence
    assert sentence.count("\n") == 0
    assert sentence.endswith(".")


def test_long_and_strange_text_is_cut_and_made_printable_in_the_sentence() -> None:
    with pytest.raises(OssicleError) as caught:
        Formula.parse("I3/3\n\x00" + "\u202e" + "x" * 300)
    assert len(str(caught.value)) < 300
    assert str(caught.value).isprintable()


def test_very_long_text_is_refused_at_once() -> None:
    longest = "I3/3 C1/1 P4/4 M2/3 ="
    assert Formula.parse(f"{longest}{' ' * (400 - len(longest) - 2)}42").total == 42
    with pytest.raises(OssicleError, match="= 42': it is 401 characters long"):
        Formula.parse(f"{longest}{' ' * (401 - len(longest) - 2)}42")


@given(st.text(alphabet="ICPMicpmdD0123456789/.-–,;:=x×() []{}²³⁴₁₂₃½^_<>sup", max_size=40))
def test_any_text_is_read_or_refused(text: str) -> None:
    found = read_or_sentence(text)
    if isinstance(found, Formula):
        assert Formula.parse(str(found)) == found
    else:
        assert "\n" not in found


@given(st.text(max_size=30))
def test_any_unicode_text_is_read_or_refused(text: str) -> None:
    found = read_or_sentence(text)
    assert isinstance(found, Formula) or "\n" not in found
