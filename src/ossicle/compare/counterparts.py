"""Counterparts: the same locus, opening, bone, cavity, landmark or measurement in each specimen, and what is missing.

Homology is the account's: names and sides. Nothing is matched by place or likeness.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from ossicle.reading.records import Jaw, Side, ToothClass, ToothRecord

from .specimens import Compared

__all__ = ["Counterpart", "Kind", "LocusState", "counterparts", "locus_states", "tooth_key"]

Kind = Literal["tooth", "opening", "bone", "cavity", "ossicle", "landmark", "measurement"]
LocusKey = tuple[Jaw, Side, ToothClass, int]
_JAWS = ("upper", "lower")
_SIDES = ("right", "left")
_CLASSES = ("incisor", "canine", "premolar", "molar")
_STATE = {"in_crypt": "in its crypt", "erupting": "erupting", "erupted": "in place"}


@dataclass(frozen=True)
class LocusState:
    """What stands at a locus: a deciduous tooth, one of the other generations, both or neither; and any more there."""

    key: LocusKey
    deciduous: ToothRecord | None = None
    adult: ToothRecord | None = None
    more: tuple[ToothRecord, ...] = ()

    @property
    def teeth(self) -> tuple[ToothRecord, ...]:
        """All teeth at the locus."""
        return tuple(t for t in (self.deciduous, self.adult, *self.more) if t is not None)

    @property
    def empty(self) -> bool:
        """Whether no tooth was found there."""
        return not self.teeth

    def in_words(self) -> str:
        """As one says it: ``dP3 in place, P3 in its crypt``."""
        return ", ".join(_said(t) for t in self.teeth) or "absent"


def _said(t: ToothRecord) -> str:
    share = f" ({round(100 * t.emergence_fraction)} % emerged)" if t.emergence == "erupting" else ""
    return f"{t.name} {_STATE[t.emergence]}{share}"


def tooth_key(tooth: ToothRecord) -> LocusKey:
    """The locus of a tooth."""
    return (tooth.jaw, tooth.side, tooth.tooth_class, tooth.position)


def _order(key: LocusKey) -> tuple[int, int, int, int]:
    return (_JAWS.index(key[0]), _SIDES.index(key[1]), _CLASSES.index(key[2]), key[3])


def locus_states(specimens: Sequence[Compared]) -> dict[LocusKey, tuple[LocusState, ...]]:
    """Return, for each locus that any specimen has a tooth at, what stands there in each, upper right to lower left.

    Where two teeth of one generation bear one name, the surer one holds the locus.
    """
    found: list[dict[LocusKey, LocusState]] = []
    for s in specimens:
        by: dict[LocusKey, list[ToothRecord]] = {}
        for t in sorted(s.account.teeth, key=lambda t: -t.confidence):
            by.setdefault(tooth_key(t), []).append(t)
        states = {}
        for key, teeth in by.items():
            first = next((t for t in teeth if t.generation == "deciduous"), None)
            second = next((t for t in teeth if t.generation != "deciduous"), None)
            rest = tuple(t for t in teeth if t is not first and t is not second)
            states[key] = LocusState(key, first, second, rest)
        found.append(states)
    keys = sorted({key for states in found for key in states}, key=_order)
    return {key: tuple(states.get(key, LocusState(key)) for states in found) for key in keys}


@dataclass(frozen=True)
class Counterpart:
    """One structure as it stands in each specimen, in their order.

    ``held`` has the record of each (a tooth, a part, an opening's row, a point in skull mm, a measurement's row) or
    None; ``parts`` the part numbers that show it, empty where there is none.
    """

    kind: Kind
    name: str
    side: str | None
    held: tuple[Any, ...]
    parts: tuple[tuple[int, ...], ...]

    @property
    def label(self) -> str:
        """Name with side, as ``left oval window``."""
        return self.name if self.side in (None, "midline") else f"{self.side} {self.name}"

    def missing(self, specimens: Sequence[Compared]) -> tuple[str, ...]:
        """Names of the specimens that lack it."""
        return tuple(s.name for s, h in zip(specimens, self.held, strict=True) if h is None)


def counterparts(specimens: Sequence[Compared], *, across_generations: bool = False) -> tuple[Counterpart, ...]:
    """Return what corresponds in the specimens; a structure that one alone has is listed with its absences.

    Parameters
    ----------
    specimens
        Two or more.
    across_generations
        Lay a deciduous tooth beside the tooth that stands at its place in the others, its successor; else only teeth of
        one generation correspond (permanent and unreplaced teeth count as one).
    """
    return (*_teeth(specimens, across_generations), *_openings(specimens), *_parts(specimens), *_points(specimens))


def _teeth(specimens: Sequence[Compared], across: bool) -> Iterable[Counterpart]:
    for key, states in locus_states(specimens).items():
        jaw, side = key[0], key[1]
        if across:
            standing = [_standing(s) for s in states]
            names = dict.fromkeys(t.name for t in standing if t is not None)
            yield _tooth(f"{jaw} {' / '.join(names)}", side, standing)
            continue
        for generation in ("deciduous", "adult"):
            held: list[ToothRecord | None] = [getattr(s, generation) for s in states]
            name = next((t.name for t in held if t is not None), None)
            if name is not None:
                yield _tooth(f"{jaw} {name}", side, held)


def _standing(state: LocusState) -> ToothRecord | None:
    """The tooth one sees at a locus: the further emerged one; of two alike, the deciduous one."""
    return max(state.teeth, key=lambda t: ("in_crypt", "erupting", "erupted").index(t.emergence), default=None)


def _tooth(name: str, side: str, held: Sequence[ToothRecord | None]) -> Counterpart:
    parts = tuple(() if t is None else (t.part,) for t in held)
    return Counterpart("tooth", name, side, tuple(held), parts)


def _openings(specimens: Sequence[Compared]) -> Iterable[Counterpart]:
    rows: list[dict[tuple[str, str | None, int], Mapping[str, Any]]] = []
    for s in specimens:
        mine: dict[tuple[str, str | None, int], Mapping[str, Any]] = {}
        counts: dict[tuple[str, str | None], int] = {}
        for o in sorted(s.account.openings, key=lambda o: -float(o["area_mm2"] or 0.0)):
            place = (str(o["term"]), o["side"])
            counts[place] = counts.get(place, 0) + 1
            mine[(*place, counts[place])] = o
        rows.append(mine)
    for key in dict.fromkeys(k for mine in rows for k in mine):
        held = tuple(mine.get(key) for mine in rows)
        name = key[0] if key[2] == 1 else f"{key[0]}, {key[2]} in size"
        parts = tuple(() if o is None or o.get("part") is None else (int(o["part"]),) for o in held)
        yield Counterpart("opening", name, key[1], held, parts)


def _parts(specimens: Sequence[Compared]) -> Iterable[Counterpart]:
    kinds: tuple[Kind, ...] = ("bone", "cavity", "ossicle")
    for kind in kinds:
        rows = []
        for s in specimens:
            mine = {}
            for p in sorted((p for p in s.account.parts if p.kind == kind), key=lambda p: p.volume_mm3):
                mine[p.term, p.side] = p  # the largest of one name stands for it
            rows.append(mine)
        for term, side in dict.fromkeys(k for mine in rows for k in mine):
            held = tuple(mine.get((term, side)) for mine in rows)
            yield Counterpart(kind, term, side, held, tuple(() if p is None else (p.part,) for p in held))


def _points(specimens: Sequence[Compared]) -> Iterable[Counterpart]:
    marks = [s.landmarks for s in specimens]
    none: tuple[tuple[int, ...], ...] = tuple(() for _ in specimens)
    for name in dict.fromkeys(n for m in marks for n in m):
        yield Counterpart("landmark", name, None, tuple(m.get(name) for m in marks), none)
    rows = [{str(m["name"]): m for m in s.account.measurements} for s in specimens]
    for name in dict.fromkeys(n for r in rows for n in r):
        yield Counterpart("measurement", name, None, tuple(r.get(name) for r in rows), none)
