"""What is broken, worn, forming, cut by the edge of the scan, or absent; and what stands where a tooth is missing."""

from __future__ import annotations

from ossicle.reading.records import Completeness, Reading, Vacancy

from ..records import Evidence, Finding
from ..views import teeth_evidence, whole_skull
from ..words import JAWS, QUADRANTS, arc_order, join, loci, row_name
from .common import least, of_row

__all__ = ["completeness_findings"]

_SAID: dict[Completeness, tuple[str, str, str]] = {
    "cut_by_scan_edge": (
        "cut by the edge of the scan",
        "its size is what the scan holds",
        "their sizes are what the scan holds",
    ),
    "broken": ("broken", "its size is of what is left", "their sizes are of what is left"),
    "worn": (
        "worn",
        "its crown height is not that of an unworn tooth",
        "their crown heights are not those of unworn teeth",
    ),
    "forming": (
        "still forming, without a full root",
        "its volume will grow",
        "their volumes will grow",
    ),
}
"""State: what is said of it, and what follows for one tooth and for several."""


def completeness_findings(reading: Reading) -> list[Finding]:
    """Return teeth that are not whole, row by row, and jaws that the scan does not hold."""
    found = [*_jaws(reading), *_vacancies(reading)]
    if not reading.teeth:
        return found
    for state, (said, for_one, for_several) in _SAID.items():
        teeth = sorted((t for t in reading.teeth if t.completeness == state), key=arc_order)
        if not teeth:
            continue
        rows = [
            f"{loci(some)} of the {row_name(jaw, side)}"
            for jaw, side in QUADRANTS
            if (some := [t for t in of_row(reading, jaw, side) if t.completeness == state])
        ]
        verb, tail = ("is", for_one) if len(teeth) == 1 else ("are", for_several)
        found.append(
            Finding(
                id=f"completeness/{state.replace('_', '-')}",
                region="completeness",
                subject="teeth",
                statement=f"Among the teeth found, {join(rows)} {verb} {said}; {tail}.",
                method="teeth.completeness",
                confidence=least(teeth),
                value=[f"{t.side} {t.jaw} {t.name}" for t in teeth],
                evidence=teeth_evidence(reading.pose, teeth, caption=f"Teeth {said}, bone veiled."),
            )
        )
    if all(t.completeness == "complete" for t in reading.teeth):
        found.append(
            Finding(
                id="completeness/teeth",
                region="completeness",
                subject="teeth",
                statement="Every tooth found is whole.",
                method="teeth.completeness",
                confidence=least(reading.teeth),
                value=True,
                evidence=teeth_evidence(reading.pose, list(reading.teeth), caption="All teeth, bone veiled."),
            )
        )
    return found


def _jaws(reading: Reading) -> list[Finding]:
    if not reading.teeth:
        return []
    found = []
    for jaw in JAWS:
        if any(t.jaw == jaw for t in reading.teeth):
            continue
        found.append(
            Finding(
                id=f"completeness/{jaw}-jaw",
                region="completeness",
                subject=f"{jaw} jaw",
                statement=f"No {jaw} tooth was found, so the {jaw} figures of the formula are what was "
                f"found and no count of the animal's.",
                method="teeth.completeness",
                confidence=0.8,
                value=False,
                evidence=Evidence((), whole_skull()),
            )
        )
    return found


def _vacancies(reading: Reading) -> list[Finding]:
    found = []
    by_part = {t.part: t for t in reading.teeth}
    unnamed = 0
    for vacancy in reading.vacancies:
        beside = [by_part[p] for p in (vacancy.before, vacancy.behind) if p is not None and p in by_part]
        if vacancy.name is None:
            unnamed += 1
        place = vacancy.name or f"socket-{unnamed}"
        found.append(
            Finding(
                id=f"completeness/{vacancy.jaw}-{vacancy.side}-{place}",
                region="completeness",
                subject=f"{vacancy.side} {vacancy.jaw} {vacancy.name or 'row'}",
                statement=_of_vacancy(vacancy, [t.name for t in beside]),
                method="teeth.vacancy",
                confidence=vacancy.confidence,
                value=vacancy.state.replace("_", " "),
                evidence=teeth_evidence(reading.pose, beside, caption=f"The teeth beside the {_place(vacancy)}.")
                if beside
                else Evidence((), whole_skull()),
            )
        )
    return found


def _place(vacancy: Vacancy) -> str:
    if vacancy.name is None:
        return f"socket in the {row_name(vacancy.jaw, vacancy.side)}"
    return f"place of {vacancy.name} in the {row_name(vacancy.jaw, vacancy.side)}"


def _of_vacancy(vacancy: Vacancy, beside: list[str]) -> str:
    depth = "" if vacancy.depth_mm is None else f"{vacancy.depth_mm:.1f} mm deep"
    if vacancy.name is None:
        between = f" between {beside[0]} and {beside[1]}" if len(beside) == 2 else ""
        return (
            f"In the {row_name(vacancy.jaw, vacancy.side)} an empty socket, {depth}, opens{between}, where the formula "
            f"calls for no tooth: look whether the names have shifted."
        )
    if vacancy.state == "empty_alveolus":
        pits = "a pit" if vacancy.pits == 1 else f"{vacancy.pits} pits"
        deep = depth if vacancy.pits == 1 else f"the deepest {depth}"
        verb = "opens" if vacancy.pits == 1 else "open"
        return (
            f"The alveolus of {vacancy.name} in the {row_name(vacancy.jaw, vacancy.side)} is empty: {pits}, {deep}, "
            f"{verb} at the alveolar margin, so the tooth was lost after death."
        )
    wide = "" if vacancy.gap_mm is None else f" The teeth beside it stand {vacancy.gap_mm:.1f} mm apart."
    if vacancy.state == "closed":
        return (
            f"No {vacancy.name} stands in the {row_name(vacancy.jaw, vacancy.side)}, and no room is left for it.{wide}"
        )
    return (
        f"No {vacancy.name} stands in the {row_name(vacancy.jaw, vacancy.side)}, and no socket is open in its place: "
        f"it was lost in life and the socket healed, or it never formed.{wide}"
    )
