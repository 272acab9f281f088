"""The commands of characters: characters, score, matrix."""

from __future__ import annotations

import csv
import io
import sys
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ossicle.errors import OssicleError
from ossicle.files import text_within

from .collection import AsJson, Inside, Who, columns, listed, say

if TYPE_CHECKING:
    from ossicle.anatomy.characters import Character
    from ossicle.collection import Collection
    from ossicle.publish.matrix import Shown
    from ossicle.publish.scoring import Cell

__all__ = ["register"]

CharacterFile = Annotated[
    Path | None,
    typer.Option("--characters", help="TOML file with characters of your own, added to the packaged ones."),
]


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command("characters", epilog="Example: ossicle characters --file mine.toml --facts")(list_characters)
    app.command(
        epilog="Example: ossicle score juvenile --in cabinet --character stapes_form --state 0 --why 'two crura'"
    )(score)
    app.command(epilog="Example: ossicle matrix OTC-1 OTC-2 --in cabinet --out matrix --pool")(matrix)


def known_characters(path: Path | None, only: list[str] | None = None) -> Mapping[str, Character]:
    """Return the packaged characters, with a user's file, or those of them that are named."""
    from ossicle.anatomy.characters import character_of, load_characters, read_characters

    known = load_characters() if path is None else read_characters(path)
    wanted = {character_of(known, name).id for name in only or []}
    return {k: c for k, c in known.items() if not only or k in wanted}


def list_characters(
    file: Annotated[
        Path | None, typer.Option(help="TOML file with characters of your own, added.", show_default=False)
    ] = None,
    facts: Annotated[bool, typer.Option("--facts", help="List the facts that rules may ask for.")] = False,
    as_json: AsJson = False,
) -> None:
    """List the characters of skull and dentition: states, source, and whether a rule or a person scores them."""
    from ossicle.anatomy.characters import FACTS

    if facts:
        if as_json:
            say(dict(FACTS))
            return
        for told in FACTS.values():
            print(told)
        return
    known = known_characters(file)
    if as_json:
        say([_as_dict(c) for c in known.values()])
        return
    for c in known.values():
        print(f"{c.id}: {c.name}")
        print(f"    {'; '.join(f'{n} {s}' for n, s in enumerate(c.states))}{' (ordered)' if c.ordered else ''}")
        number = f", character {c.number}" if c.number else ""
        checked = "" if c.status == "V" else " (from memory)"
        print(f"    {'by rule' if c.computed else 'by a person'}; {c.source}{number}{checked}")
        if c.note:
            print(f"    {c.note}")
    rules = sum(c.computed for c in known.values())
    print(f"{len(known)} characters, {rules} by rule, {len(known) - rules} by a person")


def _as_dict(c: Character) -> dict[str, Any]:
    found = {k: v for k, v in asdict(c).items() if k not in ("applies", "needs", "when")}
    return found | {
        "applies": None if c.applies is None else c.applies.text,
        "needs": None if c.needs is None else c.needs.text,
        "when": [w.text for w in c.when],
    }


def score(
    specimen: Annotated[str, typer.Argument(help="Its catalogue number, or # and its number.", show_default=False)],
    inside: Inside,
    character: Annotated[
        str | None, typer.Option(help="Id of the character; left out, all are shown.", show_default=False)
    ] = None,
    state: Annotated[
        str | None,
        typer.Option(
            help="What you say: 1, (01) for both, {01} for either, ? unknown, - inapplicable. Kept as a decision.",
            show_default=False,
        ),
    ] = None,
    why: Annotated[str, typer.Option(help="The reason, for those who come after.", show_default=False)] = "",
    expect: Annotated[
        int | None,
        typer.Option(help="Number of the last decision that you have seen.", show_default=False),
    ] = None,
    characters: CharacterFile = None,
    who: Who = None,
    as_json: AsJson = False,
) -> None:
    """Show how a specimen is scored, or say how it is to be scored."""
    from ossicle.collection import Collection
    from ossicle.publish.scoring.specimens import score_specimen, scored_by_a_person

    known = known_characters(characters, [character] if character else None)
    if state is not None and character is None:
        raise OssicleError("a state is given but no character", where="--state", mend="name it with --character")
    with Collection.open(inside) as held:
        if state is not None:
            own = next(iter(known.values()))
            said = scored_by_a_person(held.account(specimen), own, state)
            held.decide(specimen, said, who=who, why=why, expected=expect)
        cells = score_specimen(held, specimen, known)
    if as_json:
        say([{"character": k, "text": c.text, **asdict(c)} for k, c in cells.items()])
        return
    if character is not None:
        cell, own = cells[character], known[character]
        print(f"{own.name}: {cell.text} ({cell.standing}). {cell.why}")
        if cell.findings:
            print(f"Findings: {', '.join(cell.findings)}")
        return
    columns(
        ("character", "state", "standing", "why"),
        [(k, c.text, c.standing, c.why if len(c.why) < 90 else c.why[:87] + "...") for k, c in cells.items()],
    )
    told = sum(c.status != "missing" for c in cells.values())
    print(f"{told} of {len(cells)} characters are told", file=sys.stderr)


def matrix(
    specimens: Annotated[
        list[str] | None,
        typer.Argument(
            help="Folders that `ossicle read --out` wrote; with --in catalogue numbers, or none for all read.",
            show_default=False,
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            help="Folder to write: matrix.nex, matrix.csv, cells.csv, matrix.html and the accounts' pages; left out, "
            "the NEXUS is printed.",
            show_default=False,
        ),
    ] = None,
    inside: Annotated[
        Path | None, typer.Option("--in", help="A collection that holds them.", show_default=False)
    ] = None,
    earlier: Annotated[
        Path | None,
        typer.Option("--from", help="An earlier matrix (NEXUS) to go on with, whoever wrote it.", show_default=False),
    ] = None,
    same: Annotated[
        list[str] | None,
        typer.Option(
            help="A character of the earlier matrix and one of ours that are the same: 'Name there=our_id'.",
            show_default=False,
        ),
    ] = None,
    only: Annotated[
        list[str] | None, typer.Option(help="Only this character; give it again for more.", show_default=False)
    ] = None,
    characters: CharacterFile = None,
    pool: Annotated[
        bool, typer.Option("--pool", help="A row a taxon: specimens of one scientificName are pooled (needs --in).")
    ] = False,
    taxa: Annotated[
        Path | None,
        typer.Option(help="CSV with columns specimen and taxon, to pool by.", show_default=False),
    ] = None,
    title: Annotated[str, typer.Option(help="What the matrix is called.", show_default=False)] = "",
    as_json: AsJson = False,
) -> None:
    """Score specimens by characters, as a matrix: NEXUS, CSV, and a page in which each cell opens its evidence."""
    from ossicle.publish.matrix import cells_csv, continued, matrix_of, matrix_to_nexus, read_nexus, write_matrix

    known = known_characters(characters, only)
    before = None if earlier is None else read_nexus(earlier)
    if not specimens and inside is None and before is None:
        raise OssicleError("no specimen is named", mend="name some, or a collection with --in")
    looked = _looked_at(specimens or [], inside, known, out) if specimens or inside else {}
    groups = _groups(looked, taxa, pool, inside)
    made = matrix_of(list(known.values()), {n: x.cells for n, x in looked.items()}, groups, title)
    if before is not None:
        made, differ = continued(before, made, listed(same, "--same")) if looked else (before, [])
        for row, column, old, new in differ:
            print(f"{row}, {column}: {old} in the earlier matrix, {new} now", file=sys.stderr)
    if out is not None:
        written = write_matrix(out, made, {n: x.shown for n, x in looked.items()})
        print(f"Written: {', '.join(str(p) for p in written)}", file=sys.stderr)
    if as_json:
        say(list(csv.DictReader(io.StringIO(cells_csv(made), newline=""))))
    elif out is None:
        print(matrix_to_nexus(made), end="")
    else:
        told = sum(made.cell(r, c).status != "missing" for r in made.rows for c in made.columns)
        size = len(made.rows) * len(made.columns)
        print(f"{len(made.rows)} rows, {len(made.columns)} characters, {told} of {size} cells told")


@dataclass(frozen=True)
class _Looked:
    cells: Mapping[str, Cell]
    shown: Shown
    taxon: str = ""


def _looked_at(
    names: list[str], inside: Path | None, known: Mapping[str, Character], pages: Path | None
) -> dict[str, _Looked]:
    """Score specimens; where ``pages`` is a folder, write the page of each account beneath it."""
    from ossicle.account import Account, load_account
    from ossicle.account.folder import write_text
    from ossicle.account.html import account_html
    from ossicle.collection import Collection
    from ossicle.publish.matrix import Shown
    from ossicle.publish.scoring import computed_cells
    from ossicle.publish.scoring.specimens import score_specimen
    from ossicle.scans.paths import file_name

    taken: set[str] = set()

    def shown(name: str, account: Account, reading: Any) -> Shown:
        page = ""
        if pages is not None:
            page = f"accounts/{file_name(name, plain=True, taken=taken)}.html"
            (pages / "accounts").mkdir(parents=True, exist_ok=True)
            write_text(pages / page, account_html(account, reading))
        return Shown({f.id: f.statement for f in account.findings}, page)

    out: dict[str, _Looked] = {}
    if inside is None:
        for name in names:
            account = load_account(Path(name))
            label = Path(name).resolve().name
            if label in out:
                raise OssicleError(
                    f"two of the folders are called {label!r}, and a row of a matrix needs a name of its own",
                    where=name,
                    mend="call one of the folders otherwise",
                )
            out[label] = _Looked(computed_cells(account, known.values()), shown(label, account, None))
        return out
    with Collection.open(inside) as held:
        for name in names or _all_read(held):
            one = held.specimen(name)
            held.check_export(name)
            cells = score_specimen(held, name, known)
            replayed = held.replayed(name)
            page = shown(one.catalog_number, replayed.account, replayed.reading)
            out[one.catalog_number] = _Looked(cells, page, one.scientific_name)
    return out


def _all_read(held: Collection) -> list[str]:
    names, page = [], 1
    while True:
        found = held.specimens(page=page, per_page=500)
        names += [s.catalog_number for s in found.items if s.readings]
        if page >= found.pages:
            break
        page += 1
    if not names:
        raise OssicleError("no specimen of this collection was read", mend="read one with `ossicle read SPECIMEN --in`")
    return names


def _groups(looked: Mapping[str, _Looked], taxa: Path | None, pool: bool, inside: Path | None) -> dict[str, str]:
    if taxa is not None:
        try:
            rows = list(csv.DictReader(io.StringIO(text_within(taxa, encoding="utf-8-sig"), newline="")))
            return {row["specimen"].strip(): row["taxon"].strip() for row in rows}
        except (OSError, UnicodeDecodeError, KeyError, AttributeError, csv.Error) as error:
            raise OssicleError(
                f"this is no table of specimen and taxon ({error})", where=taxa, mend="give it these two columns"
            ) from error
    if not pool:
        return {}
    if inside is None:
        raise OssicleError(
            "folders tell no scientific name", where="--pool", mend="give --taxa, or a collection with --in"
        )
    return {name: x.taxon for name, x in looked.items() if x.taxon}
