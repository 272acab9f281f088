"""Characters of a specimen as the page scores them: what the rule says, what persons say, what shows it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from ossicle.anatomy.characters import Character, character_of, load_characters
from ossicle.collection import Score
from ossicle.errors import OssicleError
from ossicle.publish.scoring import Cell, computed_cell, evidence_of, person_scores, with_persons
from ossicle.publish.scoring.specimens import scored_by_a_person

from .workbench import Shown

__all__ = ["Characters"]

Json = dict[str, Any]


class Characters:
    """The characters that a desk scores by.

    Parameters
    ----------
    known
        By id; the packaged ones where None.
    """

    def __init__(self, known: Mapping[str, Character] | None = None) -> None:
        self._known = known

    @property
    def known(self) -> Mapping[str, Character]:
        """The characters by id."""
        return load_characters() if self._known is None else self._known

    def score(self, shown: Shown, said: Mapping[str, Any]) -> Score:
        """Return a person's score of a character as it is kept.

        Parameters
        ----------
        shown
            The specimen as the person sees it.
        said
            ``character`` and ``state``: ``1``, ``(01)``, ``{01}``, ``?`` or ``-``.

        Raises
        ------
        OssicleError
            There is no such character, or no such state of it.
        """
        extra = sorted(set(said) - {"character", "state"})
        if extra:
            raise OssicleError(f"score takes no {extra[0]}", mend="it takes character, state")
        for name in ("character", "state"):
            if not isinstance(said.get(name), str):
                raise OssicleError(f"score needs a {name}", where=name, mend="give it and say it again")
        return scored_by_a_person(shown.account, character_of(self.known, said["character"]), said["state"])

    def told(self, shown: Shown) -> Json:
        """Return all characters of a specimen, in their order, with ``looked`` at and ``all``.

        Each has its ``cell`` (with persons), what the ``rule`` alone says, what each person ``said``, and its
        ``evidence``. Where a person's state is none of the character's any more, ``fault`` says so and the cell is
        the rule's.
        """
        said = person_scores(shown.decisions)
        rows = []
        for character in self.known.values():
            own = [s for s in said if s.character == character.id]
            rule = computed_cell(shown.account, character)
            fault = None
            try:
                cell = with_persons(character, rule, own)
            except OssicleError as error:
                cell, fault = rule, error.sentence()
            rows.append(
                {
                    "id": character.id,
                    "name": character.name,
                    "region": character.region,
                    "states": list(character.states),
                    "ordered": character.ordered,
                    "by_rule": character.computed,
                    "source": character.source,
                    "number": character.number or None,
                    "from_memory": character.status == "M",
                    "note": character.note or None,
                    "cell": _cell(cell),
                    "rule": _cell(rule) if character.computed else None,
                    "said": [{"who": s.who, "state": s.state, "why": s.why, "number": s.number} for s in own],
                    "evidence": asdict(evidence_of(shown.account, character, rule)),
                    "fault": fault,
                }
            )
        return {
            "version": shown.version,
            "characters": rows,
            "looked": sum(bool(row["said"]) for row in rows),
            "all": len(rows),
        }


def _cell(cell: Cell) -> Json:
    return {
        "text": cell.text,
        "status": cell.status,
        "states": list(cell.states),
        "why": cell.why,
        "standing": cell.standing,
        "confidence": cell.confidence,
    }
