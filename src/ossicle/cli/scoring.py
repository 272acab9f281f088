"""The commands of characters: characters, score, matrix."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ossicle.errors import OssicleError

from .collection import AsJson, Inside, Who, columns, say

if TYPE_CHECKING:
    from ossicle.anatomy.characters import Character

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


def known_characters(path: Path | None, only: list[str] | None = None) -> Mapping[str, Character]:
    """Return the packaged characters, with a user's file, or those of them that are named."""
    from ossicle.anatomy.characters import load_characters, read_characters

    known = load_characters() if path is None else read_characters(path)
    for name in only or []:
        if name not in known:
            close = [k for k in known if name.lower() in k][:3]
            raise OssicleError(
                f"no character is called {name!r}",
                mend=f"did you mean {' or '.join(close)}?" if close else "`ossicle characters` lists them",
            )
    return {k: c for k, c in known.items() if not only or k in only}


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
    from ossicle.collection import Collection, Score
    from ossicle.publish.scoring import cell_text, parse_cell
    from ossicle.publish.scoring.specimens import score_specimen

    known = known_characters(characters, [character] if character else None)
    if state is not None and character is None:
        raise OssicleError("a state is given but no character", where="--state", mend="name it with --character")
    with Collection.open(inside) as held:
        if state is not None:
            own = next(iter(known.values()))
            text = cell_text(*parse_cell(state, own.symbols()))
            computed = score_specimen(held, specimen, known, persons=False)[own.id].text
            held.decide(specimen, Score(own.id, text, computed), who=who, why=why, expected=expect)
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
