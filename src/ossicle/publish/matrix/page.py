"""A matrix as one readable page: characters by row, specimens by column; each cell opens its evidence. No script."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING

from ossicle import __version__
from ossicle.account.page import content_hash, templates_of
from ossicle.publish.scoring import Cell

from .records import Column, Matrix, Row

if TYPE_CHECKING:
    from jinja2 import Template

__all__ = ["Shown", "matrix_html"]

MARKS = {"agreed": "●", "amended": "◐", "disputed": "✕", "imported": "↧"}
LOW = 0.7
"""Confidence below which a cell is drawn as uncertain, as names of teeth are in an account."""


@dataclass(frozen=True)
class Shown:
    """What stands behind a row: statements by finding id, and the address of its account's page ("" for none)."""

    statements: Mapping[str, str]
    page: str = ""


@dataclass(frozen=True)
class _Cell:
    id: str
    row: Row
    cell: Cell
    words: str
    spoken: str
    mark: str
    low: bool
    findings: list[tuple[str, str, str]]


@dataclass(frozen=True)
class _Line:
    column: Column
    states: list[str]
    cells: list[_Cell]


def matrix_html(matrix: Matrix, shown: Mapping[str, Shown] | None = None) -> str:
    """Return the page.

    Parameters
    ----------
    shown
        By row label; rows without an entry show ids of findings alone.
    """
    template, css, digest = _template()
    lines = [
        _Line(
            c,
            [f"{s} {c.label(s)}".strip() for s in c.symbols] if c.states else [],
            [_cell(matrix, i, k, r, c, (shown or {}).get(r.label)) for i, r in enumerate(matrix.rows)],
        )
        for k, c in enumerate(matrix.columns)
    ]
    held = [matrix.cell(r, c) for r in matrix.rows for c in matrix.columns]
    told = sum(x.status != "missing" for x in held)
    return template.render(
        css=css,
        css_digest=digest,
        version=__version__,
        title=matrix.title or "Characters of skulls",
        facts=[
            ("Rows", str(len(matrix.rows))),
            ("Characters", str(len(matrix.columns))),
            ("Cells told", f"{told} of {len(held)}"),
            ("By a person", str(sum(bool(x.by) for x in held))),
            ("Disputed", str(sum(x.standing == "disputed" for x in held))),
        ],
        rows=matrix.rows,
        columns=lines,
    )


def _cell(matrix: Matrix, i: int, k: int, row: Row, column: Column, shown: Shown | None) -> _Cell:
    cell = matrix.cell(row, column)
    words = _words(column, cell)
    findings = []
    for name in cell.findings:
        href = f"{shown.page}#f-{name.replace('.', '-').replace('/', '-')}" if shown is not None and shown.page else ""
        findings.append((name, shown.statements.get(name, name) if shown is not None else name, href))
    return _Cell(
        id=f"{i + 1}-{k + 1}",
        row=row,
        cell=cell,
        words=words,
        spoken=f"{row.label}, {column.name}: {words}, {cell.standing}",
        mark=MARKS.get(cell.standing, ""),
        low=cell.confidence is not None and cell.confidence < LOW,
        findings=findings,
    )


def _words(column: Column, cell: Cell) -> str:
    if cell.status == "missing":
        return "not told"
    if cell.status == "inapplicable":
        return "does not apply"
    named = [column.label(s) or s for s in cell.states]
    return (" or " if cell.status == "uncertain" else " and ").join(named)


@lru_cache(maxsize=1)
def _template() -> tuple[Template, str, str]:
    from markupsafe import Markup

    base = files("ossicle.account").joinpath("templates/account.css").read_text(encoding="utf-8")
    css = base + files("ossicle.publish.matrix").joinpath("templates/matrix.css").read_text(encoding="utf-8")
    digest = content_hash(css)
    environment = templates_of("ossicle.publish.matrix")
    return environment.get_template("matrix.html.j2"), Markup(css), digest
