"""Would the tests notice? One thing in a module is changed at a time, and its own fast tests are run.

``python -m benchmarks.mutation TARGET`` goes through one module of `TARGETS`; ``--most N`` takes N mutants spread
evenly over it, ``--survivors`` prints those that no test noticed, ``--out FILE`` keeps all of it as JSON. A mutant is
one changed operator, comparison, condition, number, text, truth value or returned value, or one statement left out; the
words of refusals and docstrings are let be. Each runs in a process forked from one that has everything heavy loaded,
with a limit of processor time, so that a mutant that never ends counts as noticed. Property tests draw the same 25
examples each time. What was found is told in docs/house.md.

The operators are those of Offutt, Lee, Rothermel, Untch & Zapf 1996, ACM Trans. Softw. Eng. Methodol. 5:99 (arithmetic,
relational, logical and unary replacement), with statements left out and constants changed as is common practice.
"""

from __future__ import annotations

import argparse
import ast
import importlib
import importlib.abc
import importlib.machinery
import importlib.util
import json
import os
import resource
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from types import ModuleType

ROOT = Path(__file__).resolve().parent.parent


@dataclass(frozen=True)
class Target:
    """A module, the tests that are its own, and what they import that is worth loading once."""

    module: str
    tests: tuple[str, ...]
    heavy: tuple[str, ...] = ()


TARGETS = {
    "formula-grammar": Target(
        "ossicle.anatomy.formula_grammar",
        ("tests/anatomy/test_formula_grammar.py", "tests/anatomy/test_formula.py"),
    ),
    "formula": Target(
        "ossicle.anatomy.formula",
        ("tests/anatomy/test_formula.py", "tests/anatomy/test_formula_grammar.py"),
    ),
    "alignment": Target(
        "ossicle.reading.naming.alignment", ("tests/reading/naming/test_row_alignment.py",), ("numpy", "scipy.special")
    ),
    "decisions": Target(
        "ossicle.collection.history", ("tests/collection/test_history.py",), ("numpy", "scipy.ndimage", "sqlalchemy")
    ),
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
        node.body = [self.visit(s) for s in node.body]
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


class _Instead(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Gives one module from a syntax tree in place of its file."""

    def __init__(self, name: str, tree: ast.Module, path: Path) -> None:
        self.name, self.code, self.path = name, compile(tree, str(path), "exec"), path

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        if fullname != self.name:
            return None
        return importlib.util.spec_from_file_location(fullname, self.path, loader=self)

    def exec_module(self, module: ModuleType) -> None:
        exec(self.code, module.__dict__)


def _tried(target: Target, instead: _Instead | None, limit_s: float) -> int:
    """Run the tests in a forked process; return how it ended (0: no test noticed anything)."""
    child = os.fork()
    if child == 0:
        code = 3
        try:
            resource.setrlimit(resource.RLIMIT_CPU, (int(limit_s), int(limit_s) + 1))
            quiet = os.open(os.devnull, os.O_WRONLY)
            os.dup2(quiet, 1)
            os.dup2(quiet, 2)
            if instead is not None:
                sys.meta_path.insert(0, instead)
            import pytest

            code = int(
                pytest.main(
                    [
                        "-x",
                        "-q",
                        "-p",
                        "no:cacheprovider",
                        "-p",
                        "_hypothesis_pytestplugin",
                        "--no-header",
                        *target.tests,
                    ]
                )
            )
        finally:
            os._exit(code)
    _, status = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(status)


def tried(target: Target, *, most: int | None = None, limit_s: float = LIMIT_S) -> Iterator[tuple[Mutant, bool]]:
    """Yield each mutant of a target with whether its tests noticed it.

    Raises
    ------
    ValueError
        The tests fail on the module as it is, so that they would show nothing.
    """
    spec = importlib.util.find_spec(target.module)
    if spec is None or spec.origin is None:
        raise ValueError(f"there is no module {target.module}")
    path = Path(spec.origin)
    source = path.read_text("utf-8")
    _forget(target.module)
    if _tried(target, None, 10 * limit_s) != 0:
        raise ValueError(f"the tests of {target.module} fail before anything is changed")
    every = mutants_in(source)
    chosen = range(every) if most is None or most >= every else [round(k * every / most) for k in range(most)]
    for number in chosen:
        tree, mutant = mutated(source, number)
        yield mutant, _tried(target, _Instead(target.module, tree, path), limit_s) != 0


def _forget(module: str) -> None:
    """Let go of our own modules, so that each forked process loads them anew, with the changed one among them."""
    top = module.partition(".")[0]
    for name in [n for n in sys.modules if n == top or n.startswith(f"{top}.")]:
        del sys.modules[name]


def _ready(target: Target) -> None:
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    import hypothesis
    import pytest  # noqa: F401

    hypothesis.settings.register_profile("mutation", max_examples=25, derandomize=True, database=None, deadline=None)
    hypothesis.settings.load_profile("mutation")
    for name in target.heavy:
        importlib.import_module(name)


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
    _ready(target)
    began, noticed, alive = time.monotonic(), 0, list[Mutant]()
    for mutant, seen in tried(target, most=given.most):
        noticed += seen
        if not seen:
            alive.append(mutant)
            if given.survivors:
                print(f"line {mutant.line}: {mutant.before}  ->  {mutant.after}", flush=True)
        if given.out is not None:
            kept = {"module": target.module, "tests": target.tests, "tried": noticed + len(alive), "noticed": noticed}
            given.out.write_text(json.dumps({**kept, "alive": [asdict(m) for m in alive]}, indent=1), "utf-8")
    every = noticed + len(alive)
    print(f"{target.module}: {every} mutants, {noticed} noticed, {len(alive)} not; {time.monotonic() - began:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
