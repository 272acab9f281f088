"""The language of rules: three-valued truth, spans, and nothing that computes more than it should."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ossicle.anatomy.rules import Span, parse_rule
from ossicle.errors import OssicleError

TRUTHS = {"t": True, "f": False, "u": None}
FACTS = {name: (lambda value=value: value) for name, value in TRUTHS.items()} | {
    "n": lambda x: Span(float(x), float(x)),
    "span": lambda a, b: Span(float(a), float(b)),
    "word": lambda w: w,
}


def holds(text: str) -> bool | None:
    return parse_rule(text, FACTS).truth(FACTS)


@pytest.mark.parametrize(
    ("first", "second", "both", "either"),
    [
        # Kleene 1952, Introduction to Metamathematics, section 64, the strong tables (value from memory).
        ("t", "t", True, True), ("t", "f", False, True), ("t", "u", None, True),
        ("f", "t", False, True), ("f", "f", False, False), ("f", "u", False, None),
        ("u", "t", None, True), ("u", "f", False, None), ("u", "u", None, None),
    ],
)  # fmt: skip
def test_truth_is_that_of_kleene(first: str, second: str, both: bool | None, either: bool | None) -> None:
    assert holds(f"{first}() and {second}()") is both
    assert holds(f"{first}() or {second}()") is either
    assert holds(f"not {first}()") is {True: False, False: True, None: None}[TRUTHS[first]]


numbers = st.integers(-20, 20)


@given(numbers, numbers, numbers, st.sampled_from(["<", "<=", ">", ">=", "==", "!="]), st.sampled_from("+-*"))
def test_exact_numbers_compare_as_python_compares_them(a: int, b: int, c: int, sign: str, op: str) -> None:
    text = f"n({a!r}) {op} n({b!r}) {sign} n({c!r})".replace("n(-", "-n(")
    assert holds(text) is eval(f"({a}) {op} ({b}) {sign} ({c})")


@given(numbers, st.integers(0, 9), numbers, st.integers(0, 9), st.sampled_from(["<", "<=", ">", ">=", "==", "!="]))
def test_spans_hold_what_all_their_numbers_hold(a: int, wide: int, b: int, broad: int, sign: str) -> None:
    """A comparison of spans is true where it is true of every pair of whole numbers in them, false where of none."""
    facts = {"a": lambda: Span(a, a + wide), "b": lambda: Span(b, b + broad)}
    pairs = [eval(f"({x}) {sign} ({y})") for x in range(a, a + wide + 1) for y in range(b, b + broad + 1)]
    expected = True if all(pairs) else False if not any(pairs) else None
    assert parse_rule(f"a() {sign} b()", facts).truth(facts) is expected


def test_what_a_specimen_does_not_tell_settles_nothing() -> None:
    assert holds("u() == 'rod'") is None
    assert holds("span(2, 9) == 3") is None
    assert holds("span(4, 9) >= 4") is True
    assert holds("span(4, 9) > 9") is False
    assert holds("n(1) / span(0, 2) > 3") is None
    assert holds("1 < n(2) < 3") is True
    assert holds("word('rod') != 'shelf'") is True
    facts = {"many": lambda: Span(3.0, math.inf)}
    assert parse_rule("many() >= 3", facts).truth(facts) is True
    assert parse_rule("many() == 3", facts).truth(facts) is None


@pytest.mark.parametrize(
    "text",
    [
        "__import__('os').system('true')", "t.__class__", "().__class__.__bases__[0]", "[x for x in (1, 2)]",
        "lambda: 1", "open('/etc/passwd')", "exec('1')", "t(*[1])", "t(x=1)", "f'{t()}'", "n(n(1)) == 1",
        "1 if t() else 2", "t() @ f()", "n(2) ** 9 > 1", "n(1) in (1, 2)", "t() is True", "(t := 1)",
        "b'1' == b'1'", "1j > 0", "{1: 2}", "t", "1e999 > n(1)", "", "t(", "t()\nf()", "n(1) >> 1 > 0",
        "await t()", "yield", "n(1) // 2 > 0", "~n(1) > 0", "...", "None",
    ],
)  # fmt: skip
def test_a_rule_holds_nothing_but_comparisons_of_facts(text: str) -> None:
    with pytest.raises(OssicleError, match="rule"):
        parse_rule(text, FACTS)


@pytest.mark.parametrize("text", ["(" * 150 + "t()" + ")" * 150, "not " * 90 + "t()"])
def test_deep_rules_are_computed(text: str) -> None:
    assert holds(text) is True


@pytest.mark.parametrize("text", ["(" * 290 + "t()" + ")" * 290, "t() and " * 75 + "t()", "t() or " * 66 + "t()"])
def test_rules_that_are_too_deep_or_too_long_are_refused(text: str) -> None:
    with pytest.raises(OssicleError, match="rule"):
        parse_rule(text, FACTS)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("n(1) + 'a' > 2", "no number"),
        ("n(1)", "neither true"),
        ("word('a') < 'b'", "compare"),
        ("n(1) and t()", "true or false"),
        ("n() > 1", "take"),
    ],
)
def test_a_rule_that_makes_no_sense_says_so(text: str, says: str) -> None:
    with pytest.raises(OssicleError, match=says):
        holds(text)


def test_an_unknown_fact_is_named() -> None:
    with pytest.raises(OssicleError, match=r"'teeth', which is no fact; there are f, n"):
        parse_rule("teeth() > 3", FACTS)
