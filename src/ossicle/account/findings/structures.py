"""Palate, jaw, ear and braincase as findings, one sentence each."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from ossicle.reading.records import Reading
from ossicle.reading.structures import JawHalf, NasalCavity, Opening, Palate, Structures, Suture, Value

from ..records import Evidence, Finding, Region, View
from ..words import area, length, number, percent, volume
from .common import slug

__all__ = [
    "absence_findings",
    "braincase_findings",
    "evidence_at",
    "jaw_findings",
    "opening_finding",
    "palate_findings",
    "plus_minus",
]

Vector = tuple[float, float, float]
_VENTRAL: tuple[Vector, Vector] = ((0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
_CAUDAL: tuple[Vector, Vector] = ((0.0, 0.0, 1.0), (0.0, 1.0, 0.0))


def plus_minus(value: Value, unit: str) -> str:
    """A value with its error and unit: ``3.76 ± 0.12 mm²``."""
    places = max(0, 1 - int(np.floor(np.log10(max(value.error, 1e-6))))) if value.error > 0 else 2
    return f"{value.value:.{places}f} ± {value.error:.{places}f}{unit}"


def evidence_at(
    centre: Any, extent: float, caption: str, parts: Sequence[int], way: tuple[Vector, Vector] = _VENTRAL
) -> Evidence:
    """Return parts as evidence: ``extent`` mm about a centre, seen along ``way`` (look, up), in skull coordinates."""
    x, y, z = (round(float(v), 3) for v in centre)
    presence = dict.fromkeys(parts, "solid")
    view = View(way[0], way[1], caption, (x, y, z), round(float(extent), 3), presence=presence)  # type: ignore[arg-type]
    return Evidence(tuple(parts), view)


def _cavity(centre: Any, volume_mm3: float, caption: str, part: int | None) -> Evidence:
    """A cavity of the head, seen from the animal's left."""
    way = ((-1.0, 0.0, 0.0), (0.0, 1.0, 0.0))
    return evidence_at(centre, 2.5 * float(np.cbrt(volume_mm3)), caption, () if part is None else (part,), way)


def palate_findings(reading: Reading) -> list[Finding]:
    """Each opening of the palate, and the share of the palate that is open."""
    s = reading.structures
    if s is None or s.palate is None:
        return []
    seen: dict[str, int] = {}
    found = []
    for o in s.palate.openings:
        stem = f"palate/{slug(o.term)}-{o.side}"
        seen[stem] = seen.get(stem, 0) + 1
        identity = stem if seen[stem] == 1 else f"{stem}-{seen[stem]}"
        found.append(opening_finding(o, "palate", identity, "palate.opening", o.certain))
    return [*found, _fenestration(s.palate)]


def opening_finding(o: Opening, region: Region, identity: str, method: str, confidence: float) -> Finding:
    """Return an opening as a finding: its area, length and breadth, and by what it is named."""
    where = "midline" if o.side == "midline" else o.side
    article = {"midline": "The", "left": "The left", "right": "The right"}[where]
    statement = (
        f"{article} {o.term} has an area of {plus_minus(o.area_mm2, ' mm²')}, {length(o.length_mm.value)} long and "
        f"{length(o.width_mm.value)} wide; named by its place, {o.basis}."
    )
    parts = () if o.part is None else (o.part,)
    return Finding(
        identity,
        region,
        o.term,
        statement,
        method,
        confidence,
        value=o.area_mm2.value,
        unit="mm2",
        evidence=evidence_at(o.centre, 4 * o.length_mm.value, f"{article} {o.term}, outlined at its rim.", parts),
    )


def _fenestration(palate: Palate) -> Finding:
    none = not palate.openings
    statement = (
        "No opening wider than about two voxels was found in the bony palate between the tooth rows."
        if none
        else f"Openings take up {percent(palate.fenestration)} of the bony palate, whose area with them closed is "
        f"{area(palate.area_mm2)}."
    )
    extent = 2 * float(np.sqrt(max(palate.area_mm2, 1e-6)))
    centre = (
        np.mean([o.centre for o in palate.openings], axis=0) if palate.openings else (0.0, 0.0, palate.hind_border_z)
    )
    parts = [o.part for o in palate.openings if o.part is not None]
    return Finding(
        "palate/fenestration",
        "palate",
        "palate",
        statement,
        "palate.fenestration",
        0.7,
        value=palate.fenestration,
        unit="share",
        evidence=evidence_at(centre, extent, "The palate from below, openings solid.", parts),
    )


def jaw_findings(reading: Reading) -> list[Finding]:
    """Angular process and symphysis of each dentary."""
    s = reading.structures
    if s is None:
        return []
    found = []
    for j in s.jaws:
        angle = _angle(j)
        if angle is not None:
            found.append(angle)
    if len(s.jaws) == 2:
        found.append(_symphysis(s.jaws))
    return found


def _angle(j: JawHalf) -> Finding | None:
    a = j.angle
    if a is None:
        return None
    parts = (j.part,)
    if a.form == "absent" or a.inflection_deg is None or a.tip is None or a.base is None:
        return Finding(
            f"jaw/angle-{j.side}",
            "jaw",
            f"{j.side} dentary",
            f"The {j.side} dentary has no angular process that stands out: {a.reason or 'none was found'}.",
            "jaw.inflection",
            0.6,
            value="absent",
            evidence=evidence_at(j.condyle if j.condyle is not None else (0, 0, 0), 10.0, "The jaw's hind end.", parts),
        )
    turn = a.inflection_deg
    word = "medially" if turn.value >= 0 else "laterally"
    value = Value(abs(turn.value), turn.error)
    statement = (
        f"The {j.side} angular process is a {a.form}, turned {word} by {plus_minus(value, '°')} from the sagittal "
        f"plane, measured in the plane of the tooth rows from its base to its tip"
    )
    if a.length_mm is not None:
        statement += f", which lie {length(a.length_mm)} apart"
    if a.from_behind_deg is not None:
        statement += f"; seen from behind it stands at {number(abs(a.from_behind_deg), 2)}° to the sagittal plane"
    return Finding(
        f"jaw/angle-{j.side}",
        "jaw",
        f"{j.side} dentary",
        statement + ".",
        "jaw.inflection",
        0.8,
        value=turn.value,
        unit="degree",
        evidence=evidence_at(
            (a.base + a.tip) / 2, 5 * (a.length_mm or 2.0), f"The {j.side} angular process from behind.", parts, _CAUDAL
        ),
    )


def _symphysis(jaws: Sequence[JawHalf]) -> Finding:
    fused = any(j.symphysis == "fused" for j in jaws)
    front = [j.front for j in jaws if j.front is not None]
    centre = np.mean(front, axis=0) if front else (0.0, 0.0, 0.0)
    return Finding(
        "jaw/symphysis",
        "jaw",
        "mandibular symphysis",
        "The mandibular symphysis is bridged by bone."
        if fused
        else "The mandibular symphysis is not bridged by bone at this voxel size.",
        "jaw.symphysis",
        0.7,
        value="fused" if fused else "open",
        evidence=evidence_at(centre, 8.0, "The symphysis from below.", [j.part for j in jaws]),
    )


def _nose(n: NasalCavity) -> list[Finding]:
    v = n.volume_mm3
    if v is None or n.centre is None:
        return []
    return [
        Finding(
            "braincase/nasal-cavity",
            "braincase",
            "nasal cavity",
            f"The air of the nasal cavity takes up {volume(v.value)}, give or take {percent(v.error / v.value)}, from "
            "the nares to the choanae, closed there and at every opening where it is narrowest; scrolls of bone "
            "thinner than a voxel or two count as air.",
            "face.nose",
            0.7,
            value=v.value,
            unit="mm3",
            evidence=_cavity(n.centre, v.value, "The nasal cavity, bone veiled.", n.part),
        )
    ]


def braincase_findings(reading: Reading) -> list[Finding]:
    """Endocranial volume, foramen magnum, nasal cavity and the suture of premaxilla and maxilla."""
    s = reading.structures
    if s is None:
        return []
    return [*_braincase(s), *([] if s.nose is None else _nose(s.nose)), *(_suture(x) for x in s.sutures)]


def _suture(x: Suture) -> Finding:
    shown = x.points is not None and x.dip is not None
    look: tuple[Vector, Vector] = ((-1.0 if x.side == "left" else 1.0, 0.0, 0.0), (0.0, 1.0, 0.0))
    centre = np.zeros(3) if x.points is None else x.points.mean(axis=0)
    return Finding(
        f"braincase/premaxilla-maxilla-{x.side}",
        "braincase",
        f"{x.side} premaxilla and maxilla",
        f"The suture between the {x.side} premaxilla and maxilla shows: a line {percent(x.dip or 0.0)} darker than the "
        "bone beside it, from the alveolar margin up the side of the snout."
        if shown
        else f"The suture between the {x.side} premaxilla and maxilla does not show: {x.reason}.",
        "face.suture",
        0.6,
        value="shows" if shown else "not_resolved",
        evidence=evidence_at(centre, 10.0, f"The {x.side} side of the snout.", (), look),
    )


def _braincase(s: Structures) -> list[Finding]:
    if s.braincase is None:
        return []
    b, found = s.braincase, []
    if b.volume_mm3 is not None and b.centre is not None:
        v = b.volume_mm3
        share = percent(v.error / v.value) if v.value > 0 else "an unknown share"
        found.append(
            Finding(
                "braincase/volume",
                "braincase",
                "endocranial cavity",
                f"The endocranial cavity holds {volume(v.value)}, give or take {share}, each foramen closed where it "
                "is narrowest.",
                "braincase.volume",
                0.85,
                value=v.value,
                unit="mm3",
                evidence=_cavity(b.centre, v.value, "The endocranial cavity, bone veiled.", b.part),
            )
        )
    if b.magnum is not None:
        found.append(
            opening_finding(b.magnum, "braincase", "braincase/foramen-magnum", "braincase.magnum", b.magnum.certain)
        )
    return found


def absence_findings(structures: Structures | None) -> tuple[str, ...]:
    """What was not read, and why: sentences for the warnings of an account."""
    return () if structures is None else structures.absent
