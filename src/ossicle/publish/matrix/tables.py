"""A matrix as CSV: one row a specimen or taxon, and one row a cell with its evidence."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from typing import Any

from .records import Matrix

__all__ = ["CELL_COLUMNS", "cells_csv", "matrix_csv"]

CELL_COLUMNS = (
    "row", "character", "name", "text", "status", "states", "standing", "confidence_1", "by", "computed", "why",
    "parts", "findings",
)  # fmt: skip


def matrix_csv(matrix: Matrix) -> str:
    """Return the matrix with the ids of characters as headings, cells as NEXUS writes them."""
    rows = [(r.label, *(matrix.cell(r, c).text for c in matrix.columns)) for r in matrix.rows]
    return _csv(("row", *(c.id for c in matrix.columns)), rows)


def cells_csv(matrix: Matrix) -> str:
    """Return one row a cell: states in words, standing, evidence."""
    return _csv(CELL_COLUMNS, _cells(matrix))


def _cells(matrix: Matrix) -> Iterable[Sequence[Any]]:
    for r in matrix.rows:
        for c in matrix.columns:
            x = matrix.cell(r, c)
            yield (
                r.label,
                c.id,
                c.name,
                x.text,
                x.status,
                "; ".join(c.label(s) or s for s in x.states),
                x.standing,
                "" if x.confidence is None else x.confidence,
                "; ".join(x.by),
                x.computed or "",
                x.why,
                " ".join(map(str, x.parts)),
                " ".join(x.findings),
            )


def _csv(head: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(head)
    writer.writerows(rows)
    return out.getvalue()
