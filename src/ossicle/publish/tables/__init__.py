"""Dentition, measurements and openings of many specimens as tidy tables with a data dictionary."""

from __future__ import annotations

from .writing import Field, Table, tables, write_tables

__all__ = ["Field", "Table", "tables", "write_tables"]
