"""Matrices as NEXUS, CSV and a page; read by commonnexus and DendroPy, and gone on with."""

from __future__ import annotations

import csv
import io
import re
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import dendropy
import pytest
from commonnexus import Nexus
from hypothesis import given, settings
from hypothesis import strategies as st
from test_character_scoring import ADULT, JUVENILE, account

from ossicle.anatomy.characters import load_characters
from ossicle.errors import OssicleError
from ossicle.publish.matrix import (
    Column,
    Matrix,
    Row,
    Shown,
    cells_csv,
    continued,
    matrix_csv,
    matrix_from_nexus,
    matrix_html,
    matrix_of,
    matrix_to_nexus,
    read_nexus,
    write_matrix,
)
from ossicle.publish.scoring import Cell, computed_cells, parse_cell

KNOWN = load_characters()


@pytest.fixture(scope="module")
def scored() -> Matrix:
    """Three drawn specimens with all characters; one cell is a person's, one polymorphic."""
    accounts = {"OTC 1": account(*ADULT), "OTC-2": account(*JUVENILE), "OTC's [3]": account("I1 P4 M1", "I1 P4 M1")}
    cells = {name: computed_cells(a, KNOWN.values()) for name, a in accounts.items()}
    person = Cell("scored", ("1",), "A. Reader scores V-shaped.", "amended", 1.0, by=("A. Reader",), computed="?")
    cells["OTC 1"]["centrocrista"] = person
    both = replace(cells["OTC-2"]["upper_canine"], status="polymorphic", states=("0", "1"))
    cells["OTC-2"]["upper_canine"] = both
    return matrix_of(list(KNOWN.values()), cells, title="Three drawn skulls")


def as_commonnexus(value: object) -> str:
    """Return a state as commonnexus gives it (None missing, tuple polymorphic, set uncertain) in our writing."""
    from commonnexus.blocks.characters import GAP

    if value is None:
        return "?"
    if isinstance(value, str):
        return "-" if value == GAP else value
    assert isinstance(value, tuple | set)
    return ("({})" if isinstance(value, tuple) else "{{{}}}").format("".join(sorted(value)))


def as_dendropy(state: object) -> str:
    """Return a state of DendroPy in our writing."""
    return re.sub(r"[,\s]", "", str(state))


def both_readers(text: str, matrix: Matrix) -> None:
    read = Nexus(text).characters.get_matrix()
    held = dendropy.StandardCharacterMatrix.get(data=text, schema="nexus")
    for r in matrix.rows:
        expected = [matrix.cell(r, c).text for c in matrix.columns]
        assert [as_commonnexus(v) for v in read[r.label].values()] == expected
        taxon = held.taxon_namespace.get_taxon(label=r.label)
        assert [as_dendropy(s) for s in held[taxon]] == expected
    assert list(next(iter(read.values()))) == [c.name for c in matrix.columns]


def test_other_readers_see_the_same_states(scored: Matrix) -> None:
    text = matrix_to_nexus(scored)
    both_readers(text, scored)
    nexus = Nexus(text)
    assert list(nexus.blocks) == ["TAXA", "CHARACTERS", "ASSUMPTIONS", "NOTES", "OSSICLE"]
    told = {c.name: list(c.states) for c in nexus.characters.CHARSTATELABELS.characters}
    assert told["Stapes"] == ["triangular, two crura", "columelliform"]
    notes = {(tuple(n.taxons or ()), tuple(n.characters or ())): n.text for n in nexus.NOTES.texts}
    assert notes[("OTC 1",), ("Centrocrista of upper molars",)].startswith("Amended, confidence 1.00. A. Reader scores")
    assert "Findings tooth/upper-left/I1" in notes[("OTC 1",), ("Upper incisors, number of loci on a side",)]


def test_a_matrix_comes_back_as_it_was(scored: Matrix) -> None:
    back = matrix_from_nexus(matrix_to_nexus(scored))
    assert back == scored
    assert matrix_to_nexus(back) == matrix_to_nexus(scored)


words = st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs", "Z")), min_size=1, max_size=8)


@st.composite
def matrices(draw: st.DrawFn) -> Matrix:
    symbols = "0123456789"[: draw(st.integers(2, 10))]
    names = draw(st.lists(words, min_size=1, max_size=4, unique=True))
    labels = [f"s{w}" for w in draw(st.lists(words, min_size=1, max_size=4, unique=True))]
    columns = tuple(
        Column(f"c{n}", f"n{name}", tuple(draw(words) for _ in symbols), symbols, draw(st.booleans()), draw(words))
        for n, name in enumerate(names)
    )
    cells = {}
    for r in labels:
        for c in columns:
            some = "".join(sorted(draw(st.sets(st.sampled_from(symbols), min_size=2, max_size=3))))
            text = draw(st.sampled_from(["?", "-", some[0], f"({some})", f"{{{some}}}"]))
            status, states = parse_cell(text, symbols)
            why = draw(words)
            cells[r, c.id] = Cell(
                status, states, why, "computed", 0.5, (1, 2), ("a/b",), ("A",), draw(st.none() | words)
            )
    return Matrix(columns, tuple(Row(r, draw(words), (r,)) for r in labels), cells, draw(words))


@settings(max_examples=25, deadline=None)
@given(matrices())
def test_any_matrix_comes_back_as_it_was(matrix: Matrix) -> None:
    assert matrix_from_nexus(matrix_to_nexus(matrix)) == matrix


def test_names_that_give_one_id_keep_their_columns_apart() -> None:
    columns = tuple(Column(f"c{n}", name, (), "01") for n, name in enumerate(("n", "n;", "n:4", "n:")))
    cells = {("s", c.id): Cell(*parse_cell(t, "01"), standing="imported") for c, t in zip(columns, "01?-", strict=True)}
    text = re.sub(r"BEGIN OSSICLE;.*?END;", "", matrix_to_nexus(Matrix(columns, (Row("s"),), cells)), flags=re.S)
    read = matrix_from_nexus(text)
    assert len({c.id for c in read.columns}) == 4
    assert "".join(read.cell(read.rows[0], c).text for c in read.columns) == "01?-"


# Examples of the standard, as commonnexus's documentation quotes them from Maddison, Swofford & Maddison 1997.
FOREIGN = """#NEXUS
[ a comment ]
BEGIN DATA;
  DIMENSIONS NTAX=3 NCHAR=4;
  FORMAT SYMBOLS="0123" MISSING=x GAP=~ MATCHCHAR=. EQUATE="E=(12) F={01}" INTERLEAVE;
  CHARLABELS hair color 'body size' tail;
  STATELABELS 1 absent present, 2 red blue, 3 small big;
  MATRIX
    taxon_1 0E
    taxon_2 .F
    'third one' x~

    taxon_1 1(0 2)
    taxon_2 3{1 2}
    'third one' .1
  ;
END;
BEGIN ASSUMPTIONS;
  TYPESET * mine = ORD: 3-4, UNORD: 1 2;
END;
BEGIN NOTES;
  TEXT TAXON=2 CHARACTER=1 TEXT='one specimen, worn';
  TEXT TAXON=1 TEXT='lives elsewhere';
END;
BEGIN TREES;
  TREE one = (1,(2,3));
END;
"""


def test_a_matrix_of_others_is_read_and_kept() -> None:
    read = matrix_from_nexus(FOREIGN, "theirs.nex")
    assert [[read.cell(r, c).text for c in read.columns] for r in read.rows] == [
        ["0", "(12)", "1", "(02)"],
        ["0", "{01}", "3", "{12}"],
        ["?", "-", "1", "1"],
    ]
    assert [c.name for c in read.columns] == ["hair", "color", "body size", "tail"]
    assert read.columns[0].states == ("absent", "present")
    assert [c.ordered for c in read.columns] == [False, False, True, True]
    assert read.cell(read.rows[1], read.columns[0]).why == "one specimen, worn"
    assert read.rows[0].note == "lives elsewhere"
    assert read.cell(read.rows[0], read.columns[0]).standing == "imported"
    text = matrix_to_nexus(read)
    both_readers(text, read)
    assert "TREE one = (1,(2,3));" in text
    assert text.count("TYPESET") == 1
    assert matrix_from_nexus(text) == read


def test_a_change_by_another_program_holds(scored: Matrix) -> None:
    text = matrix_to_nexus(scored)
    line = next(x for x in text.splitlines() if x.strip().startswith("'OTC 1'  "))
    edited = re.sub(r"^(\s*'OTC 1'\s+)3", r"\g<1>4", line)
    assert edited != line
    cell = matrix_from_nexus(text.replace(line, edited)).cells["OTC 1", "upper_incisor_number"]
    assert (cell.text, cell.standing) == ("4", "imported")
    assert "before 3" in cell.why
    # Without our block, or with a spoilt one, names, states and notes are still there.
    for other in (re.sub(r"BEGIN OSSICLE;.*?END;", "", text, flags=re.S), text.replace('{"format"', '{"fromat"')):
        read = matrix_from_nexus(other)
        assert [r.label for r in read.rows] == [r.label for r in scored.rows]
        assert [c.name for c in read.columns] == [c.name for c in scored.columns]
        assert "Three (left upper incisors" in read.cell(read.rows[0], read.columns[0]).why


def test_a_matrix_is_gone_on_with(scored: Matrix) -> None:
    theirs = matrix_from_nexus(FOREIGN)
    one = replace(scored, rows=scored.rows[:1])
    grown, differ = continued(theirs, one, {"hair": "upper_canine"})
    assert not differ
    assert [r.label for r in grown.rows] == ["taxon_1", "taxon_2", "third one", "OTC 1"]
    assert len(grown.columns) == 4 + len(KNOWN) - 1
    assert grown.cell(grown.rows[3], grown.columns[0]).text == "1"
    assert grown.cell(grown.rows[0], grown.columns[5]).text == "?"
    assert matrix_from_nexus(matrix_to_nexus(grown)) == grown
    with pytest.raises(OssicleError, match="not both characters"):
        continued(theirs, one, {"fur": "upper_canine"})


def test_what_stood_before_gives_way_only_to_what_is_newer(scored: Matrix) -> None:
    key = ("OTC 1", "upper_incisor_number")

    def with_cell(**changes: object) -> Matrix:
        return replace(scored, cells={**scored.cells, key: replace(scored.cells[key], **changes)})  # type: ignore[arg-type]

    before = with_cell(states=("2",), standing="imported", why="in the file")
    kept, differ = continued(before, scored)
    assert kept.cells[key].text == "2"
    assert differ == [(*key, "2", "3")]
    assert continued(with_cell(states=("2",)), scored)[0].cells[key].text == "3"
    assert continued(with_cell(status="missing", states=()), scored)[0].cells[key].text == "3"
    person = with_cell(states=("4",), standing="amended", by=("B",))
    assert continued(before, person)[0].cells[key].text == "4"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "does not begin with #NEXUS"),
        ("#NEXUS\n", "no matrix"),
        (FOREIGN.replace("STATELABELS", "BREAK'"), "cannot be read"),
        (FOREIGN.replace("NCHAR=4", "NCHAR=9"), "cannot be read|holds"),
        (FOREIGN.replace("NCHAR=4", "NCHAR=40000000"), "claims more characters than it has letters"),
        (FOREIGN.replace("NCHAR=4", "NCHAR=" + "9" * 400), "claims more characters"),
        (FOREIGN.replace("NTAX=3", "NTAX=40000000"), "claims more taxa"),
        (FOREIGN + "[" + "'" * 9 + "]" + "0 " * 2_000_001, "larger than any matrix"),
        (FOREIGN.replace('SYMBOLS="0123"', "DATATYPE=DNA"), "no standard"),
        (FOREIGN.replace('SYMBOLS="0123"', 'SYMBOLS="0123-"'), "meaning of its own"),
        (FOREIGN + FOREIGN.removeprefix("#NEXUS"), "2 matrices"),
    ],
)
def test_what_is_no_matrix_is_told_in_a_sentence(text: str, says: str) -> None:
    with pytest.raises(OssicleError, match=says) as told:
        matrix_from_nexus(text, "theirs.nex")
    assert "theirs.nex" in told.value.sentence()


@settings(max_examples=30, deadline=None)
@given(st.integers(7, len(FOREIGN) - 1), st.characters(codec="ascii"))
def test_a_damaged_file_is_read_or_refused_and_nothing_else(at: int, letter: str) -> None:
    with suppress(OssicleError):
        matrix_to_nexus(matrix_from_nexus(FOREIGN[:at] + letter + FOREIGN[at + 1 :]))


def test_rows_need_names_that_nexus_can_hold(scored: Matrix) -> None:
    with pytest.raises(OssicleError, match="called by a number"):
        matrix_to_nexus(replace(scored, rows=(Row("123"),), cells={}))
    with pytest.raises(OssicleError, match="two rows are called"):
        matrix_to_nexus(replace(scored, rows=(Row("a"), Row("a")), cells={}))


def test_the_tables_hold_each_cell(scored: Matrix, tmp_path: Path) -> None:
    rows = list(csv.DictReader(io.StringIO(matrix_csv(scored), newline="")))
    assert rows[0]["row"] == "OTC 1"
    assert rows[1]["upper_molar_number"] == "{2345}"
    cells = list(csv.DictReader(io.StringIO(cells_csv(scored), newline="")))
    assert len(cells) == len(scored.rows) * len(scored.columns)
    assert next(c for c in cells if c["character"] == "centrocrista")["by"] == "A. Reader"
    write_matrix(tmp_path / "m", scored)
    assert read_nexus(tmp_path / "m" / "matrix.nex") == scored
    assert sorted(p.name for p in (tmp_path / "m").iterdir()) == [
        "cells.csv",
        "matrix.csv",
        "matrix.html",
        "matrix.nex",
    ]


def test_each_cell_of_the_page_opens_its_evidence(scored: Matrix) -> None:
    shown = {"OTC 1": Shown({"tooth/upper-left/I1": "Left upper I1 is <whole>."}, "accounts/OTC-1.html")}
    page = matrix_html(scored, shown)
    opened = re.findall(r'popovertarget="(e-\d+-\d+)" aria-label', page)
    assert len(opened) == len(set(opened)) == len(scored.rows) * len(scored.columns)
    assert all(page.count(f'<div popover id="{name}">') == 1 for name in opened)
    assert "Left upper I1 is &lt;whole&gt;." in page
    assert 'href="accounts/OTC-1.html#f-tooth-upper-left-I1"' in page
    assert "<script" not in page
    assert "http" not in re.sub(r"http-equiv", "", page)


def test_specimens_of_one_taxon_share_a_row(scored: Matrix) -> None:
    cells = {r.label: {c.id: scored.cell(r, c) for c in scored.columns} for r in scored.rows}
    taxa = {"OTC 1": "Fictus minor", "OTC's [3]": "Fictus minor"}
    made = matrix_of(list(KNOWN.values()), cells, taxa)
    assert [r.label for r in made.rows] == ["Fictus minor", "OTC-2"]
    assert made.rows[0].specimens == ("OTC 1", "OTC's [3]")
    assert made.cells["Fictus minor", "upper_incisor_number"].text == "(13)"
    assert made.cells["Fictus minor", "upper_canine"].text == "(01)"
    assert matrix_from_nexus(matrix_to_nexus(made)) == made
