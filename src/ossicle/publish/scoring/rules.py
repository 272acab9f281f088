"""From an account to the states of its characters by their rules."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from ossicle.account import Account
from ossicle.account.records import Standing
from ossicle.anatomy.characters import Character
from ossicle.reading.records import Side

from .basis import Basis
from .facts import Facts
from .records import Cell

__all__ = ["computed_cell", "computed_cells"]

SIDES: tuple[Side, Side] = ("left", "right")


@dataclass(frozen=True)
class _Found:
    """What one side, or the specimen, says: states that may be, or why none is."""

    kind: Literal["states", "inapplicable", "missing"]
    states: tuple[str, ...]
    basis: Basis


def computed_cells(account: Account, characters: Iterable[Character]) -> dict[str, Cell]:
    """Return the cell of each character that a rule scores; by a person's alone it is missing, and says so."""
    return {c.id: computed_cell(account, c) for c in characters}


def computed_cell(account: Account, character: Character) -> Cell:
    """Return what the rule of a character says of a specimen.

    Where left and right are told apart: both alike give one state; different states are a polymorphism of the
    specimen; a side that does not tell leaves it to the other.
    """
    if not character.computed:
        return Cell("missing", why="A person scores this character; nobody has.")
    if character.per == "side":
        found = [_asked(character, Facts(account, side)) for side in SIDES]
    else:
        found = [_asked(character, Facts(account))]
    return _cell(account, character, found)


def _asked(character: Character, facts: Facts) -> _Found:
    table = facts.table()
    if character.applies is not None:
        applies = character.applies.truth(table)
        if applies is False:
            return _Found("inapplicable", (), facts.basis)
        if applies is None:
            return _Found("missing", (), facts.basis)
    if character.needs is not None and character.needs.truth(table) is not True:
        return _Found("missing", (), facts.basis)
    before = dict(facts.basis.lacking)
    truths = [rule.truth(table) for rule in character.when]
    if True in truths:
        # What the other rules lacked does not matter to the one that holds.
        facts.basis.lacking = before
        return _Found("states", (str(truths.index(True)),), facts.basis)
    open_to = tuple(str(n) for n, truth in enumerate(truths) if truth is None)
    if not open_to or len(open_to) == len(truths):
        return _Found("missing", (), facts.basis)
    return _Found("states", open_to, facts.basis)


def _cell(account: Account, character: Character, found: list[_Found]) -> Cell:
    told = [f for f in found if f.kind == "states"]
    if not told:
        out = [f for f in found if f.kind == "inapplicable"]
        if out:
            return _made(account, character, "inapplicable", (), out)
        return _made(account, character, "missing", (), found)
    if len(told) == 1 or set(told[0].states) == set(told[1].states):
        states = told[0].states
        return _made(account, character, "scored" if len(states) == 1 else "uncertain", states, told)
    first, second = (set(f.states) for f in told)
    both = first & second
    if both:
        states = tuple(sorted(both))
        return _made(account, character, "scored" if len(states) == 1 else "uncertain", states, told)
    states = tuple(sorted(first | second))
    settled = len(first) == len(second) == 1
    return _made(account, character, "polymorphic" if settled else "uncertain", states, told)


def _made(
    account: Account,
    character: Character,
    status: Literal["scored", "uncertain", "polymorphic", "missing", "inapplicable"],
    states: tuple[str, ...],
    found: list[_Found],
) -> Cell:
    parts = tuple(dict.fromkeys(p for f in found for p in f.basis.parts))
    findings = tuple(dict.fromkeys(i for f in found for i in f.basis.findings))
    confidence = [c for f in found for c in f.basis.confidence]
    return Cell(
        status=status,
        states=states,
        why=_why(character, status, states, found),
        standing=_standing(account, findings),
        confidence=round(min(confidence), 4) if confidence and status not in ("missing",) else None,
        parts=parts,
        findings=findings,
    )


def _why(character: Character, status: str, states: tuple[str, ...], found: list[_Found]) -> str:
    seen = "; ".join(dict.fromkeys(s for f in found for s in f.basis.seen))
    lacking = "; ".join(dict.fromkeys(s for f in found for s in f.basis.lacking))
    named = [character.states[int(s)] for s in states]
    if status == "missing":
        said = f"Not told: {lacking or 'the account does not hold what the rule asks for'}"
        return f"{said} ({seen})." if seen else f"{said}."
    if status == "inapplicable":
        return f"Does not apply: {seen or lacking or 'what it is about is not there'}."
    said = {
        "scored": f"{named[0]}",
        "uncertain": f"either {' or '.join(named)}",
        "polymorphic": f"the sides differ: {' and '.join(named)}",
    }[status]
    said = said[0].upper() + said[1:]
    why = f"{said} ({seen})" if seen else said
    return f"{why}; {lacking}." if status == "uncertain" and lacking else f"{why}."


def _standing(account: Account, findings: tuple[str, ...]) -> Standing:
    """Return the standing of what was used: disputed or amended where any is, agreed where all are."""
    used = [f.standing for f in account.findings if f.id in set(findings)]
    words: tuple[Standing, ...] = ("disputed", "amended")
    for word in words:
        if word in used:
            return word
    return "agreed" if used and all(u == "agreed" for u in used) else "computed"
