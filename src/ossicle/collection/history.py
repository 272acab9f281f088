"""The record of a decision, which decisions hold, and what each becomes as a hint to a reading."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from ossicle.anatomy import ToothName
from ossicle.reading import hints as h
from ossicle.reading.records import Vector

from .anchors import Anchor
from .kinds import Kind

__all__ = ["BEARING", "Decision", "digest_of", "hints_of", "in_force", "last_of", "undone", "words_of"]

BEARING: frozenset[str] = frozenset(
    {"rename", "generation", "join", "cut", "discard", "add", "side", "midplane", "landmark"},
)
"""Kinds that bear on a reading, as hints."""
FIRST = "0" * 64
"""What the first decision of a specimen has for the digest of the one before it."""


@dataclass(frozen=True)
class Decision:
    """One thing that a person said of a specimen; never changed once kept.

    ``number`` counts from 1 within the specimen. ``at`` is UTC, ISO 8601. ``scan`` is the key of the scan in whose mm
    the anchors are given, ``reading`` the number of the reading that the person looked at. ``said`` holds what the kind
    asks for; ``target`` the number of the decision that an undo or redo is about. ``digest`` chains it to the decision
    before, so that a change in between shows.
    """

    number: int
    kind: Kind
    who: str
    at: str
    why: str = ""
    scan: str = ""
    reading: int | None = None
    anchors: tuple[Anchor, ...] = ()
    said: Mapping[str, Any] = field(default_factory=dict)
    target: int | None = None
    digest: str = ""

    def as_json(self) -> dict[str, Any]:
        """Return plain data that `from_json` reads back."""
        return {**asdict(self), "anchors": [a.as_json() for a in self.anchors]}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Decision:
        """Read what `as_json` gave; numbers stay as they were written, so that the digest holds."""
        return cls(**{**data, "anchors": tuple(Anchor.from_json(a) for a in data.get("anchors", ()))})


def digest_of(decision: Decision, before: str) -> str:
    """Return the SHA-256 of a decision and of the digest of the one before it."""
    facts = [
        before,
        decision.number,
        decision.kind,
        decision.who,
        decision.at,
        decision.why,
        decision.scan,
        decision.reading,
        [a.as_json() for a in decision.anchors],
        decision.said,
        decision.target,
    ]
    return hashlib.sha256(json.dumps(facts, sort_keys=True, ensure_ascii=True).encode("ascii")).hexdigest()


def in_force(decisions: Iterable[Decision]) -> list[Decision]:
    """Return the decisions that hold after all undoing and redoing, in the order in which they were made."""
    decisions = list(decisions)
    out = undone(decisions)
    return [d for d in decisions if d.kind not in ("undo", "redo") and d.number not in out]


def undone(decisions: Iterable[Decision]) -> set[int]:
    """Return the numbers of the decisions that are undone."""
    out: set[int] = set()
    for d in decisions:
        if d.kind == "undo" and d.target is not None:
            out.add(d.target)
        elif d.kind == "redo" and d.target is not None:
            out.discard(d.target)
    return out


def last_of(decisions: Sequence[Decision], who: str, kind: Kind) -> int | None:
    """Return which decision an undo or redo without a number is about: the person's own last, or None."""
    if kind == "undo":
        return max((d.number for d in in_force(decisions) if d.who == who), default=None)
    gone = undone(decisions)
    for d in reversed(decisions):
        if d.kind == "undo" and d.who == who and d.target in gone:
            return d.target
    return None


def hints_of(decisions: Iterable[Decision], scan: str) -> h.Hints:
    """Return the decisions in force as hints to a reading of the scan of key ``scan``.

    What was said on another scan of the specimen gives no hint; it is applied to the account, through the pose.
    """
    names: list[h.NameTooth] = []
    joins: list[h.Join] = []
    cuts: list[h.Cut] = []
    discards: list[h.Discard] = []
    missed: list[h.MissedTooth] = []
    sides: list[h.SideIs] = []
    landmarks: dict[str, h.PlaceLandmark] = {}
    midplane: h.Midplane | None = None
    for d in in_force(decisions):
        if d.kind not in BEARING or d.scan != scan:
            continue
        first = d.anchors[0].points_mm[0]
        if d.kind == "rename":
            name = ToothName.parse(d.said["name"])
            names.append(h.NameTooth(first, str(name), _generation(d)))
        elif d.kind == "generation":
            names.append(h.NameTooth(first, None, d.said["generation"]))
        elif d.kind == "join":
            joins.append(h.Join(tuple(a.points_mm[0] for a in d.anchors)))
        elif d.kind == "cut":
            cuts.append(h.Cut(first, tuple(_point(p) for p in d.said["seeds_mm"])))
        elif d.kind == "discard":
            discards.append(h.Discard(first))
        elif d.kind == "add":
            missed.append(h.MissedTooth(first))
        elif d.kind == "side":
            sides.append(h.SideIs(first, d.said["side"]))
        elif d.kind == "landmark":
            landmarks[d.said["name"]] = h.PlaceLandmark(d.said["name"], first)
        elif d.kind == "midplane":
            midplane = h.Midplane(d.anchors[0].points_mm, _maybe(d.said.get("up")), _maybe(d.said.get("front")))
    return h.Hints(
        names=_last_each(names),
        joins=tuple(joins),
        cuts=tuple(cuts),
        discards=tuple(discards),
        missed=tuple(missed),
        midplane=midplane,
        sides=tuple({s.point_mm: s for s in sides}.values()),
        landmarks=tuple(landmarks.values()),
    )


def _generation(decision: Decision) -> Any:
    return "deciduous" if ToothName.parse(decision.said["name"]).deciduous else None


def _last_each(names: Sequence[h.NameTooth]) -> tuple[h.NameTooth, ...]:
    """Of hints at one point keep what was said last: the last name, and the last generation with or after it."""
    merged: dict[Vector, h.NameTooth] = {}
    for said in names:
        before = merged.pop(said.point_mm, None)
        if said.name is None and before is not None:
            said = h.NameTooth(said.point_mm, before.name, said.generation)
        merged[said.point_mm] = said
    return tuple(merged.values())


def _point(value: Sequence[float]) -> Vector:
    return (float(value[0]), float(value[1]), float(value[2]))


def _maybe(value: Sequence[float] | None) -> Vector | None:
    return None if value is None else _point(value)


_VERBS = {
    "agree": "agreed to {finding}",
    "amend": "amended {finding} to {value}",
    "dispute": "disputed {finding}",
    "rename": "called the {place} {name}",
    "generation": "called the {place} {generation}",
    "join": "joined the {places}",
    "cut": "cut the {place} into {count}",
    "discard": "discarded the {place}",
    "add": "added a tooth that the reading missed",
    "landmark": "placed the landmark {name}",
    "side": "put the {place} on the {side}",
    "midplane": "set the midplane",
    "score": "scored {character} as {state}",
    "undo": "undid decision {target}",
    "redo": "redid decision {target}",
}


def words_of(decision: Decision) -> str:
    """Return a decision in words, without who and when: ``called the left upper dP3 P3``."""
    places = [a.structure.words() if a.structure is not None else "structure at that point" for a in decision.anchors]
    said = {key: value for key, value in decision.said.items() if key not in ("place", "places", "target", "count")}
    return _VERBS[decision.kind].format_map(
        {
            "finding": "", "value": "", "name": "", "generation": "", "side": "", "character": "", "state": "",
            **said,
            "place": places[0] if places else "structure",
            "places": " and the ".join(places),
            "count": len(decision.said.get("seeds_mm", ())),
            "target": decision.target,
        }
    )  # fmt: skip
