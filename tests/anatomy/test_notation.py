"""Printed marks in plain characters, and text shown in sentences."""

import pytest

from ossicle.anatomy.notation import plain_marks, shown


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ("I³₃", "I^3_3"),
        ("M¹⁻³", "M^1-3"),
        ("m₁₋₃", "m_1-3"),
        ("P<sup>4</sup> p<SUB> 4 </SUB>", "P^4 p_4"),
        ("P^{4}_{3}", "P^4_3"),
        ("M ⅔", "M 2/3"),
        ("I3⁄3 ∕ ÷ ／", "I3/3 / / /"),
        ("a–b—c−d‐e", "a-b-c-d-e"),
        ("3·1•4", "3.1.4"),
        ("21 × 2 ✕ 3 * 4", "21 x 2 x 3 x 4"),
        ("  I1 \n\t C ", "I1 C"),
    ],
)
def test_marks_are_spelled_plainly(text: str, plain: str) -> None:
    assert plain_marks(text) == plain
    assert plain_marks(plain) == plain


def test_shown_text_is_quoted_on_one_line_and_cut_at_seventy() -> None:
    assert shown("a\n b") == "'a b'"
    assert shown("x" * 70) == repr("x" * 70)
    assert shown("x" * 71) == repr("x" * 69 + "…")
    assert shown("abcdef", 5) == "'abcd…'"
