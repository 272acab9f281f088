"""What persons say of characters, laid over what the rules say; neither is lost."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from ossicle.anatomy.characters import Character
from ossicle.collection import Decision, in_force
from ossicle.errors import OssicleError

from .records import Cell, parse_cell

__all__ = ["PersonScore", "person_scores", "with_persons"]


@dataclass(frozen=True)
class PersonScore:
    """One person's last word on a character of a specimen."""

    character: str
    state: str
    who: str
    why: str
    number: int


def person_scores(decisions: Iterable[Decision]) -> list[PersonScore]:
    """Return each person's last word on each character, in the order in which they were said."""
    last: dict[tuple[str, str], PersonScore] = {}
    for d in in_force(decisions):
        if d.kind == "score":
            key = str(d.said["character"]), d.who
            last.pop(key, None)
            last[key] = PersonScore(key[0], str(d.said["state"]), d.who, d.why, d.number)
    return list(last.values())


def with_persons(character: Character, cell: Cell, said: Sequence[PersonScore]) -> Cell:
    """Return a computed cell with what persons say of the same character.

    Where all say what the rule says, the cell is agreed; where they say otherwise it is amended and keeps what the rule
    says; where persons differ it is disputed, and the last word is shown.

    Raises
    ------
    OssicleError
        A state is none of the character's, as when its list of states has changed since.
    """
    own = [s for s in said if s.character == character.id]
    if not own:
        return cell
    words = []
    for one in own:
        try:
            words.append(parse_cell(one.state, character.symbols()))
        except OssicleError as error:
            raise OssicleError(error.what, where=f"decision {one.number}, {character.id}", mend=error.mend) from None
    status, states = words[-1]
    who = tuple(s.who for s in own)
    differ = len(set(words)) > 1
    if not differ and (status, states) == (cell.status, cell.states):
        return replace(cell, standing="agreed", by=who, why=f"{cell.why[:-1]}; {_join(who)} agreed.")
    told = "; ".join(
        f"{s.who} scores {_words(character, *w)}" + (f" ({s.why})" if s.why else "")
        for s, w in zip(own, words, strict=True)
    )
    rule = f" The rule says {cell.text}: {cell.why}" if character.computed else ""
    return replace(
        cell,
        status=status,
        states=states,
        why=f"{told}.{rule}",
        standing="disputed" if differ else "amended",
        confidence=1.0,
        by=who,
        computed=cell.text,
    )


def _words(character: Character, status: str, states: tuple[str, ...]) -> str:
    named = [character.states[int(s)] for s in states]
    if status == "missing":
        return "it as unknown"
    if status == "inapplicable":
        return "it as inapplicable"
    return (" or " if status == "uncertain" else " and ").join(named)


def _join(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
