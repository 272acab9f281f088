"""Two persons' opinions side by side, and how far they agree."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ossicle.anatomy.repeats import technical_error
from ossicle.reading.records import Vector

from .agreement import cohens_kappa
from .anchors import Structures
from .history import Decision, in_force
from .values import same_value

__all__ = ["Agreement", "Opinion", "Opinions", "opinions"]


@dataclass(frozen=True)
class Opinion:
    """What two persons said of one thing. ``what`` is ``name``, ``generation``, ``judgement``, ``score``, ``value`` or
    ``landmark``; a value that one of them did not give is None."""

    subject: str
    what: str
    first: Any
    second: Any

    @property
    def both(self) -> bool:
        """Whether both said something."""
        return self.first is not None and self.second is not None

    @property
    def differ(self) -> bool:
        """Whether both said something, and not the same."""
        return self.both and not same_value(self.first, self.second)


@dataclass(frozen=True)
class Agreement:
    """How far two persons agree about one kind of thing, of which both judged ``count``.

    ``share`` is that of equal opinions (None for measures). ``value`` is Cohen's kappa or the technical error of
    measurement; None where it is not defined (nothing judged by both, or one class only).
    """

    what: str
    statistic: str
    count: int
    share: float | None
    value: float | None
    unit: str | None = None


@dataclass(frozen=True)
class Opinions:
    """The opinions of two persons about one specimen."""

    first: str
    second: str
    rows: tuple[Opinion, ...]
    agreement: tuple[Agreement, ...]


def opinions(structures: Structures, decisions: Sequence[Decision], first: str, second: str) -> Opinions:
    """Compare what two persons said of a specimen.

    A tooth's name counts where a person gave it or agreed to it; a generation likewise. Judgements are what was said
    of findings. Kappa is computed for names, generations and judgements; the technical error of measurement for
    numbers that both amended (per unit) and for landmarks that both placed (over their coordinates, mm).

    Parameters
    ----------
    structures
        Of the reading in which the anchors are looked up.
    decisions
        All of the specimen.
    first, second
        Who.
    """
    held = in_force(decisions)
    tables = [_said(structures, [d for d in held if d.who == who]) for who in (first, second)]
    keys = sorted({*tables[0], *tables[1]}, key=str)
    rows = tuple(Opinion(key[1], key[0], tables[0].get(key), tables[1].get(key)) for key in keys)
    return Opinions(first, second, rows, _agreement(rows, held))


def _said(structures: Structures, held: Sequence[Decision]) -> dict[tuple[str, str], Any]:
    out: dict[tuple[str, str], Any] = {}
    for d in held:
        if d.kind in ("agree", "amend", "dispute"):
            finding = str(d.said["finding"])
            if len(d.anchors) == 1:
                finding = _subject(structures, d) or finding
                if d.kind == "agree":
                    out["name", finding] = d.said.get("value")
                    out["generation", finding] = _generation(str(d.said.get("value")))
            out["judgement", finding] = {"agree": "agreed", "amend": "amended", "dispute": "disputed"}[d.kind]
            if d.kind == "amend":
                out["value", finding] = d.said.get("value")
        elif d.kind in ("rename", "generation"):
            subject = _subject(structures, d)
            if subject is None:
                continue
            if d.kind == "rename":
                out["name", subject] = d.said["name"]
                out["generation", subject] = _generation(str(d.said["name"]))
            else:
                out["generation", subject] = d.said["generation"]
            out["judgement", subject] = "amended"
        elif d.kind == "score":
            out["score", str(d.said["character"])] = d.said["state"]
        elif d.kind == "landmark":
            points = structures.points_of(d.anchors[0], d.scan)
            if points:
                out["landmark", str(d.said["name"])] = points[0]
    return out


def _subject(structures: Structures, d: Decision) -> str | None:
    """Return the structure that a decision is about, by its place and name in the reading as read."""
    found = structures.find(d.anchors[0], d.scan, any_size=True)
    if found.part is None:
        return None
    tooth = structures.teeth[found.part]
    x, y, z = tooth.centroid_mm_xyz
    return f"{tooth.side} {tooth.jaw} {tooth.name} at {x:.1f}, {y:.1f}, {z:.1f} mm"


def _generation(name: str) -> str:
    return "deciduous" if name.lower().startswith("d") else "permanent"


def _agreement(rows: Sequence[Opinion], held: Sequence[Decision]) -> tuple[Agreement, ...]:
    out = []
    for what in ("name", "generation", "judgement", "score"):
        both = [r for r in rows if r.what == what and r.both]
        kappa = cohens_kappa([str(r.first) for r in both], [str(r.second) for r in both]) if both else math.nan
        share = sum(not r.differ for r in both) / len(both) if both else None
        out.append(Agreement(what, "Cohen's kappa", len(both), share, None if math.isnan(kappa) else kappa))
    units: Mapping[str, str | None] = {str(d.said["finding"]): d.said.get("unit") for d in held if d.kind == "amend"}
    numbers: dict[str | None, list[tuple[float, float]]] = {}
    for r in rows:
        if r.what == "value" and _is_number(r.first) and _is_number(r.second):
            numbers.setdefault(units.get(r.subject), []).append((float(r.first), float(r.second)))
    for unit, pairs in numbers.items():
        error = technical_error([a for a, _ in pairs], [b for _, b in pairs])
        out.append(Agreement("value", "technical error of measurement", len(pairs), None, error, unit))
    placed: list[tuple[Vector, Vector]] = [(r.first, r.second) for r in rows if r.what == "landmark" and r.both]
    if placed:
        ours = [v for a, _ in placed for v in a]
        theirs = [v for _, b in placed for v in b]
        error = technical_error(ours, theirs)
        out.append(Agreement("landmark", "technical error of measurement", len(placed), None, error, "mm"))
    return tuple(out)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
