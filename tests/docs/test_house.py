"""The rules of the house that a program can watch over: length of modules, what is public, where it is shown."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "src" / "ossicle"
LONGEST = 400
"""Lines of a module: as much as one reads at a sitting. Convention of this project."""
ENTRY = {"cli", "desk"}
"""Layers that persons use, and no notebooks."""


def modules() -> list[Path]:
    web = [p for folder in ("src", "lesson") for p in (ROOT / "web" / folder).rglob("*.ts*")]
    return sorted([*PACKAGE.rglob("*.py"), *web])


def test_no_module_is_too_long() -> None:
    long = {str(p.relative_to(ROOT)): n for p in modules() if (n := len(p.read_text("utf-8").splitlines())) > LONGEST}
    assert long == {}


def listed(tree: ast.Module) -> list[str] | None:
    """What ``__all__`` lists; None where there is none."""
    for node in tree.body:
        if isinstance(node, ast.Assign) and any(isinstance(t, ast.Name) and t.id == "__all__" for t in node.targets):
            return list(ast.literal_eval(node.value))
    return None


def defined(body: list[ast.stmt]) -> Iterator[str]:
    """Names that a module's text gives a meaning."""
    for node in body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            yield node.name
        elif isinstance(node, ast.Import | ast.ImportFrom):
            yield from ((a.asname or a.name).partition(".")[0] for a in node.names)
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            yield from (n.id for t in targets for n in ast.walk(t) if isinstance(n, ast.Name))
        elif isinstance(node, ast.If):
            yield from defined([*node.body, *node.orelse])


@pytest.mark.parametrize("path", sorted(PACKAGE.rglob("*.py")), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_what_is_listed_is_there(path: Path) -> None:
    tree = ast.parse(path.read_text("utf-8"))
    names = listed(tree)
    if names is not None:
        assert len(set(names)) == len(names)
        assert set(names) <= set(defined(tree.body))


def test_each_layer_that_lists_names_is_on_the_page_of_python() -> None:
    pages = ast.parse((ROOT / "scripts" / "docs_pages.py").read_text("utf-8"))
    shown = next(
        ast.literal_eval(node.value)
        for node in pages.body
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name) and node.targets[0].id == "LAYERS"
    )
    layers = {p.parent.name for p in PACKAGE.glob("*/__init__.py") if listed(ast.parse(p.read_text("utf-8")))} - ENTRY
    assert {name.removeprefix("ossicle.") for name in shown} >= layers


def test_the_package_itself_lists_its_version_alone() -> None:
    assert listed(ast.parse((PACKAGE / "__init__.py").read_text("utf-8"))) == ["__version__"]
