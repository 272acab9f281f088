"""Matrices of characters: NEXUS, CSV and a page, and matrices of others to go on with."""

from __future__ import annotations

from .folder import read_nexus, write_matrix
from .nexus import matrix_from_nexus, matrix_to_nexus
from .page import Shown, matrix_html
from .records import Column, Matrix, Row, column_of, continued, matrix_of
from .tables import cells_csv, matrix_csv

__all__ = [
    "Column",
    "Matrix",
    "Row",
    "Shown",
    "cells_csv",
    "column_of",
    "continued",
    "matrix_csv",
    "matrix_from_nexus",
    "matrix_html",
    "matrix_of",
    "matrix_to_nexus",
    "read_nexus",
    "write_matrix",
]
