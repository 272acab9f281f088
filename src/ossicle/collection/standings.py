"""What persons said of one finding as its standing, and its sentence as they would have it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from ossicle.account import Finding
from ossicle.account.records import Standing

from .history import Decision
from .naming import Said
from .values import in_words, same_value

__all__ = ["amended", "last_words", "stood"]


def last_words(said: Sequence[Said], who: str) -> tuple[Any, Any, Any]:
    """Return the last name, generation and side that one person gave to a tooth."""
    own = [s for s in said if s.who == who]

    def last(values: Iterable[Any]) -> Any:
        return next((v for v in reversed(list(values)) if v is not None), None)

    return last(s.name for s in own), last(s.generation for s in own), last(s.side for s in own)


def stood(finding: Finding, words: Mapping[str, tuple[Standing, Any]] | None, statements: Mapping[str, str]) -> Finding:
    """Return a finding with the standing that persons give it together; where they differ it is disputed, and says so.

    Parameters
    ----------
    words
        Of each person the standing and the value last said; None or empty: nobody said anything.
    statements
        Amended sentences by the finding's id.
    """
    if not words:
        return finding
    standings = {standing for standing, _ in words.values()}
    differ = len(words) > 1 and (
        len(standings) > 1 or not all(same_value(v, next(iter(words.values()))[1]) for _, v in words.values())
    )
    standing: Standing = "disputed" if differ or "disputed" in standings else next(iter(standings))
    statement = statements.get(finding.id, finding.statement)
    if differ:
        told = ", ".join(f"{who}: {_said(word)}" for who, word in sorted(words.items()))
        statement = f"{statement[:-1]}; opinions differ ({told})."
    return replace(finding, standing=standing, statement=statement)


def _said(word: tuple[Standing, Any]) -> str:
    standing, value = word
    if standing == "amended":
        told = [str(v) for v in value if v is not None] if isinstance(value, tuple) else [in_words(value)]
        return " ".join(told)
    return standing


def amended(finding: Finding, d: Decision) -> str:
    """Return the sentence of a finding as an amendment has it: the person's own, or the old one with the new value."""
    said = d.said.get("statement")
    if said:
        return str(said) if str(said).endswith(".") else f"{said}."
    unit = f" {finding.unit}" if finding.unit else ""
    return f"{finding.statement[:-1]}; amended by {d.who} to {in_words(d.said['value'])}{unit}."
