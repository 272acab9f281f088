"""What scoring gives: one cell for a specimen and a character, with its evidence and standing."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from ossicle.errors import OssicleError

__all__ = ["Cell", "Standing", "Status", "cell_text", "parse_cell"]

Status = Literal["scored", "uncertain", "polymorphic", "missing", "inapplicable"]
Standing = Literal["computed", "agreed", "amended", "disputed", "imported"]


@dataclass(frozen=True)
class Cell:
    """The state of one character in one specimen or taxon.

    ``states`` are symbols, in order; none where missing or inapplicable. ``why`` says in a sentence what it rests on;
    ``parts`` and ``findings`` are of the account. ``computed`` is the text of what the rule says, where a person says
    otherwise; ``by`` who says so. ``confidence`` (0 to 1) is None where nobody computed it.
    """

    status: Status = "missing"
    states: tuple[str, ...] = ()
    why: str = ""
    standing: Standing = "computed"
    confidence: float | None = None
    parts: tuple[int, ...] = ()
    findings: tuple[str, ...] = ()
    by: tuple[str, ...] = ()
    computed: str | None = None

    @property
    def text(self) -> str:
        """The cell as it stands in a matrix: ``1``, ``(01)`` polymorphic, ``{01}`` uncertain, ``?``, ``-``."""
        return cell_text(self.status, self.states)


def cell_text(status: Status, states: tuple[str, ...]) -> str:
    """Return a cell as NEXUS writes it."""
    if status == "missing":
        return "?"
    if status == "inapplicable":
        return "-"
    if status == "scored":
        return states[0]
    joined = "".join(states)
    return f"{{{joined}}}" if status == "uncertain" else f"({joined})"


def parse_cell(text: str, symbols: str) -> tuple[Status, tuple[str, ...]]:
    """Return status and states of a cell as it is written.

    Raises
    ------
    OssicleError
        It is none, or holds a symbol that the character has not.
    """
    said = "".join(text.split())
    if said == "?":
        return "missing", ()
    if said == "-":
        return "inapplicable", ()
    match = re.fullmatch(r"(.)|\((.{2,})\)|\{(.{2,})\}", said)
    found = "" if match is None else next(g for g in match.groups() if g)
    if not found or any(s not in symbols for s in found) or len(set(found)) < len(found):
        states = f"{symbols[0]} to {symbols[-1]}" if symbols else "none"
        raise OssicleError(
            f"{text!r} is no state of this character",
            mend=f"its states are {states}; write 1, (01) for both, {{01}} for either, ? unknown, - inapplicable",
        )
    status: Status = "scored" if len(found) == 1 else "polymorphic" if said.startswith("(") else "uncertain"
    return status, tuple(sorted(found, key=symbols.index))
