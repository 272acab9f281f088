"""Scoring a specimen of a collection: its account with decisions, and what persons say of its characters."""

from __future__ import annotations

from collections.abc import Mapping

from ossicle.anatomy.characters import Character
from ossicle.collection import Collection

from .persons import person_scores, with_persons
from .records import Cell
from .rules import computed_cell

__all__ = ["score_specimen"]


def score_specimen(
    held: Collection, handle: str, characters: Mapping[str, Character], *, persons: bool = True
) -> dict[str, Cell]:
    """Return the cells of a specimen by character; without ``persons`` what the rules alone say.

    Raises
    ------
    OssicleError
        The specimen has not been read, or a person's state is none of its character's.
    """
    account = held.account(handle)
    said = person_scores(held.decisions(handle)) if persons else []
    return {key: with_persons(c, computed_cell(account, c), said) for key, c in characters.items()}
