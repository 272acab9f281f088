"""A matrix of characters: columns, rows, and a cell for each pair, with all that is known of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from ossicle.anatomy.characters import Character
from ossicle.errors import OssicleError
from ossicle.publish.scoring import Cell, pooled

__all__ = ["Column", "Matrix", "Row", "column_of", "continued", "matrix_of"]

MISSING = Cell(why="Not scored.", standing="imported")


@dataclass(frozen=True)
class Column:
    """A character of a matrix. ``states`` are labels, as many as known; ``symbols`` what stands in cells."""

    id: str
    name: str
    states: tuple[str, ...]
    symbols: str
    ordered: bool = False
    note: str = ""
    state_notes: tuple[tuple[str, str], ...] = ()

    def label(self, symbol: str) -> str:
        """Return what a symbol stands for, "" where nothing says."""
        place = self.symbols.find(symbol)
        return self.states[place] if 0 <= place < len(self.states) else ""


@dataclass(frozen=True)
class Row:
    """A specimen or taxon of a matrix; ``specimens`` are those that it was pooled from."""

    label: str
    note: str = ""
    specimens: tuple[str, ...] = ()


@dataclass(frozen=True)
class Matrix:
    """Cells by row label and column id. ``others`` are blocks of a NEXUS file that were not read, as they stood."""

    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    cells: Mapping[tuple[str, str], Cell]
    title: str = ""
    others: tuple[str, ...] = field(default=())

    def cell(self, row: Row, column: Column) -> Cell:
        """Return a cell; missing where none was scored."""
        return self.cells.get((row.label, column.id), MISSING)

    def symbols(self) -> str:
        """Return all symbols, in order."""
        return "".join(dict.fromkeys(s for c in self.columns for s in c.symbols))


def column_of(character: Character) -> Column:
    """Return a character as a column; its note tells source, how it is scored, and cautions."""
    number = f", character {character.number}" if character.number else ""
    checked = "" if character.status == "V" else " (source from memory)"
    how = "scored by rule" if character.computed else "scored by a person"
    note = f"{character.id}; {how}; after {character.source}{number}{checked}"
    if character.when:
        note += "; rules: " + " | ".join(w.text for w in character.when)
    return Column(
        id=character.id,
        name=character.name,
        states=character.states,
        symbols=character.symbols(),
        ordered=character.ordered,
        note=f"{note}. {character.note}".strip(),
    )


def matrix_of(
    characters: Sequence[Character],
    scored: Mapping[str, Mapping[str, Cell]],
    taxa: Mapping[str, str] | None = None,
    title: str = "",
) -> Matrix:
    """Return the matrix of scored specimens.

    Parameters
    ----------
    characters
        The columns.
    scored
        Cells by specimen and character.
    taxa
        Taxon by specimen: then a row is a taxon; specimens without one are left as they are.
    """
    groups: dict[str, list[str]] = {}
    for name in scored:
        groups.setdefault((taxa or {}).get(name) or name, []).append(name)
    rows, cells = [], {}
    for label, members in groups.items():
        alone = members == [label]
        rows.append(Row(label, "" if alone else f"Pooled from {', '.join(members)}.", tuple(members)))
        for c in characters:
            own = {m: scored[m][c.id] for m in members}
            cells[label, c.id] = own[label] if alone else pooled(own, c.symbols())
    return Matrix(tuple(column_of(c) for c in characters), tuple(rows), cells, title)


def continued(
    old: Matrix, new: Matrix, same: Mapping[str, str] | None = None
) -> tuple[Matrix, list[tuple[str, str, str, str]]]:
    """Return an earlier matrix with what was scored since, and the cells in which they differ.

    What a person said, or another program wrote, stays; what the rules said before gives way to what they say now; what
    was missing is filled.

    Parameters
    ----------
    same
        Ids of columns of ``new`` by the names or ids of those of ``old`` that are the same character.

    Returns
    -------
    Matrix, and (row, column, old text, new text) of each cell in which the old one was kept against the new.

    Raises
    ------
    OssicleError
        A column that is the same has other states, or there is none of that name.
    """
    mapped = {}
    for name, wanted in (same or {}).items():
        found = next((c.id for c in old.columns if name in (c.id, c.name)), None)
        if found is None or wanted not in {c.id for c in new.columns}:
            raise OssicleError(
                f"{name!r} and {wanted!r} are not both characters of these matrices",
                where="--same",
                mend="mend the names",
            )
        mapped[wanted] = found
    ours = {c.id for c in old.columns}
    columns, place = list(old.columns), {}
    for c in new.columns:
        target = mapped.get(c.id, c.id)
        place[c.id] = target
        if target not in ours:
            columns.append(c)
            continue
        before = next(x for x in old.columns if x.id == target)
        if before.symbols[: len(c.symbols)] != c.symbols and not c.symbols.startswith(before.symbols):
            raise OssicleError(
                f"{before.name!r} has the states {before.symbols} in the earlier matrix and {c.symbols} now",
                mend="leave it out with --only, or mend its states",
            )
        if len(before.symbols) < len(c.symbols):
            columns[columns.index(before)] = replace(before, symbols=c.symbols, states=before.states or c.states)
    rows = [*old.rows, *(r for r in new.rows if r.label not in {x.label for x in old.rows})]
    cells = dict(old.cells)
    differ = []
    for r in new.rows:
        for c in new.columns:
            fresh = new.cell(r, c)
            key = (r.label, place[c.id])
            before_cell = cells.get(key)
            if before_cell is None or before_cell.status == "missing" or before_cell.standing == "computed":
                cells[key] = fresh
            elif before_cell.text == fresh.text:
                cells[key] = fresh if before_cell.standing == "imported" else before_cell
            elif fresh.status != "missing":
                if fresh.by:  # a person's word is newer than the file
                    cells[key] = fresh
                differ.append((r.label, key[1], before_cell.text, fresh.text))
    for r in rows:
        for c in columns:
            cells.setdefault((r.label, c.id), MISSING)
    return Matrix(tuple(columns), tuple(rows), cells, old.title or new.title, old.others), differ
