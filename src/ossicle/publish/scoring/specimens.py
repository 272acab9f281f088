"""Scoring a specimen of a collection: its account with decisions, and what persons say of its characters."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from ossicle.account import Account
from ossicle.anatomy.characters import Character
from ossicle.collection import Collection, Decision, Score

from .persons import person_scores, with_persons
from .records import Cell, cell_text, parse_cell
from .rules import computed_cell

__all__ = ["cells_of", "score_specimen", "scored_by_a_person"]


def score_specimen(held: Collection, handle: str, characters: Mapping[str, Character]) -> dict[str, Cell]:
    """Return the cells of a specimen by character.

    Raises
    ------
    OssicleError
        The specimen has not been read, or a person's state is none of its character's.
    """
    return cells_of(held.account(handle), held.decisions(handle), characters)


def cells_of(account: Account, decisions: Iterable[Decision], characters: Mapping[str, Character]) -> dict[str, Cell]:
    """Return the cells of an account (decisions applied) by character, with what persons say of them.

    Raises
    ------
    OssicleError
        A person's state is none of its character's.
    """
    said = person_scores(decisions)
    return {key: with_persons(c, computed_cell(account, c), said) for key, c in characters.items()}


def scored_by_a_person(account: Account, character: Character, state: str) -> Score:
    """Return a person's score as it is kept: the state as NEXUS writes it, beside what the rule says now.

    Raises
    ------
    OssicleError
        ``state`` is none of the character's.
    """
    text = cell_text(*parse_cell(state, character.symbols()))
    return Score(character.id, text, computed_cell(account, character).text)
