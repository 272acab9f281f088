"""Rules of characters: a small language of comparisons over facts, which computes and can do nothing else.

A rule is written as in Python (``loci('upper', 'incisor') >= 3 and not grown()``), parsed into a tree and walked by
this module: no name, attribute or function but those of the table that it is given, no loops, no assignment, nothing is
executed. Truth has three values, as in Kleene 1952 (Introduction to Metamathematics, section 64): a fact that a
specimen does not tell is None, and so is all that hangs on it. A measured number is a `Span` that it lies in; a
comparison that does not hold all over the spans is None too.
"""

from __future__ import annotations

import ast
import math
import operator
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, TypeAlias

from ossicle.errors import OssicleError

__all__ = ["Fact", "Rule", "Span", "parse_rule"]

LONGEST = 600
"""Characters that a rule may have."""
MOST_NODES = 200


@dataclass(frozen=True)
class Span:
    """A number known to lie from ``low`` to ``high``, both included."""

    low: float
    high: float

    def __post_init__(self) -> None:
        if not self.low <= self.high:
            raise ValueError(f"no span runs from {self.low} to {self.high}")

    @classmethod
    def about(cls, value: float, error: float, times: float = 2.0) -> Span:
        """Return the span of a value give or take ``times`` its standard error."""
        return cls(value - times * error, value + times * error)

    @property
    def exact(self) -> bool:
        """Whether it is one number."""
        return self.low == self.high


Fact: TypeAlias = "Span | str | bool | None"
_ARITHMETIC: dict[type[ast.operator], Callable[[float, float], float]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
}
_COMPARED = (ast.Lt, ast.LtE, ast.Gt, ast.GtE, ast.Eq, ast.NotEq)


@dataclass(frozen=True)
class Rule:
    """A rule that has been checked. ``text`` is as it was written, ``names`` the facts that it asks for."""

    text: str
    names: frozenset[str]

    def truth(self, facts: Mapping[str, Callable[..., Fact]]) -> bool | None:
        """Return whether it holds by these facts: True, False, or None where they do not tell.

        Parameters
        ----------
        facts
            What each name of the rule stands for.

        Raises
        ------
        OssicleError
            The facts cannot be compared so, or a fact does not take what it was given.
        """
        found = _value(_tree(self.text), facts, self.text)
        if found is None or isinstance(found, bool):
            return found
        raise _wrong(self.text, "is neither true nor false", "end it in a comparison, as loci('upper', 'molar') >= 4")


def parse_rule(text: str, known: Mapping[str, Any] | frozenset[str]) -> Rule:
    """Check a rule.

    Parameters
    ----------
    text
        The rule.
    known
        Names of the facts that it may ask for.

    Raises
    ------
    OssicleError
        It is no rule, is too long, or asks for a fact that there is not.
    """
    if len(text) > LONGEST:
        raise _wrong(text[:40] + " ...", f"is longer than {LONGEST} characters", "write it shorter")
    tree = _tree(text)
    names: set[str] = set()
    nodes = list(ast.walk(tree))
    if len(nodes) > MOST_NODES:
        raise _wrong(text, "is too long", "write it shorter")
    for node in nodes:
        _check(node, text)
        if isinstance(node, ast.Call):
            assert isinstance(node.func, ast.Name)
            names.add(node.func.id)
        elif isinstance(node, ast.Name) and not any(isinstance(n, ast.Call) and n.func is node for n in nodes):
            raise _wrong(text, f"has the bare word {node.id!r}", f"write {node.id}() for a fact or put it in quotes")
    unknown = sorted(names - set(known))
    if unknown:
        raise _wrong(text, f"asks for {unknown[0]!r}, which is no fact", f"there are {', '.join(sorted(known))}")
    return Rule(text, frozenset(names))


@lru_cache(maxsize=1024)
def _tree(text: str) -> ast.expr:
    try:
        return ast.parse(text.strip(), mode="eval").body
    except (SyntaxError, ValueError, RecursionError, MemoryError) as error:
        raise _wrong(text, "cannot be read", "write it as loci('upper', 'molar') >= 4") from error


def _wrong(text: str, what: str, mend: str) -> OssicleError:
    return OssicleError(f"the rule `{text}` {what}", mend=mend)


def _check(node: ast.AST, text: str) -> None:
    if isinstance(node, ast.Constant):
        if isinstance(node.value, str | bool) or (isinstance(node.value, int | float) and math.isfinite(node.value)):
            return
    elif isinstance(node, ast.Call):
        if isinstance(node.func, ast.Name) and not node.keywords and all(_plain(a) for a in node.args):
            return
        raise _wrong(text, "gives a fact something else than words and numbers", "write it as tooth('P4')")
    elif isinstance(node, ast.BoolOp | ast.UnaryOp | ast.BinOp | ast.Compare | ast.Name | ast.Load | ast.boolop):
        if not isinstance(node, ast.BinOp) or type(node.op) in _ARITHMETIC:
            return
    elif isinstance(node, _COMPARED) or type(node) in _ARITHMETIC or isinstance(node, ast.Not | ast.USub):
        return
    raise _wrong(
        text, f"holds what no rule may hold ({type(node).__name__})", "use comparisons, and, or, not, + - * / alone"
    )


def _plain(node: ast.expr) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, str | int | float)


def _value(node: ast.expr, facts: Mapping[str, Callable[..., Fact]], text: str) -> Fact:
    match node:
        case ast.Constant(value=bool() as truth):
            return truth
        case ast.Constant(value=str() as word):
            return word
        case ast.Constant(value=int() | float() as number):
            return Span(float(number), float(number))
        case ast.Call(func=ast.Name(id=name), args=args):
            given = [a.value for a in args if isinstance(a, ast.Constant)]
            try:
                return facts[name](*given)
            except TypeError as error:
                raise _wrong(text, f"gives {name} what it does not take", "see the list of facts") from error
        case ast.UnaryOp(op=ast.Not(), operand=inner):
            holds = _truth(_value(inner, facts, text), text)
            return None if holds is None else not holds
        case ast.UnaryOp(op=ast.USub(), operand=inner):
            span = _value(inner, facts, text)
            return None if span is None else Span(-_span(span, text).high, -_span(span, text).low)
        case ast.BoolOp(op=op, values=parts):
            settles = isinstance(op, ast.Or)
            found = [_truth(_value(p, facts, text), text) for p in parts]
            if settles in found:
                return settles
            return None if None in found else not settles
        case ast.BinOp(left=left, op=op, right=right):
            a, b = _value(left, facts, text), _value(right, facts, text)
            if a is None or b is None:
                return None
            return _arithmetic(_span(a, text), type(op), _span(b, text))
        case ast.Compare(left=left, ops=ops, comparators=others):
            values = [_value(n, facts, text) for n in (left, *others)]
            found = [_compared(a, op, b, text) for a, op, b in zip(values, ops, values[1:], strict=False)]
            if False in found:
                return False
            return None if None in found else True
    raise _wrong(text, "cannot be computed", "use comparisons of facts")


def _truth(value: Fact, text: str) -> bool | None:
    if value is None or isinstance(value, bool):
        return value
    raise _wrong(text, "takes a number or a word for true or false", "compare it with something")


def _span(value: Fact, text: str) -> Span:
    if isinstance(value, Span):
        return value
    raise _wrong(text, "computes with what is no number", "compare words with == alone")


def _arithmetic(a: Span, op: type[ast.operator], b: Span) -> Span | None:
    if op is ast.Div and b.low <= 0 <= b.high:
        return None
    corners = []
    for x in (a.low, a.high):
        for y in (b.low, b.high):
            value = _ARITHMETIC[op](x, y)
            if math.isnan(value):  # infinity times nought
                return None
            corners.append(value)
    return Span(min(corners), max(corners))


def _compared(a: Fact, op: ast.cmpop, b: Fact, text: str) -> bool | None:
    if a is None or b is None:
        return None
    if isinstance(a, Span) and isinstance(b, Span):
        match op:
            case ast.Lt():
                return _settled(a.high < b.low, a.low >= b.high)
            case ast.LtE():
                return _settled(a.high <= b.low, a.low > b.high)
            case ast.Gt():
                return _settled(a.low > b.high, a.high <= b.low)
            case ast.GtE():
                return _settled(a.low >= b.high, a.high < b.low)
        return _turned(op, _settled(a.exact and a == b, a.high < b.low or b.high < a.low))
    if type(a) is type(b) and isinstance(op, ast.Eq | ast.NotEq):
        return _turned(op, a == b)
    raise _wrong(text, "compares what cannot be compared", "compare numbers with numbers, words with words by ==")


def _turned(op: ast.cmpop, same: bool | None) -> bool | None:
    """Return what == or != says."""
    return same if same is None or isinstance(op, ast.Eq) else not same


def _settled(yes: bool, no: bool) -> bool | None:
    return True if yes else False if no else None
