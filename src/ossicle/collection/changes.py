"""What changed between two readings of a specimen, tooth by tooth and finding by finding."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from ossicle.account import Account
from ossicle.reading.records import ToothRecord

from .anchors import Structures
from .values import same_value

__all__ = ["Changed", "Changes", "changes_between"]

LEAST_VOLUME_CHANGE = 0.1
"""Relative change of a tooth's volume that is told. Convention of this program."""


@dataclass(frozen=True)
class Changed:
    """One thing that is not as it was: ``subject`` in words, ``what`` changed, before and after (None: not there)."""

    subject: str
    what: str
    before: Any
    after: Any


@dataclass(frozen=True)
class Changes:
    """What changed between two readings. Teeth are matched by where they lie, findings by what they are about."""

    teeth: tuple[Changed, ...]
    findings: tuple[Changed, ...]

    def __bool__(self) -> bool:
        return bool(self.teeth or self.findings)


def changes_between(old: Structures, old_account: Account, new: Structures, new_account: Account) -> Changes:
    """Compare two readings of one specimen.

    Parameters
    ----------
    old, new
        Their structures.
    old_account, new_account
        Their accounts.
    """
    taken: dict[int, int] = {}
    teeth: list[Changed] = []
    for part in sorted(old.teeth, key=lambda p: old.teeth[p].centroid_mm_xyz):
        tooth = old.teeth[part]
        found = new.find(old.anchor(part), old.scan, any_size=True)
        if found.part is None or found.part in taken:
            why = "read as one with another" if found.part is not None else None
            teeth.append(Changed(_words(tooth), "tooth", "read", why))
            continue
        taken[found.part] = part
        teeth += _differences(tooth, new.teeth[found.part])
    teeth += [
        Changed(_words(new.teeth[part]), "tooth", None, "read")
        for part in sorted(set(new.teeth) - set(taken), key=lambda p: new.teeth[p].centroid_mm_xyz)
    ]
    return Changes(tuple(teeth), tuple(_findings(old_account, new_account)))


def _words(tooth: ToothRecord) -> str:
    return f"{tooth.side} {tooth.jaw} {tooth.name}"


def _differences(before: ToothRecord, after: ToothRecord) -> list[Changed]:
    out = [
        Changed(_words(before), what, getattr(before, name), getattr(after, name))
        for what, name in (
            ("name", "name"),
            ("jaw", "jaw"),
            ("side", "side"),
            ("generation", "generation"),
            ("emergence", "emergence"),
            ("completeness", "completeness"),
        )
        if getattr(before, name) != getattr(after, name)
    ]
    a, b = before.volume_mm3, after.volume_mm3
    if a > 0 and b > 0 and abs(a - b) > LEAST_VOLUME_CHANGE * max(a, b):
        out.append(Changed(_words(before), "volume (mm³)", round(a, 4), round(b, 4)))
    return out


def _findings(old: Account, new: Account) -> list[Changed]:
    """Return the findings other than of single teeth (they are told above) whose value changed."""
    ours: Mapping[str, Any] = {f.id: f for f in old.findings if f.region != "teeth"}
    theirs: Mapping[str, Any] = {f.id: f for f in new.findings if f.region != "teeth"}
    out = []
    for name in [*ours, *(n for n in theirs if n not in ours)]:
        a, b = ours.get(name), theirs.get(name)
        if a is None or b is None:
            out.append(Changed(name, "finding", a and a.statement, b and b.statement))
        elif not same_value(a.value, b.value):
            out.append(Changed(name, "value", a.value, b.value))
    return out
