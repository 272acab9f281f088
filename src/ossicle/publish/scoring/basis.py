"""What facts of an account rest on: parts, findings and confidences, kept while they are told."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from ossicle.account import Account, Finding
from ossicle.reading.records import Side, ToothRecord

__all__ = ["SURE", "Basis", "Telling"]

SURE = 0.5
"""Teeth and openings named with less confidence may be there, no more."""


@dataclass
class Basis:
    """What was looked at: parts, findings, confidences, and what was seen in words."""

    parts: dict[int, None] = field(default_factory=dict)
    findings: dict[str, None] = field(default_factory=dict)
    confidence: list[float] = field(default_factory=list)
    seen: dict[str, None] = field(default_factory=dict)
    lacking: dict[str, None] = field(default_factory=dict)
    """Why facts are not told, in words."""


class Telling:
    """One account, asked for facts on one side of the animal or on both together (``side`` None), and their `Basis`."""

    def __init__(self, account: Account, side: Side | None = None) -> None:
        self.account, self.side, self.basis = account, side, Basis()
        self._findings: dict[str, Finding] = {f.id: f for f in account.findings}
        self._voxel = max(account.scan.spacing_mm_zyx)

    def _lacks(self, why: str) -> None:
        self.basis.lacking[why] = None

    def _rests_on(self, teeth: Iterable[ToothRecord]) -> None:
        by_part = {f.evidence.parts[0]: f.id for f in self.account.findings if f.region == "teeth" and f.evidence.parts}
        for t in teeth:
            self.basis.parts[t.part] = None
            self.basis.confidence.append(t.confidence)
            if t.part in by_part:
                self.basis.findings[by_part[t.part]] = None

    def _finding(self, name: str) -> Finding | None:
        found = self._findings.get(name)
        if found is not None:
            self._uses(found)
        return found

    def _uses(self, found: Finding) -> None:
        self.basis.findings[found.id] = None
        self.basis.confidence.append(found.confidence)
        self.basis.parts.update(dict.fromkeys(found.evidence.parts))
