"""A CSV of catalogue data: which row is of which scan, and every error by row and column."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from ossicle.errors import OssicleError, shortened
from ossicle.files import read_within
from ossicle.scans.naming import printable, shown

from .locality import HeldLocality
from .terms import place_of, specimen_data, term_named

__all__ = ["SOURCE", "CatalogueRow", "box_from", "read_table"]

SOURCE = "source"
"""The heading of the column that names each scan, relative to the folder that is taken in."""
EXTRA = ("spacing_mm", "box_zyx")
_MOST_TOLD = 12
_LETTERS = 320
_LARGEST = 64 << 20


@dataclass(frozen=True)
class CatalogueRow:
    """One row: ``line`` counts as a spreadsheet does (the headings are row 1). ``said`` holds values by term."""

    line: int
    source: str
    said: Mapping[str, str]
    spacing: str = ""
    box_zyx: tuple[tuple[int, int], ...] | None = None


def read_table(path: Path, columns: Mapping[str, str] | None = None) -> list[CatalogueRow]:
    """Read a CSV (UTF-8; comma, semicolon or tab) of catalogue data.

    Parameters
    ----------
    path
        Its first row holds headings: ``source``, Darwin Core terms, and where needed ``spacing_mm`` and ``box_zyx``
        (``z0:z1,y0:y1,x0:x1``, half-open voxel ranges, where a scan holds several specimens).
    columns
        What headings of the file mean, ``{"Museum no.": "catalogNumber"}``; a heading mapped to ``-`` is left out.

    Raises
    ------
    OssicleError
        With every error by row and column (the first twelve); nothing has been taken in.
    """
    try:
        text = read_within(path, _LARGEST).decode("utf-8-sig")
    except OSError as error:
        raise OssicleError(
            f"the table cannot be read ({error.strerror})", where=shown(path), mend="mend that"
        ) from error
    except UnicodeDecodeError as error:
        raise OssicleError("the table is not UTF-8 text", where=shown(path), mend="save it as CSV, UTF-8") from error
    first = text.split("\n", 1)[0]
    delimiter = max(",;\t", key=first.count)
    try:
        rows = [(n, row) for n, row in enumerate(csv.reader(io.StringIO(text), delimiter=delimiter, strict=True), 1)]
    except csv.Error as error:
        raise OssicleError(f"the table is no CSV ({error})", where=shown(path), mend="save it as CSV again") from error
    rows = [(n, row) for n, row in rows if any(cell.strip() for cell in row)]
    if len(rows) < 2:
        raise OssicleError("the table holds no rows", where=shown(path), mend="give headings and a row for each scan")
    headings = [h.strip() for h in rows[0][1]]
    meaning, errors = _meanings(headings, columns or {})
    made = []
    numbers: dict[str, tuple[int, Mapping[str, str]]] = {}
    for line, cells in rows[1:]:
        row, wrong = _row(line, cells, headings, meaning)
        errors += wrong
        number = row.said.get("catalogNumber", "")
        if number and number in numbers and not wrong:
            before, said = numbers[number]
            errors += [
                f"row {line}, column {_heading(t, headings, meaning)}: {v!r}, but row {before} says {said[t]!r} of the "
                "same specimen"
                for t, v in row.said.items()
                if v and said.get(t, v) != v
            ]
        numbers.setdefault(number, (line, row.said))
        made.append(row)
    if errors:
        told = printable(first_of(errors))
        more = f" (and {len(errors) - _MOST_TOLD} more)" if len(errors) > _MOST_TOLD else ""
        raise OssicleError(told + more, where=shown(path.name), mend="mend them and run again")
    return made


def first_of(errors: Sequence[str]) -> str:
    """Return the first twelve errors of a table's rows in one clause, each shortened."""
    return "; ".join(shortened(e, _LETTERS) for e in errors[:_MOST_TOLD])


def _meanings(headings: Sequence[str], columns: Mapping[str, str]) -> tuple[list[str | None], list[str]]:
    errors = [f"--column {h!r}: the table has no such column" for h in columns if h not in headings]
    meaning: list[str | None] = []
    numbered = any(term_named(columns.get(h, h)) == "catalogNumber" for h in headings)
    example = "scientificName" if numbered else "catalogNumber"
    for heading in headings:
        wanted = columns.get(heading, heading)
        folded = wanted.strip().lower()
        if wanted == "-":
            meaning.append(None)
        elif folded == SOURCE or folded in EXTRA:
            meaning.append(folded)
        else:
            term = term_named(wanted)
            if term is None:
                errors.append(
                    f"row 1, column {heading!r}: this is no Darwin Core term that is taken "
                    f"(say what it means with --column '{heading}={example}', or leave it out with '{heading}=-')"
                )
            meaning.append(term)
    used = [m for m in meaning if m is not None]
    errors += [f"row 1: two columns mean {m}" for m in sorted(set(used)) if used.count(m) > 1]
    errors += [f"row 1: no column means {m}" for m in (SOURCE, "catalogNumber") if m not in used]
    return meaning, errors


def _heading(term: str, headings: Sequence[str], meaning: Sequence[str | None]) -> str:
    return repr(headings[meaning.index(term)])


def _row(
    line: int, cells: Sequence[str], headings: Sequence[str], meaning: Sequence[str | None]
) -> tuple[CatalogueRow, list[str]]:
    errors = []
    if len(cells) > len(headings):
        errors.append(f"row {line}: {len(cells)} cells under {len(headings)} headings")
    said: dict[str, str] = {}
    extra: dict[str, str] = {}
    place: dict[str, object] = {}
    for heading, wanted, cell in zip(headings, meaning, cells, strict=False):
        value = " ".join(cell.split())
        if wanted is None:
            continue
        if wanted == SOURCE or wanted in EXTRA:
            extra[wanted] = value
            continue
        if not value and wanted != "catalogNumber":
            continue
        try:
            place |= specimen_data({wanted: value}).place
        except OssicleError as error:
            mend = f" ({error.mend})" if error.mend else ""
            errors.append(f"row {line}, column {heading!r}: {error.what}{mend}")
        said[wanted] = value
    try:
        place_of(place, HeldLocality())
    except OssicleError as error:
        errors.append(f"row {line}: {error.what}")
    if not extra.get(SOURCE):
        errors.append(f"row {line}, column 'source': it is empty")
    box = None
    if extra.get("box_zyx"):
        box = _box(extra["box_zyx"])
        if box is None:
            errors.append(f"row {line}, column 'box_zyx': {extra['box_zyx']!r} is no box (write z0:z1,y0:y1,x0:x1)")
    return CatalogueRow(line, extra.get(SOURCE, ""), said, extra.get("spacing_mm", ""), box), errors


def box_from(text: str) -> tuple[tuple[int, int], ...]:
    """Return half-open voxel ranges from ``z0:z1,y0:y1,x0:x1``; raises `OssicleError` where it is none."""
    box = _box(text)
    if box is None:
        raise OssicleError(f"{text!r} is no box", where="--box", mend="write z0:z1,y0:y1,x0:x1, in voxels")
    return box


def _box(text: str) -> tuple[tuple[int, int], ...] | None:
    try:
        ranges = [tuple(int(v) for v in piece.split(":")) for piece in text.split(",")]
    except ValueError:
        return None
    if len(ranges) != 3 or any(len(r) != 2 or not 0 <= r[0] < r[1] for r in ranges):
        return None
    return tuple((r[0], r[1]) for r in ranges)
