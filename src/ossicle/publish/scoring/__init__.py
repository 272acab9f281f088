"""Scoring: the state of each character in each specimen, with evidence and standing; specimens pooled to taxa."""

from __future__ import annotations

from .evidence import evidence_of
from .facts import Facts
from .persons import PersonScore, person_scores, with_persons
from .pooling import pooled
from .records import Cell, Status, cell_text, parse_cell
from .rules import computed_cell, computed_cells

__all__ = [
    "Cell",
    "Facts",
    "PersonScore",
    "Status",
    "cell_text",
    "computed_cell",
    "computed_cells",
    "evidence_of",
    "parse_cell",
    "person_scores",
    "pooled",
    "with_persons",
]
