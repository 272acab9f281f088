"""A matrix as NEXUS (Maddison, Swofford & Maddison 1997, Systematic Biology 46:590), and back without loss.

Written: TAXA, CHARACTERS with names and states, ASSUMPTIONS with what is ordered, NOTES with the evidence of each cell
in words, and a private block OSSICLE that holds the same as JSON; other programs skip blocks that they do not know, as
the standard asks. Where a cell was changed by another program since, what stands in the matrix holds. Blocks that are
not read (trees, sets) are kept as they stood; comments in brackets are not kept.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Any

from ossicle import __version__
from ossicle.errors import OssicleError, said_by
from ossicle.publish.scoring import Cell, Status

from .records import Column, Matrix, Row

__all__ = ["matrix_from_nexus", "matrix_to_nexus"]

FORMAT = "ossicle-matrix/1"
_BARE = re.compile(r"[A-Za-z][A-Za-z0-9.]*")
_OWN = {"TAXA", "CHARACTERS", "DATA", "NOTES", "OSSICLE"}
MOST_LETTERS = 64 << 20
_MOST_BARE = 2_000_000
"""Letters outside of quotes and comments, most of them cells; commonnexus keeps objects for each."""


def word(text: str) -> str:
    """Return a text as one NEXUS word, quoted where it must be."""
    flat = " ".join(text.split())
    return flat if _BARE.fullmatch(flat) else "'" + flat.replace("'", "''") + "'"


def matrix_to_nexus(matrix: Matrix) -> str:
    """Return the matrix as NEXUS.

    Raises
    ------
    OssicleError
        Two rows or columns bear one name, or a row's name is a number, which NEXUS takes for a place.
    """
    _check(matrix)
    lines = ["#NEXUS", f"[Written by Ossicle {__version__}.]", ""]
    lines += ["BEGIN TAXA;", f"  DIMENSIONS NTAX={len(matrix.rows)};"]
    lines += ["  TAXLABELS " + " ".join(word(r.label) for r in matrix.rows) + ";", "END;", ""]
    lines += ["BEGIN CHARACTERS;", f"  DIMENSIONS NCHAR={len(matrix.columns)};"]
    lines += [f'  FORMAT DATATYPE=STANDARD MISSING=? GAP=- SYMBOLS="{" ".join(matrix.symbols() or "01")}";']
    named = [f"    {n} {word(c.name)}{_states(c)}" for n, c in enumerate(matrix.columns, start=1)]
    lines += ["  CHARSTATELABELS", ",\n".join(named) + ";", "  MATRIX"]
    wide = max((len(word(r.label)) for r in matrix.rows), default=0)
    for r in matrix.rows:
        lines.append(f"    {word(r.label):<{wide}}  {''.join(matrix.cell(r, c).text for c in matrix.columns)}")
    lines += ["  ;", "END;", ""]
    if not any(_name(b) == "ASSUMPTIONS" for b in matrix.others):
        lines += _assumptions(matrix.columns)
    lines += ["BEGIN NOTES;", *_notes(matrix), "END;", ""]
    lines += ["BEGIN OSSICLE;", f"  DATA {word(json.dumps(_data(matrix), ensure_ascii=False))};", "END;", ""]
    for block in matrix.others:
        lines += [block.strip(), ""]
    return "\n".join(lines)


def _check(matrix: Matrix) -> None:
    for what, names in (("rows", [r.label for r in matrix.rows]), ("characters", [c.name for c in matrix.columns])):
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise OssicleError(
                f"two {what} are called {twice[0]!r}", where="matrix", mend="give each a name of its own"
            )
    numbers = [r.label for r in matrix.rows if r.label.strip().isdecimal()]
    if numbers:
        raise OssicleError(
            f"the row {numbers[0]!r} is called by a number, which NEXUS takes for a row's place",
            where="matrix",
            mend="give the specimen a catalogue number with letters, or pool it with --pool",
        )


def _states(column: Column) -> str:
    return " / " + " ".join(word(s) for s in column.states) if column.states else ""


def _assumptions(columns: Iterable[Column]) -> list[str]:
    ordered = [str(n) for n, c in enumerate(columns, start=1) if c.ordered]
    if not ordered:
        return []
    return [
        "BEGIN ASSUMPTIONS;",
        "  OPTIONS DEFTYPE=UNORD;",
        f"  TYPESET * ossicle = ORD: {' '.join(ordered)};",
        "END;",
        "",
    ]


def _notes(matrix: Matrix) -> Iterable[str]:
    for i, r in enumerate(matrix.rows, start=1):
        if r.note:
            yield f"  TEXT TAXON={i} TEXT={word(r.note)};"
    for k, c in enumerate(matrix.columns, start=1):
        if c.note:
            yield f"  TEXT CHARACTER={k} TEXT={word(c.note)};"
        for symbol, note in c.state_notes:
            yield f"  TEXT CHARACTER={k} STATE={symbol} TEXT={word(note)};"
    for i, r in enumerate(matrix.rows, start=1):
        for k, c in enumerate(matrix.columns, start=1):
            said = _said(matrix.cell(r, c))
            if said:
                yield f"  TEXT TAXON={i} CHARACTER={k} TEXT={word(said)};"


def _said(cell: Cell) -> str:
    """Return the evidence of a cell in words, as another program shows it."""
    if cell.standing == "imported":
        return cell.why
    sure = "" if cell.confidence is None else f", confidence {cell.confidence:.2f}"
    parts = f" Parts {' '.join(map(str, cell.parts))}." if cell.parts else ""
    findings = f" Findings {' '.join(cell.findings)}." if cell.findings else ""
    return f"{cell.standing.capitalize()}{sure}. {cell.why}{parts}{findings}"


def _data(matrix: Matrix) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "title": matrix.title,
        "columns": [asdict(c) for c in matrix.columns],
        "rows": [asdict(r) for r in matrix.rows],
        "cells": [[{"text": (x := matrix.cell(r, c)).text, **asdict(x)} for c in matrix.columns] for r in matrix.rows],
    }


def _name(block: str) -> str:
    found = re.match(r"\s*BEGIN\s+(\w+)", block, re.IGNORECASE)
    return found.group(1).upper() if found else ""


# -- reading


def matrix_from_nexus(text: str, where: object = "NEXUS") -> Matrix:
    """Read a matrix of standard characters from NEXUS, whoever wrote it.

    Raises
    ------
    OssicleError
        It is no NEXUS, holds no such matrix, or more than one.
    """
    if not text.lstrip("\ufeff \r\n\t")[:6].upper() == "#NEXUS":
        raise OssicleError("this is no NEXUS file: it does not begin with #NEXUS", where=where, mend="name another")
    if len(text) > MOST_LETTERS or (bare := _bare(text)) > _MOST_BARE:
        raise OssicleError("this file is larger than any matrix", where=where, mend="name another")
    from commonnexus import Nexus

    try:
        nexus = Nexus(text.lstrip("\ufeff"))
        blocks = {name: nexus.blocks.get(name, []) for name in ("CHARACTERS", "DATA", "TAXA")}
        held = blocks["CHARACTERS"] + blocks["DATA"]
        if len(held) == 1:
            _hold_claims([d for b in held + blocks["TAXA"] if (d := getattr(b, "DIMENSIONS", None))], bare)
            return _read(nexus, held[0])
    except OssicleError as error:
        raise OssicleError(error.what, where=where, mend=error.mend) from None
    except Exception as error:  # whatever a damaged file makes the library raise
        raise OssicleError(
            f"this NEXUS file cannot be read ({said_by(error)})", where=where, mend="mend it there"
        ) from error
    what = "no matrix of characters" if not held else f"{len(held)} matrices"
    raise OssicleError(f"this NEXUS file holds {what}", where=where, mend="name a file with one")


def _bare(text: str) -> int:
    """Count the letters outside of quoted words and comments, as the library tells them apart."""
    count, at, quoted, depth = 0, 0, False, 0
    for mark in re.finditer(r"['\[\]]|\Z", text):
        if not quoted and not depth:
            count += sum(map(len, text[at : mark.start()].split()))
        at = mark.end()
        if quoted or (not depth and mark.group() == "'"):
            quoted = quoted != (mark.group() == "'")
        else:
            depth = max(depth + {"[": 1, "]": -1}.get(mark.group(), 0), 0)
    return count


def _hold_claims(dimensions: Iterable[Any], bare: int) -> None:
    """Refuse more taxa or characters than the text has letters, before they are laid out."""
    for what, name in (("characters", "nchar"), ("taxa", "ntax")):
        most = max((getattr(d, name, None) or 0 for d in dimensions), default=0)
        if most > bare:
            raise OssicleError(f"it claims more {what} than it has letters", mend=f"mend its {name.upper()}")


def _read(nexus: Any, block: Any) -> Matrix:
    kind = str(getattr(block.FORMAT, "datatype", None) or "STANDARD").rpartition(".")[2].upper()
    if kind != "STANDARD":
        raise OssicleError(f"its characters are {kind.lower()} and no standard ones", mend="name another file")
    form = block.FORMAT
    listed = [str(s) for s in (form.symbols if form is not None else "01")]
    if form is not None:  # some programs list the signs for missing and gap among the states
        listed = [s for s in listed if s not in (form.missing, form.gap or "-")]
    odd = sorted(set("?-(){}") & set(listed))
    if odd:
        raise OssicleError(f"it writes a state as {odd[0]!r}, which has a meaning of its own here", mend="use digits")
    found = block.get_matrix()
    labels = list(found)
    keys = list(next(iter(found.values()), {}))
    symbols = "".join(listed)
    columns = _columns(nexus, block, keys, symbols)
    states = {(str(r), columns[k].id): _state(found[r][key]) for r in labels for k, key in enumerate(keys)}
    notes = _notes_of(nexus, [str(r) for r in labels], [str(k) for k in keys])
    columns = [
        Column(c.id, c.name, c.states, c.symbols, c.ordered, notes.get(("", k, ""), ""),
               tuple((s, notes["", k, s]) for s in c.symbols if ("", k, s) in notes))
        for k, c in enumerate(columns)
    ]  # fmt: skip
    rows = [Row(str(r), notes.get((str(r), -1, ""), "")) for r in labels]
    cells = {}
    for r in rows:
        for k, c in enumerate(columns):
            status, held = states[r.label, c.id]
            cells[r.label, c.id] = Cell(status, held, notes.get((r.label, k, ""), ""), "imported")
    others = tuple(str(b).strip() for b in nexus.iter_blocks() if b.name.upper() not in _OWN)
    read = Matrix(tuple(columns), tuple(rows), cells, "", others)
    own = nexus.blocks.get("OSSICLE", [])
    return _with_own(read, own[0]) if own else read


def _columns(nexus: Any, block: Any, keys: list[Any], symbols: str) -> list[Column]:
    named = {str(c.number): c for c in block.CHARSTATELABELS.characters} if block.CHARSTATELABELS else {}
    labelled = {str(n): labels for n, labels in _statelabels(block)}
    ordered = _ordered(nexus, len(keys))
    out: list[Column] = []
    for n, key in enumerate(keys, start=1):
        known = named.get(str(n))
        states = tuple(str(s) for s in (known.states if known is not None else labelled.get(str(n), ())) or ())
        name = str(known.name) if known is not None and known.name else str(key)
        stem = re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_") or "character"
        stem = stem if stem[0].isalpha() else f"character_{stem}"
        identity, taken = stem, {c.id for c in out}
        while identity in taken:
            identity = f"{identity}_{n}"
        out.append(Column(identity, name, states, symbols, n in ordered))
    return out


def _statelabels(block: Any) -> Iterable[tuple[str, list[str]]]:
    held = getattr(block, "STATELABELS", None)
    for entry in getattr(held, "characters", None) or []:
        yield str(entry.number), list(entry.states)


def _ordered(nexus: Any, count: int) -> set[int]:
    """Return the numbers of the characters that a default TYPESET calls ordered."""
    out: set[int] = set()
    for block in nexus.blocks.get("ASSUMPTIONS", []):
        for found in re.finditer(r"TYPESET\s*\*[^=;]*=([^;]*);", str(block), re.IGNORECASE):
            for kind, what in re.findall(r"(\w+)\s*:\s*([^,:]*)", found.group(1)):
                if kind.upper() == "ORD":
                    for first, last in re.findall(r"(\d+)(?:\s*-\s*(\d+|\.))?", what):
                        end = count if last == "." else int(last or first)
                        out |= set(range(int(first), min(end, count) + 1))
    return out


def _state(value: Any) -> tuple[Status, tuple[str, ...]]:
    from commonnexus.blocks.characters import GAP

    if value is None:
        return "missing", ()
    if value == GAP:
        return "inapplicable", ()
    if isinstance(value, str):
        return "scored", (value,)
    if len(value) == 1:
        return "scored", tuple(value)
    return ("polymorphic" if isinstance(value, tuple) else "uncertain"), tuple(sorted(value))


def _notes_of(nexus: Any, rows: list[str], columns: list[str]) -> dict[tuple[str, int, str], str]:
    """Return notes by row ("" for none), column (-1 for none) and state ("" for none); several are joined."""
    from commonnexus.blocks.notes import Text

    out: dict[tuple[str, int, str], list[str]] = {}
    texts = (c for block in nexus.blocks.get("NOTES", []) for c in block if c.name == "TEXT")
    for command in texts:
        note = Text(tuple(command.iter_payload_tokens()))
        if note.source == "FILE" or note.text is None:
            continue
        of_rows = [rows[i] for i in _places(note.taxons, rows)] or [""]
        of_columns = _places(note.characters, columns) or [-1]
        for r in of_rows:
            for k in of_columns:
                for s in [str(x) for x in note.states or []] or [""]:
                    out.setdefault((r, k, s), []).append(str(note.text))
    return {key: " ".join(texts) for key, texts in out.items()}


def _places(named: Iterable[Any] | None, labels: list[str]) -> list[int]:
    """Return the places (from 0) that a note names, by label, number, or range of numbers."""
    words = "".join(str(w) if str(w) == "-" else f" {w} " for w in named or []).replace(" - ", "-")
    whole = " ".join(words.split())
    if whole in labels:
        return [labels.index(whole)]
    out: list[int] = []
    for said in words.split():
        span = re.fullmatch(r"(\d+)(?:-(\d+))?", said)
        if said in labels:
            out.append(labels.index(said))
        elif span:
            first, last = int(span.group(1)), int(span.group(2) or span.group(1))
            out += [n - 1 for n in range(first, min(last, len(labels)) + 1) if n >= 1]
    return out


def _with_own(read: Matrix, block: Any) -> Matrix:
    """Return a matrix with what its private block tells, where that fits what the matrix says."""
    text = re.search(r"DATA\s+'(.*)'\s*;", _quoted(block), re.DOTALL)
    try:
        data = json.loads(text.group(1)) if text else {}
        if data.get("format") != FORMAT:
            return read
        known = {str(c["name"]): c for c in data["columns"]}
        columns = tuple(_column(c, known.get(c.name)) for c in read.columns)
        rows_known = {str(r["label"]): (n, r) for n, r in enumerate(data["rows"])}
        at = {str(c["name"]): n for n, c in enumerate(data["columns"])}
        rows, cells = [], {}
        for r in read.rows:
            n, own = rows_known.get(r.label, (None, None))
            rows.append(r if own is None else Row(r.label, own["note"], tuple(own["specimens"])))
            for before, c in zip(read.columns, columns, strict=True):
                stands = read.cell(r, before)
                told = data["cells"][n][at[c.name]] if n is not None and c.name in at else None
                cells[r.label, c.id] = _cell(stands, told)
        return Matrix(columns, tuple(rows), cells, str(data.get("title", "")), _without_ours(read.others))
    except (LookupError, TypeError, ValueError, AttributeError, RecursionError):
        return read


def _quoted(block: Any) -> str:
    """Return the block's text with its word's quotes as they are read: two for one."""
    for command in block:
        if command.name == "DATA":
            words = [t for t in command.iter_payload_tokens() if t.type.name == "QWORD"]
            return "".join(f"DATA '{t.text}';" for t in words[:1])
    return ""


def _column(read: Column, own: Mapping[str, Any] | None) -> Column:
    if own is None:
        return read
    notes = tuple((str(s), str(n)) for s, n in own["state_notes"])
    states = tuple(map(str, own["states"]))
    same = read.states == states
    symbols = str(own["symbols"]) if same else read.symbols
    return Column(str(own["id"]), read.name, read.states, symbols, bool(own["ordered"]), str(own["note"]), notes)


def _cell(stands: Cell, told: Mapping[str, Any] | None) -> Cell:
    if told is None:
        return stands
    if told["text"] != stands.text:
        return Cell(
            stands.status, stands.states, f"Changed elsewhere; before {told['text']}: {told['why']}", "imported"
        )
    return Cell(
        stands.status,
        stands.states,
        str(told["why"]),
        told["standing"],
        told["confidence"],
        tuple(int(p) for p in told["parts"]),
        tuple(map(str, told["findings"])),
        tuple(map(str, told["by"])),
        told["computed"],
    )


def _without_ours(others: tuple[str, ...]) -> tuple[str, ...]:
    """Leave out the ASSUMPTIONS that this program writes anew from what is ordered."""
    ours = re.compile(r"BEGIN ASSUMPTIONS;\s+OPTIONS DEFTYPE=UNORD;\s+TYPESET \* ossicle = ORD: [\d ]+;\s+END;")
    return tuple(b for b in others if not ours.fullmatch(b.strip()))
