"""Facts of characters that teeth tell: how many loci, which teeth, which generations, sizes and gaps.

Counts are spans: from the teeth that are sure to those that may be there. While a dentition grows, molars may still
have to form, and in a newborn any tooth may: then there is no upper bound; where no stage is named, a specimen all of
whose teeth are permanent and erupted counts as grown (conventions of this program). The account states no error of an
extent of a tooth; it is taken as known to a voxel (docs/accuracy.md).
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from ossicle.account import Finding
from ossicle.anatomy import ToothName
from ossicle.anatomy.rules import Span
from ossicle.errors import OssicleError
from ossicle.reading.records import Side, ToothRecord

from .basis import SURE, Telling

__all__ = ["ToothFacts"]

FULL = 8
"""Fewer teeth tell nothing of the stage by themselves."""
_PERMANENT = ("permanent", "unreplaced")


class ToothFacts(Telling):
    """What the teeth of an account tell; each method is a fact of `ossicle.anatomy.characters.FACTS`."""

    def _row(self, jaw: str, side: Side) -> list[ToothRecord]:
        return [t for t in self.account.teeth if t.jaw == jaw and t.side == side]

    def _stage(self) -> str | None:
        """Return the stage; where the account names none, adult if no tooth is deciduous or still to erupt."""
        teeth = self.account.teeth
        named = self.account.formula.stage.name
        if named is None and len(teeth) >= FULL:
            done = all(t.generation != "deciduous" and t.emergence == "erupted" for t in teeth)
            return "adult" if done else "still growing"
        return named

    def grown(self) -> bool | None:
        """Whether the permanent dentition is in place."""
        self._finding("stage/eruption")
        stage = self._stage()
        if stage is None:
            self._lacks("the growth stage is not told")
            return None
        if stage not in ("adult", "old"):
            self._lacks(f"the specimen is {stage}")
            return False
        return True

    def _open_ended(self, tooth_class: str) -> bool:
        stage = self._stage()
        return stage == "newborn" or (tooth_class == "molar" and stage not in ("adult", "old"))

    def _vacancies(self, jaw: str, side: Side, tooth_class: str) -> Iterable[tuple[int, Finding]]:
        stem = f"completeness/{jaw}-{side}-"
        for found in self.account.findings:
            if found.method == "teeth.vacancy" and found.id.startswith(stem):
                try:
                    name = ToothName.parse(found.id.removeprefix(stem))
                except OssicleError:  # a socket without a name
                    continue
                if name.tooth_class == tooth_class:
                    yield name.position, found

    def loci(self, side: Side, jaw: str, tooth_class: str) -> Span | None:
        """How many loci of a class carry or carried a tooth."""
        row = self._row(jaw, side)
        if not row:
            self._lacks(f"no tooth of the {side} {jaw} row was found")
            return None
        own = [t for t in row if t.tooth_class == tooth_class]
        sure = {t.position for t in own if _sure(t)}
        perhaps = {t.position for t in own}
        used = [t for t in own if t.generation in _PERMANENT or t.replaced_by is None]
        # A place that only the other side fills is open to doubt, unless it was looked at and is closed.
        other: Side = "left" if side == "right" else "right"
        perhaps |= {t.position for t in self._row(jaw, other) if t.tooth_class == tooth_class and _sure(t)}
        for position, found in self._vacancies(jaw, side, tooth_class):
            self._uses(found)
            if found.value == "closed":
                perhaps -= {position} - sure
                continue
            perhaps.add(position)
            if found.value == "empty alveolus" and found.confidence >= SURE:
                sure.add(position)
        self._rests_on(sorted(used, key=lambda t: t.position))
        if not own and (counted := self._findings.get(f"dentition/{jaw}-{side}/in-place")) is not None:
            self._uses(counted)
        names = ", ".join(dict.fromkeys(t.name for t in sorted(used, key=lambda t: t.position)))
        self.basis.seen[f"{side} {jaw} {tooth_class}s: {names or 'none'}"] = None
        high = float(len(perhaps))
        if self._open_ended(tooth_class):
            high = math.inf
            stage = self._stage() or "of no known stage"
            self._lacks(f"more {jaw} {tooth_class}s may still form, as the specimen is {stage}")
        elif any(t.completeness == "cut_by_scan_edge" for t in row):
            high = math.inf
            self._lacks(f"the {side} {jaw} row is cut by the scan's edge")
        elif len(sure) < len(perhaps):
            self._lacks(f"some {jaw} {tooth_class}s are uncertain on the {side}")
        return Span(float(len(sure)), high)

    def tooth(self, side: Side, name: str) -> bool | None:
        """Whether a tooth of this name stands or waits there; in either generation where the name has no ``d``."""
        wanted = ToothName.parse(name)
        row = self._row(wanted.jaw, side)
        if not row:
            self._lacks(f"no tooth of the {side} {wanted.jaw} row was found")
            return None
        found = [t for t in row if (t.tooth_class, t.position) == (wanted.tooth_class, wanted.position)]
        if wanted.deciduous:
            found = [t for t in found if t.generation == "deciduous"]
        self._rests_on(found)
        if found:
            if any(_sure(t) for t in found):
                return True
            self._lacks(f"the {side} {name} is uncertain")
            return None
        for position, vacancy in self._vacancies(wanted.jaw, side, wanted.tooth_class):
            if position == wanted.position and vacancy.value != "closed":
                self._uses(vacancy)
                self._lacks(f"the place of the {side} {name} is vacant")
                return True if vacancy.value == "empty alveolus" and not wanted.deciduous else None
        if self._open_ended(wanted.tooth_class) or any(t.completeness == "cut_by_scan_edge" for t in row):
            self._lacks(f"the {side} {name} may still form or lie outside the scan")
            return None
        self.basis.seen[f"no {side} {name}"] = None
        return False

    def generation(self, side: Side, name: str) -> str | None:
        """``unreplaced``, or ``replaced`` where a deciduous and a permanent tooth are known."""
        wanted = ToothName.parse(name)
        found = [
            t
            for t in self._row(wanted.jaw, side)
            if (t.tooth_class, t.position) == (wanted.tooth_class, wanted.position) and _sure(t)
        ]
        self._rests_on(found)
        kinds = {t.generation for t in found}
        self.basis.seen[f"{side} {name}: {', '.join(sorted(kinds)) or 'not found'}"] = None
        if "unreplaced" in kinds:
            return "unreplaced"
        if kinds == {"deciduous", "permanent"}:
            return "replaced"
        self._lacks(f"only one generation of the {side} {name} shows, and whether there was another does not")
        return None

    def replaced(self, jaw: str, tooth_class: str) -> Span | None:
        """How many loci of a class have a deciduous tooth, while deciduous premolars show."""
        teeth = [t for t in self.account.teeth if t.jaw == jaw and t.tooth_class == tooth_class]
        premolars = [t for t in self.account.teeth if t.generation == "deciduous" and t.tooth_class == "premolar"]
        if not premolars:
            self._lacks("no deciduous premolar was found, so replacement is over or was not seen")
            return None
        if self._stage() == "newborn":
            self._lacks("the specimen is newborn, and successors may still have to form")
            return None
        milk = {t.position for t in teeth if t.generation == "deciduous" and _sure(t)}
        shed = {t.position for t in teeth if t.generation == "permanent"} | {
            t.position for t in teeth if t.generation == "deciduous"
        }
        self._rests_on(teeth)
        names = sorted({t.name for t in teeth if t.generation == "deciduous"})
        self.basis.seen[f"deciduous {jaw} {tooth_class}s: {', '.join(names) or 'none'}"] = None
        if len(shed) > len(milk):
            self._lacks("others may have been shed before")
        return Span(float(len(milk)), float(len(milk | shed)))

    def _crowns(self, jaw: str, side: Side, tooth_class: str, position: int | None) -> list[ToothRecord]:
        found = [
            t
            for t in self._row(jaw, side)
            if t.tooth_class == tooth_class
            and position in (None, t.position)
            and t.generation in _PERMANENT
            and t.emergence == "erupted"
            and _sure(t)
        ]
        return sorted(found, key=lambda t: t.position)

    def _size(self, side: Side, name: str, what: str, whole: tuple[str, ...]) -> Span | None:
        wanted = ToothName.parse(name)
        found = [
            t
            for t in self._crowns(wanted.jaw, side, wanted.tooth_class, wanted.position)
            if t.completeness in whole and math.isfinite(getattr(t, what))
        ]
        if not found:
            self._lacks(f"no whole {side} {name} in place was measured")
            return None
        self._rests_on(found[:1])
        value = float(getattr(found[0], what))
        self.basis.seen[f"{side} {name}, {what.removesuffix('_mm').replace('_', ' ')} {value:.2f} mm"] = None
        return Span(max(value - self._voxel, 0.0), value + self._voxel)

    def length(self, side: Side, name: str) -> Span | None:
        """Mesiodistal length of a whole permanent crown in place, mm."""
        return self._size(side, name, "length_mm", ("complete", "worn"))

    def width(self, side: Side, name: str) -> Span | None:
        """Its width, mm."""
        return self._size(side, name, "width_mm", ("complete", "worn"))

    def height(self, side: Side, name: str) -> Span | None:
        """Its height above the alveolar margin, mm."""
        return self._size(side, name, "crown_height_mm", ("complete",))

    def tallest(self, side: Side, jaw: str, tooth_class: str) -> Span | None:
        """Height of the tallest whole permanent crown of a class, mm."""
        crowns = self._crowns(jaw, side, tooth_class, None)
        spans = [s for t in crowns if (s := self.height(side, t.name if t.jaw == "upper" else t.name.lower()))]
        if not spans or len(spans) < len(crowns):
            self._lacks(f"not every {side} {jaw} {tooth_class} in place is whole")
            return None
        return Span(max(s.low for s in spans), max(s.high for s in spans))

    def gap(self, side: Side, front: str, behind: str) -> Span | None:
        """Gap between two neighbours of one row, mm; 0 where none was told."""
        names = [ToothName.parse(n) for n in (front, behind)]
        teeth = [self._crowns(n.jaw, side, n.tooth_class, n.position) for n in names]
        if not all(teeth):
            self._lacks(f"{front} and {behind} do not both stand on the {side}")
            return None
        self._rests_on([*teeth[0][:1], *teeth[1][:1]])
        for found in self.account.findings:
            if found.method == "teeth.gaps" and found.evidence.parts == (teeth[0][0].part, teeth[1][0].part):
                self._uses(found)
                return Span(max(float(found.value) - self._voxel, 0.0), float(found.value) + self._voxel)
        self.basis.seen[f"no gap was told between {side} {front} and {behind}"] = None
        return Span(0.0, 0.0)


def _sure(tooth: ToothRecord) -> bool:
    return min(tooth.locus_confidence, tooth.detection_confidence) >= SURE
