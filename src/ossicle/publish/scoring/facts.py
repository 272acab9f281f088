"""The facts that rules of characters ask for, told from an account; each keeps what it rests on.

A fact that the account does not tell is None. Counts are spans: from the teeth that are sure to those that may be
there. While a dentition grows, molars may still have to form, and in a newborn any tooth may: then there is no upper
bound; where no stage is named, a specimen all of whose teeth are permanent and erupted counts as grown (conventions of
this program). A measured value is taken as known to two of its standard errors; an extent of a
tooth, for which the account states none, to a voxel (docs/accuracy.md).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from ossicle.account import Account, Finding
from ossicle.anatomy import ToothName
from ossicle.anatomy.rules import Fact, Span
from ossicle.errors import OssicleError
from ossicle.reading.records import Side, ToothRecord

__all__ = ["Basis", "Facts"]

SURE = 0.5
"""Teeth and openings named with less confidence may be there, no more."""
FULL = 8
"""Fewer teeth tell nothing of the stage by themselves."""
RATIO_ERROR = 0.1
"""Standard error of the stapedial ratio as a share of it; the account states none."""
_SIDES: tuple[Side, Side] = ("left", "right")
_PERMANENT = ("permanent", "unreplaced")


@dataclass
class Basis:
    """What was looked at: parts, findings, confidences, and what was seen in words."""

    parts: dict[int, None] = field(default_factory=dict)
    findings: dict[str, None] = field(default_factory=dict)
    confidence: list[float] = field(default_factory=list)
    seen: dict[str, None] = field(default_factory=dict)
    lacking: dict[str, None] = field(default_factory=dict)
    """Why facts are not told, in words."""


class Facts:
    """The facts of one account, on one side of the animal or on both together (``side`` None)."""

    def __init__(self, account: Account, side: Side | None = None) -> None:
        self.account, self.side, self.basis = account, side, Basis()
        self._findings: dict[str, Finding] = {f.id: f for f in account.findings}
        self._voxel = max(account.scan.spacing_mm_zyx)

    def table(self) -> Mapping[str, Callable[..., Fact]]:
        """Return each fact of `ossicle.anatomy.characters.FACTS` by name."""
        sided = {
            name: self._on_each(getattr(self, f"_{name}"))
            for name in (
                "loci", "tooth", "generation", "length", "width", "height", "tallest", "gap", "opening", "area",
                "opening_length", "measure", "angular_process", "inflection", "mental_foramina", "stapes",
                "stapedial_ratio", "cochlear_turns", "canal_radius",
            )
        }  # fmt: skip
        whole: dict[str, Callable[..., Fact]] = {
            "grown": self._grown,
            "symphysis": self._symphysis,
            "replaced_premolars": lambda jaw: self._replaced(jaw, "premolar"),
            "replaced_incisors": lambda jaw: self._replaced(jaw, "incisor"),
        }
        return {**sided, **whole}

    def _on_each(self, fact: Callable[..., Fact]) -> Callable[..., Fact]:
        def asked(*given: Any) -> Fact:
            if self.side is not None:
                return fact(self.side, *given)
            return _joined([fact(side, *given) for side in _SIDES])

        return asked

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

    # -- teeth

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

    def _grown(self) -> bool | None:
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

    def _loci(self, side: Side, jaw: str, tooth_class: str) -> Span | None:
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

    def _tooth(self, side: Side, name: str) -> bool | None:
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

    def _generation(self, side: Side, name: str) -> str | None:
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

    def _replaced(self, jaw: str, tooth_class: str) -> Span | None:
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

    def _length(self, side: Side, name: str) -> Span | None:
        return self._size(side, name, "length_mm", ("complete", "worn"))

    def _width(self, side: Side, name: str) -> Span | None:
        return self._size(side, name, "width_mm", ("complete", "worn"))

    def _height(self, side: Side, name: str) -> Span | None:
        return self._size(side, name, "crown_height_mm", ("complete",))

    def _tallest(self, side: Side, jaw: str, tooth_class: str) -> Span | None:
        crowns = self._crowns(jaw, side, tooth_class, None)
        spans = [s for t in crowns if (s := self._height(side, t.name if t.jaw == "upper" else t.name.lower()))]
        if not spans or len(spans) < len(crowns):
            self._lacks(f"not every {side} {jaw} {tooth_class} in place is whole")
            return None
        return Span(max(s.low for s in spans), max(s.high for s in spans))

    def _gap(self, side: Side, front: str, behind: str) -> Span | None:
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

    # -- bone

    def _opening(self, side: Side, term: str) -> bool | None:
        if self._finding("palate/fenestration") is None:
            self._lacks("the palate was not read")
            return None
        named = [o for o in self.account.openings if o["term"] == term and o["side"] in (side, "midline")]
        if not named:
            self.basis.seen[f"no {side} {term} was found"] = None
            return False
        best = max(named, key=lambda o: float(o["confidence"]))
        self._rests_on_row(best, float(best["confidence"]), f"palate/{term.replace(' ', '-')}-")
        self.basis.seen[f"{best['side']} {term}, {float(best['area_mm2']):.2f} mm2"] = None
        return True if float(best["confidence"]) >= SURE else None

    def _rests_on_row(self, row: Mapping[str, Any], confidence: float, stem: str) -> None:
        if row.get("part") is not None:
            self.basis.parts[int(row["part"])] = None
        name = f"{stem}{row['side']}"
        if name in self._findings:
            self._uses(self._findings[name])
        else:
            self.basis.confidence.append(confidence)

    def _of_opening(self, side: Side, term: str, what: str, unit: str) -> Span | None:
        named = [o for o in self.account.openings if o["term"] == term and o["side"] in (side, "midline")]
        if not named:
            self._lacks(f"no {side} {term} was found")
            return None
        best = max(named, key=lambda o: float(o["area_mm2"] or 0.0))
        self._rests_on_row(best, float(best["confidence"]), f"palate/{term.replace(' ', '-')}-")
        return self._told(best, what, unit, f"{best['side']} {term}, {what}")

    def _told(self, row: Mapping[str, Any], name: str, unit: str, said: str) -> Span | None:
        tail = f"_{unit}" if unit else ""
        value, error = row.get(f"{name}{tail}"), row.get(f"{name}_error{tail}")
        if value is None or error is None:
            self._lacks(f"the {said} is not told")
            return None
        self.basis.seen[f"{said}: {float(value):.3g} ± {float(error):.2g}{' ' + unit if unit else ''}"] = None
        return Span.about(float(value), float(error))

    def _area(self, side: Side, term: str) -> Span | None:
        return self._of_opening(side, term, "area", "mm2")

    def _opening_length(self, side: Side, term: str) -> Span | None:
        return self._of_opening(side, term, "length", "mm")

    def _measure(self, side: Side, definition: str) -> Span | None:
        for m in self.account.measurements:
            if m["definition"] == definition and m.get("side") in (None, side):
                if m.get("value") is None or m.get("error") is None:
                    continue
                for found in self.account.findings:
                    if found.region == "measurements" and found.subject == m["name"]:
                        self._uses(found)
                said = f"{m['name']}: {float(m['value']):.4g} ± {float(m['error']):.2g} {m['unit']}"
                self.basis.seen[said] = None
                return Span.about(float(m["value"]), float(m["error"]))
        self._lacks(f"{definition.replace('_', ' ')} was not measured")
        return None

    def _jaw(self, side: Side) -> Mapping[str, Any] | None:
        row = next((j for j in self.account.jaw if j["side"] == side), None)
        if row is None:
            self._lacks(f"no {side} dentary was read")
        return row

    def _angular_process(self, side: Side) -> str | None:
        row = self._jaw(side)
        if row is None:
            return None
        self._finding(f"jaw/angle-{side}")
        form = row.get("form")
        if form is None or (form == "absent" and row.get("cut_by_scan_edge")):
            self._lacks(f"the angle of the {side} dentary was not read or is cut")
            return None
        self.basis.seen[f"{side} angular process: {form}"] = None
        return str(form)

    def _inflection(self, side: Side) -> Span | None:
        row = self._jaw(side)
        if row is None:
            return None
        self._finding(f"jaw/angle-{side}")
        return self._told(row, "angular_process_inflection", "deg", f"turn of the {side} angular process")

    def _symphysis(self) -> str | None:
        found = self._finding("jaw/symphysis")
        if found is None or found.value not in ("open", "fused"):
            self._lacks("the symphysis was not read: it takes both dentaries")
            return None
        self.basis.seen[f"symphysis: {found.value}"] = None
        return str(found.value)

    def _mental_foramina(self, side: Side) -> Span | None:
        found = self._finding(f"jaw/mental-foramina-{side}")
        if found is None:
            self._lacks(f"the outer face of the {side} dentary was not read")
            return None
        self.basis.seen[f"{side} mental foramina: {found.value}"] = None
        return Span(float(found.value), float(found.value))

    def _ear(self, side: Side) -> Mapping[str, Any] | None:
        row = next((e for e in self.account.ear if e["side"] == side), None)
        if row is None:
            self._lacks(f"the {side} ear was not read")
        return row

    def _stapes(self, side: Side) -> str | None:
        row = self._ear(side)
        if row is None or row["stapes"] == "not_resolved":
            self._lacks(f"the {side} stapes is not resolved")
            return None
        self._finding(f"ear/stapes-{side}")
        return str(row["stapes"])

    def _stapedial_ratio(self, side: Side) -> Span | None:
        row = self._ear(side)
        if row is None or row.get("stapedial_ratio") is None:
            self._lacks(f"the {side} oval window is not resolved")
            return None
        self._finding(f"ear/oval-window-{side}")
        value = float(row["stapedial_ratio"])
        self.basis.seen[f"{side} oval window, length over width {value:.2f}"] = None
        return Span.about(value, RATIO_ERROR * value)

    def _cochlear_turns(self, side: Side) -> Span | None:
        row = self._ear(side)
        if row is None:
            return None
        self._finding(f"ear/labyrinth-{side}")
        return self._told(row, "cochlear_turns", "", f"turns of the {side} cochlea")

    def _canal_radius(self, side: Side, name: str) -> Span | None:
        row = self._ear(side)
        if row is None:
            return None
        self._finding(f"ear/canals-{side}")
        value = (row.get("semicircular_canal_radii_mm") or {}).get(name)
        error = (row.get("semicircular_canal_radii_error_mm") or {}).get(name)
        if value is None or error is None:
            self._lacks(f"the {side} {name} canal is not resolved")
            return None
        self.basis.seen[f"{side} {name} canal, radius {float(value):.2f} ± {float(error):.2f} mm"] = None
        return Span.about(float(value), float(error))


def _sure(tooth: ToothRecord) -> bool:
    return min(tooth.locus_confidence, tooth.detection_confidence) >= SURE


def _joined(found: list[Fact]) -> Fact:
    """Return what both sides say together: of numbers the span of both, of words the one that both say."""
    told = [f for f in found if f is not None]
    if not told:
        return None
    if all(isinstance(f, Span) for f in told):
        spans = [f for f in told if isinstance(f, Span)]
        return Span(min(s.low for s in spans), max(s.high for s in spans))
    if all(isinstance(f, bool) for f in told):
        return True if True in told else None if None in found else False
    return told[0] if all(f == told[0] for f in told) else None
