"""What several regions share: ids, rows, teeth in place."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from ossicle.reading.records import Jaw, Reading, Side, ToothRecord

from ..words import arc_order

__all__ = ["least", "middling", "of_row", "slug", "tooth_ids"]

_UNSAFE = re.compile(r"[^A-Za-z0-9]+")


def slug(text: str) -> str:
    """Return text as a piece of an id."""
    return _UNSAFE.sub("-", text).strip("-") or "unnamed"


def of_row(reading: Reading, jaw: Jaw, side: Side) -> list[ToothRecord]:
    """Return a quadrant's teeth from the midline backwards."""
    return sorted((t for t in reading.teeth if t.jaw == jaw and t.side == side), key=arc_order)


def least(teeth: Iterable[ToothRecord]) -> float:
    """Return the least confidence among teeth; 0 of none."""
    return min((t.confidence for t in teeth), default=0.0)


def middling(teeth: Iterable[ToothRecord]) -> float:
    """Return the mean confidence of teeth, for what is said of many together; 0 of none."""
    values = [t.confidence for t in teeth]
    return sum(values) / len(values) if values else 0.0


def tooth_ids(teeth: Sequence[ToothRecord]) -> dict[int, str]:
    """Return an id for each part: place and name, numbered from the front where a name occurs twice."""
    seen: dict[str, int] = {}
    ids: dict[int, str] = {}
    for tooth in sorted(teeth, key=lambda t: (t.jaw, t.side, *arc_order(t), t.centroid_mm_xyz)):
        stem = f"{tooth.jaw}-{tooth.side}/{slug(tooth.name)}"
        seen[stem] = seen.get(stem, 0) + 1
        ids[tooth.part] = stem if seen[stem] == 1 else f"{stem}-{seen[stem]}"
    return ids
