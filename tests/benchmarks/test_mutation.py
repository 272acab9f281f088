"""The bench that changes code: which changes it makes, which it lets be, and that a changed module works as it says."""

from __future__ import annotations

import sys
import types

import pytest
from benchmarks.mutation import exchange, mutants_in, mutated


def changes(source: str) -> set[tuple[str, str]]:
    """Every change as before and after."""
    return {(m.before, m.after) for m in (mutated(source, n)[1] for n in range(mutants_in(source)))}


def test_operators_conditions_constants_and_statements_are_changed() -> None:
    source = "def f(a, b):\n    a += 2\n    if a < b and not b:\n        return a * b\n    g(a)\n"
    assert changes(source) == {
        ("a += 2", "pass"), ("a += 2", "a -= 2"), ("2", "3"),
        ("a < b and (not b)", "a < b or not b"), ("a < b", "a <= b"), ("a < b", "a >= b"), ("not b", "b"),
        ("return a * b", "return None"), ("a * b", "a / b"), ("g(a)", "pass"),
    }  # fmt: skip


def test_a_condition_without_an_operator_is_turned_round() -> None:
    assert ("a", "not a") in changes("def f(a):\n    if a:\n        return 1\n")


@pytest.mark.parametrize(
    "source",
    [
        '"""Words."""\n',
        "def f():\n    '''Words.'''\n",
        '__all__ = ["f"]\n',
        "def f(a: 'int') -> 'str':\n    pass\n",
        "class A:\n    size: int = 3\n",
    ],
)
def test_words_for_readers_and_bodies_of_classes_are_let_be(source: str) -> None:
    assert mutants_in(source) == 0


def test_of_a_refusal_only_the_whole_is_left_out() -> None:
    assert changes("def f():\n    raise OssicleError('no', where=f'{3}')\n") == {
        ("raise OssicleError('no', where=f'{3}')", "pass")
    }


SOURCE = """
LEAST = 3

def enough(n):
    return n >= LEAST

class Pile:
    def __init__(self, n):
        self.n = n

    @property
    def high(self):
        return enough(self.n)
"""


@pytest.fixture
def module(monkeypatch: pytest.MonkeyPatch) -> types.ModuleType:
    made = types.ModuleType("pile_of_the_tests")
    made.__file__ = "pile.py"
    exec(SOURCE, made.__dict__)
    monkeypatch.setitem(sys.modules, made.__name__, made)
    return made


def nth(before: str, after: str) -> int:
    """The number of a change."""
    made = [mutated(SOURCE, n)[1] for n in range(mutants_in(SOURCE))]
    return next(m.number for m in made if (m.before, m.after) == (before, after))


def test_who_holds_a_function_or_class_of_the_module_meets_the_change(module: types.ModuleType) -> None:
    enough, pile = module.enough, module.Pile(3)
    assert enough(3)
    assert pile.high
    exchange(module, mutated(SOURCE, nth("n >= LEAST", "n > LEAST"))[0])
    assert not enough(3)
    assert not pile.high
    assert enough(4)


def test_a_changed_method_holds_for_what_was_made_before(module: types.ModuleType) -> None:
    pile = module.Pile(3)
    exchange(module, mutated(SOURCE, nth("return enough(self.n)", "return None"))[0])
    assert pile.high is None


def test_who_imported_a_constant_meets_its_change(module: types.ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    other = types.ModuleType("reader_of_the_tests")
    other.LEAST = module.LEAST  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, other.__name__, other)
    exchange(module, mutated(SOURCE, nth("3", "4"))[0])
    assert (module.LEAST, other.LEAST) == (4, 4)  # type: ignore[attr-defined]
    assert not module.enough(3)
