"""Would the tests notice? One thing in a module is changed at a time, and its own fast tests are run.

``python -m benchmarks.mutation TARGET`` goes through one module of `TARGETS`; ``--most N`` takes N mutants spread
evenly over it, ``--survivors`` prints those that no test noticed, ``--out FILE`` keeps all of it as JSON. A mutant is
one changed operator, comparison, condition, number, text, truth value or returned value, or one statement left out; the
words of refusals and docstrings are let be, and what stands in the body of a class outside its methods is not reached.
The tests are collected once; each mutant then has a process of its own, forked from that one, in which the code of the
module's functions is exchanged. A limit of processor time lets a mutant that never ends count as noticed. Property
tests draw the same 25 examples each time. What was found is told in docs/house.md.

The operators are those of Offutt, Lee, Rothermel, Untch & Zapf 1996, ACM Trans. Softw. Eng. Methodol. 5:99 (arithmetic,
relational, logical and unary replacement), with statements left out and constants changed as is common practice.
"""

from __future__ import annotations

import argparse
import ast
import importlib
import json
import os
import resource
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from functools import cached_property
from pathlib import Path
from types import FunctionType, ModuleType
from typing import Any

ROOT = Path(__file__).resolve().parent.parent


@dataclass(frozen=True)
class Target:
    """A module, and the tests that are its own."""

    module: str
    tests: tuple[str, ...]


TARGETS = {
    "formula-grammar": Target(
        "ossicle.anatomy.formula_grammar",
        ("tests/anatomy/test_formula_grammar.py", "tests/anatomy/test_formula.py"),
    ),
    "formula": Target(
        "ossicle.anatomy.formula",
        ("tests/anatomy/test_formula.py", "tests/anatomy/test_formula_grammar.py"),
    ),
    "alignment": Target("ossicle.reading.naming.alignment", ("tests/reading/naming/test_row_alignment.py",)),
    "decisions": Target("ossicle.collection.history", ("tests/collection/test_history.py",)),
}

LIMIT_S = 20
"""Processor seconds of one mutant."""


@dataclass(frozen=True)
class Mutant:
    """One change: its number, line, and the statement's first words before and after."""

    number: int
    line: int
    before: str
    after: str


_COMPARED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt,
    ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
}  # fmt: skip
_REVERSED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.GtE, ast.LtE: ast.Gt, ast.Gt: ast.LtE, ast.GtE: ast.Lt,
}  # fmt: skip
_COUNTED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult, ast.Pow: ast.Mult, ast.BitOr: ast.BitAnd, ast.BitAnd: ast.BitOr,
}  # fmt: skip
_REFUSALS = ("OssicleError", "_refuse", "ValueError", "TypeError")


class _Changer(ast.NodeTransformer):
    """Walks through a module and makes the change whose number is ``wanted``; with None it only counts."""

    def __init__(self, wanted: int | None) -> None:
        self.wanted, self.count = wanted, 0
        self.line, self.before, self.after = 0, "", ""

    def _here(self, node: ast.AST, new: ast.AST) -> bool:
        """Whether the change that is due now is the wanted one; then it is noted."""
        self.count += 1
        if self.count - 1 != self.wanted:
            return False
        self.line = getattr(node, "lineno", 0)
        self.before, self.after = ast.unparse(node)[:120], ast.unparse(new)[:120]
        return True

    def _try(self, node: ast.AST, new: ast.AST) -> ast.AST | None:
        ast.copy_location(new, node)
        ast.fix_missing_locations(new)
        return new if self._here(node, new) else None

    # -- what is let be: docstrings, annotations, the words of refusals, names that are exported

    def visit_Expr(self, node: ast.Expr) -> ast.AST:
        if isinstance(node.value, ast.Constant):
            return node
        new = self._try(node, ast.Pass())
        return new or self.generic_visit(node)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST:
        if node.value is not None:
            node.value = self.visit(node.value)
        return node

    def visit_Assign(self, node: ast.Assign) -> ast.AST:
        if any(isinstance(t, ast.Name) and t.id == "__all__" for t in node.targets):
            return node
        node.value = self.visit(node.value)
        return node

    def visit_arguments(self, node: ast.arguments) -> ast.AST:
        node.defaults = [self.visit(d) for d in node.defaults]
        node.kw_defaults = [None if d is None else self.visit(d) for d in node.kw_defaults]
        return node

    def _function(self, node: ast.FunctionDef) -> ast.AST:
        node.args = self.visit(node.args)
        node.body = [self.visit(s) for s in node.body]
        return node

    visit_FunctionDef = _function

    def visit_ClassDef(self, node: ast.ClassDef) -> ast.AST:
        node.body = [self.visit(s) if isinstance(s, ast.FunctionDef) else s for s in node.body]
        return node

    def visit_Raise(self, node: ast.Raise) -> ast.AST:
        return self._try(node, ast.Pass()) or node

    def visit_Call(self, node: ast.Call) -> ast.AST:
        if isinstance(node.func, ast.Name) and node.func.id in _REFUSALS:
            return node
        return self.generic_visit(node)

    # -- changes

    def visit_Compare(self, node: ast.Compare) -> ast.AST:
        for table in (_COMPARED, _REVERSED):
            for at, op in enumerate(node.ops):
                if type(op) in table:
                    ops = [table[type(o)]() if k == at else o for k, o in enumerate(node.ops)]
                    new = self._try(node, ast.Compare(node.left, ops, node.comparators))
                    if new is not None:
                        return new
        return self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> ast.AST:
        if type(node.op) in _COUNTED:
            new = self._try(node, ast.BinOp(node.left, _COUNTED[type(node.op)](), node.right))
            if new is not None:
                return new
        return self.generic_visit(node)

    def visit_AugAssign(self, node: ast.AugAssign) -> ast.AST:
        new = self._try(node, ast.Pass())
        if new is not None:
            return new
        if type(node.op) in _COUNTED:
            new = self._try(node, ast.AugAssign(node.target, _COUNTED[type(node.op)](), node.value))
            if new is not None:
                return new
        node.value = self.visit(node.value)
        return node

    def visit_BoolOp(self, node: ast.BoolOp) -> ast.AST:
        other = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        new = self._try(node, ast.BoolOp(other, node.values))
        return new or self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> ast.AST:
        new = self._try(node, node.operand) if isinstance(node.op, ast.Not | ast.USub) else None
        return new or self.generic_visit(node)

    def _condition(self, node: ast.If | ast.IfExp | ast.While) -> ast.AST:
        if not isinstance(node.test, ast.Compare | ast.BoolOp | ast.UnaryOp):
            new = self._try(node.test, ast.UnaryOp(ast.Not(), node.test))
            if isinstance(new, ast.expr):
                node.test = new
                return node
        return self.generic_visit(node)

    visit_If = visit_IfExp = visit_While = _condition

    def visit_Constant(self, node: ast.Constant) -> ast.AST:
        if isinstance(node.value, bool):
            return self._try(node, ast.Constant(not node.value)) or node
        if isinstance(node.value, int | float):
            return self._try(node, ast.Constant(node.value + 1)) or node
        if isinstance(node.value, str) and node.value:
            return self._try(node, ast.Constant(f"~{node.value}")) or node
        return node

    def visit_JoinedStr(self, node: ast.JoinedStr) -> ast.AST:
        return node

    def visit_Return(self, node: ast.Return) -> ast.AST:
        if node.value is not None and not (isinstance(node.value, ast.Constant) and node.value.value is None):
            new = self._try(node, ast.Return(ast.Constant(None)))
            if new is not None:
                return new
        return self.generic_visit(node)

    def visit_Continue(self, node: ast.Continue) -> ast.AST:
        return self._try(node, ast.Break()) or node

    def visit_Break(self, node: ast.Break) -> ast.AST:
        return self._try(node, ast.Continue()) or node


def mutants_in(source: str) -> int:
    """Return how many changes a module's text allows."""
    counter = _Changer(None)
    counter.visit(ast.parse(source))
    return counter.count


def mutated(source: str, number: int) -> tuple[ast.Module, Mutant]:
    """Return a module's syntax tree with one change, and the change."""
    changer = _Changer(number)
    tree = changer.visit(ast.parse(source))
    ast.fix_missing_locations(tree)
    return tree, Mutant(number, changer.line, changer.before, changer.after)


def exchange(module: ModuleType, tree: ast.Module) -> None:
    """Let a loaded module work as its changed text says: functions and methods keep their places, constants move."""
    changed: dict[str, Any] = {**module.__dict__}
    exec(compile(tree, str(module.__file__), "exec"), changed)
    for name, new in changed.items():
        old = module.__dict__.get(name)
        if old is new or name.startswith("__"):
            continue
        if isinstance(old, FunctionType) and old.__module__ == module.__name__:
            _as(old, new)
        elif isinstance(old, type) and old.__module__ == module.__name__:
            for attribute, value in vars(new).items():
                for mine, theirs in zip(_inner(vars(old).get(attribute)), _inner(value), strict=False):
                    _as(mine, theirs)
        elif not _alike(old, new):
            for other in [m for m in sys.modules.values() if getattr(m, "__dict__", {}).get(name) is old]:
                setattr(other, name, new)


def _alike(old: object, new: object) -> bool:
    try:
        return type(old) is type(new) and bool(old == new)
    except ValueError:  # arrays
        return False


def _as(old: FunctionType, new: FunctionType) -> None:
    # What a decorator made of a method (a dataclass's own, for instance) is the same in both, and stays.
    if old.__code__.co_freevars == new.__code__.co_freevars:
        old.__code__, old.__defaults__, old.__kwdefaults__ = new.__code__, new.__defaults__, new.__kwdefaults__


def _inner(value: object) -> list[FunctionType]:
    """Return the functions of a class's attribute: of a method, a property, a class or static method."""
    if isinstance(value, property):
        return [f for f in (value.fget, value.fset) if isinstance(f, FunctionType)]
    if isinstance(value, cached_property):
        return [value.func] if isinstance(value.func, FunctionType) else []
    found = getattr(value, "__func__", value)
    return [found] if isinstance(found, FunctionType) else []


class _Loop:
    """In the place of pytest's own loop: all collected tests for each mutant, in a process of its own."""

    def __init__(self, module: str, most: int | None, tell: Callable[[Mutant, bool], None]) -> None:
        self.name, self.most, self.tell = module, most, tell
        self.sound = False

    def pytest_runtestloop(self, session: Any) -> bool:
        module = importlib.import_module(self.name)
        source = Path(str(module.__file__)).read_text("utf-8")
        self.sound = _tried(session, None, 10 * LIMIT_S) == 0
        every = mutants_in(source)
        most = every if self.most is None else min(self.most, every)
        for number in [round(k * every / most) for k in range(most)] if self.sound else []:
            tree, mutant = mutated(source, number)
            self.tell(mutant, _tried(session, lambda tree=tree: exchange(module, tree), LIMIT_S) != 0)
        return True


def _tried(session: Any, change: Callable[[], None] | None, limit_s: int) -> int:
    """Run the tests in a forked process; return how it ended (0: no test noticed anything)."""
    child = os.fork()
    if child == 0:
        code = 3
        try:
            resource.setrlimit(resource.RLIMIT_CPU, (limit_s, limit_s + 1))
            quiet = os.open(os.devnull, os.O_WRONLY)
            os.dup2(quiet, 1)
            os.dup2(quiet, 2)
            session.config.pluginmanager.unregister(name="terminalreporter")
            if change is not None:
                change()
            for item, following in zip(session.items, [*session.items[1:], None], strict=True):
                item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
                if session.testsfailed:
                    break
            code = 1 if session.testsfailed else 0
        finally:
            os._exit(code)
    _, status = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(status)


def go_through(target: Target, tell: Callable[[Mutant, bool], None], most: int | None = None) -> None:
    """Try the mutants of a target; ``tell`` is called with each and whether its tests noticed it.

    Raises
    ------
    ValueError
        The tests cannot be collected, or fail on the module as it is, so that they would show nothing.
    """
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    import hypothesis
    import pytest

    hypothesis.settings.register_profile("mutation", max_examples=25, derandomize=True, database=None, deadline=None)
    hypothesis.settings.load_profile("mutation")
    loop = _Loop(target.module, most, tell)
    words = ["-x", "-q", "-p", "no:cacheprovider", "-p", "_hypothesis_pytestplugin", "--no-header", "--no-summary"]
    code = pytest.main([*words, *target.tests], plugins=[loop])
    if code not in (0, 5) or not loop.sound:
        raise ValueError(f"the tests of {target.module} fail before anything is changed")


def main(argv: Sequence[str] | None = None) -> int:
    """Go through one target."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("target", choices=sorted(TARGETS))
    words.add_argument("--most", type=int, help="mutants, spread evenly; left out, all")
    words.add_argument("--survivors", action="store_true", help="print those that no test noticed")
    words.add_argument("--out", type=Path, help="file to keep everything in, JSON")
    given = words.parse_args(argv)
    target = TARGETS[given.target]
    os.chdir(ROOT)
    began, noticed, alive = time.monotonic(), 0, list[Mutant]()

    def tell(mutant: Mutant, seen: bool) -> None:
        nonlocal noticed
        noticed += seen
        if not seen:
            alive.append(mutant)
            if given.survivors:
                print(f"line {mutant.line}: {mutant.before}  ->  {mutant.after}", flush=True)
        if given.out is not None:
            kept = {"module": target.module, "tests": target.tests, "tried": noticed + len(alive), "noticed": noticed}
            given.out.write_text(json.dumps({**kept, "alive": [asdict(m) for m in alive]}, indent=1), "utf-8")

    go_through(target, tell, given.most)
    every = noticed + len(alive)
    print(f"{target.module}: {every} mutants, {noticed} noticed, {len(alive)} not; {time.monotonic() - began:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
