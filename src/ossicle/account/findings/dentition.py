"""Findings about the dentition, quadrant by quadrant: in place, in crypts, gaps, left against right."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import numpy as np

from ossicle.reading.records import Jaw, Reading, Row, Side, ToothRecord

from ..records import Evidence, Finding
from ..views import skull_point, teeth_evidence, whole_skull
from ..words import JAWS, QUADRANTS, arc_order, join, length, loci, name_of, percent, row_name
from .common import least, of_row, tooth_ids

__all__ = ["dentition_findings"]


def dentition_findings(reading: Reading, voxel_mm: float) -> list[Finding]:
    """Return the findings on all four rows; where there is no tooth at all, the one that says so."""
    if not reading.teeth:
        return [_no_teeth(reading)]
    found: list[Finding] = []
    for jaw, side in QUADRANTS:
        teeth = of_row(reading, jaw, side)
        found += _row(reading, jaw, side, teeth)
        found += _crypts(reading, jaw, side, teeth)
        found += _gaps(reading, jaw, side, teeth, voxel_mm)
    for jaw in JAWS:
        found += _sides(reading, jaw)
    return found


def _no_teeth(reading: Reading) -> Finding:
    why = "" if reading.pose.found else ", nor a skull that could hold one"
    return Finding(
        id="dentition/none",
        region="dentition",
        subject="all rows",
        statement=f"No tooth row was found in this scan{why}; no tooth is named.",
        method="teeth.isolation",
        confidence=0.8,
        value=0,
        unit="teeth",
        evidence=Evidence((), whole_skull()),
    )


def _row(reading: Reading, jaw: Jaw, side: Side, teeth: list[ToothRecord]) -> list[Finding]:
    row = row_name(jaw, side)
    place = f"{jaw} {side}"
    stem = f"dentition/{jaw}-{side}"
    shown = [t for t in teeth if t.emergence != "in_crypt"]
    if not shown:
        beneath = "; what was found there lies in crypts" if teeth else ""
        return [
            Finding(
                id=f"{stem}/in-place",
                region="dentition",
                subject=place,
                statement=f"No tooth was found in place in the {row}{beneath}.",
                method="teeth.isolation",
                confidence=0.8,
                value=[],
                evidence=teeth_evidence(reading.pose, teeth, row=(jaw, side) if teeth else None),
            )
        ]
    erupted = [t for t in shown if t.emergence == "erupted"]
    erupting = [t for t in shown if t.emergence == "erupting"]
    if erupted:
        statement = f"The {row} carries {loci(erupted)}, erupted"
        if erupting:
            statement += f"; {_fractions(erupting)}"
    else:
        statement = f"In the {row} no tooth is fully erupted; {_fractions(erupting)}"
    return [
        Finding(
            id=f"{stem}/in-place",
            region="dentition",
            subject=place,
            statement=statement + _doubt(shown) + ".",
            method="teeth.locus",
            confidence=least(shown),
            value=[t.name for t in shown],
            evidence=teeth_evidence(
                reading.pose, shown, row=(jaw, side), caption=f"The {row}, teeth solid, bone veiled."
            ),
        )
    ]


def _fractions(erupting: list[ToothRecord]) -> str:
    parts = [f"{name_of(t)} ({percent(t.emergence_fraction)})" for t in erupting]
    verb = "is" if len(parts) == 1 else "are"
    return f"{join(parts)} {verb} erupting, with that share of the crown beyond the alveolar margin"


def _doubt(teeth: list[ToothRecord]) -> str:
    doubtful = [t for t in teeth if name_of(t) != t.name]
    if not doubtful:
        return ""
    noun = "the name marked ? is" if len(doubtful) == 1 else "the names marked ? are"
    return f"; {noun} uncertain"


def _crypts(reading: Reading, jaw: Jaw, side: Side, teeth: list[ToothRecord]) -> list[Finding]:
    hidden = [t for t in teeth if t.emergence == "in_crypt"]
    if not hidden:
        return []
    by_part = {t.part: t for t in teeth}
    successors = [t for t in hidden if t.replaces in by_part]
    others = [t for t in hidden if t.replaces not in by_part]
    clauses = []
    if successors:
        above = [by_part[t.replaces] for t in successors if t.replaces is not None]
        noun, theirs = ("predecessor", "its") if len(above) == 1 else ("predecessors", "their")
        verb = "lies in its crypt" if len(successors) == 1 else "lie in crypts"
        clauses.append(f"{loci(successors)} {verb} beneath {theirs} deciduous {noun} {loci(above)}")
    if others:
        verb = "lies in its crypt" if len(others) == 1 else "lie in crypts"
        clauses.append(f"{loci(others)} {verb}, with no tooth in place above")
    named = [*hidden, *(by_part[t.replaces] for t in successors if t.replaces is not None)]
    statement = f"In the {row_name(jaw, side)} {'; '.join(clauses)}{_doubt(named)}."
    return [
        Finding(
            id=f"dentition/{jaw}-{side}/in-crypts",
            region="dentition",
            subject=f"{jaw} {side}",
            statement=statement,
            method="teeth.emergence",
            confidence=least(hidden),
            value=[t.name for t in hidden],
            evidence=teeth_evidence(
                reading.pose,
                hidden,
                row=(jaw, side),
                caption=f"Teeth in crypts in the {row_name(jaw, side)}, bone veiled.",
            ),
        )
    ]


def _gaps(reading: Reading, jaw: Jaw, side: Side, teeth: list[ToothRecord], voxel_mm: float) -> list[Finding]:
    row = next((r for r in reading.rows if r.jaw == jaw and r.side == side), None)
    shown = [t for t in teeth if t.emergence != "in_crypt" and np.isfinite(t.length_mm)]
    if row is None or len(row.curve_skull_mm) < 2 or len(shown) < 2:
        return []
    arcs = {t.part: along(row, skull_point(reading.pose, t.centroid_mm_xyz)) for t in shown}
    shown.sort(key=lambda t: arcs[t.part])
    ids = tooth_ids(reading.teeth)
    found = []
    for before, after in pairwise(shown):
        gap = arcs[after.part] - arcs[before.part] - (before.length_mm + after.length_mm) / 2
        if gap <= max(0.25 * (before.length_mm + after.length_mm), 3 * voxel_mm):
            continue
        skipped = _skipped(before, after, teeth)
        more = f"; {skipped}" if skipped else ""
        found.append(
            Finding(
                id=f"dentition/{jaw}-{side}/gap/{ids[before.part].split('/')[1]}-{ids[after.part].split('/')[1]}",
                region="dentition",
                subject=f"{jaw} {side}",
                statement=f"A gap of {length(gap)} stands between {name_of(before)} and {name_of(after)} "
                f"in the {row_name(jaw, side)}{more}.",
                method="teeth.gaps",
                confidence=least([before, after]),
                value=round(gap, 4),
                unit="mm",
                evidence=teeth_evidence(reading.pose, [before, after], row=(jaw, side)),
            )
        )
    return found


def _skipped(before: ToothRecord, after: ToothRecord, teeth: list[ToothRecord]) -> str:
    if before.tooth_class != after.tooth_class or after.position - before.position < 2:
        return ""
    letter = before.name.lstrip("d").rstrip("0123456789")
    present = {t.position for t in teeth if t.tooth_class == before.tooth_class}
    absent = [f"{letter}{n}" for n in range(before.position + 1, after.position) if n not in present]
    return f"no tooth was found there for {join(absent, 'or')}, in place or in the bone" if absent else ""


def along(row: Row, point: tuple[float, float, float]) -> float:
    """Return how far along a row's curve, mm from its start, the nearest point of the curve lies."""
    curve = np.asarray(row.curve_skull_mm, float)
    steps = np.diff(curve, axis=0)
    lengths = np.linalg.norm(steps, axis=1)
    starts = np.concatenate([[0.0], np.cumsum(lengths)])[:-1]
    safe = np.maximum(lengths, 1e-12)
    share = np.clip(np.einsum("ij,ij->i", np.asarray(point) - curve[:-1], steps) / safe**2, 0, 1)
    nearest = curve[:-1] + share[:, None] * steps
    best = int(np.argmin(np.linalg.norm(nearest - np.asarray(point), axis=1)))
    return float(starts[best] + share[best] * lengths[best])


def _sides(reading: Reading, jaw: Jaw) -> list[Finding]:
    left, right = of_row(reading, jaw, "left"), of_row(reading, jaw, "right")
    if not left or not right:
        return []
    names = {side: Counter(t.name for t in teeth) for side, teeth in (("left", left), ("right", right))}
    clauses, parts = [], []
    for side, teeth, other in (("left", left, "right"), ("right", right, "left")):
        extra = names[side] - names[other]
        only = sorted((t for t in teeth if t.name in extra), key=arc_order)
        if only:
            clauses.append(f"{loci(only)} on the {side} only")
            parts += only
    confidence = least([*left, *right])
    if not clauses:
        return [
            Finding(
                id=f"dentition/{jaw}/sides",
                region="dentition",
                subject=f"{jaw} rows",
                statement=f"The left and right {jaw} rows hold the same teeth.",
                method="teeth.symmetry",
                confidence=confidence,
                value=[],
                evidence=teeth_evidence(reading.pose, [*left, *right]),
            )
        ]
    return [
        Finding(
            id=f"dentition/{jaw}/sides",
            region="dentition",
            subject=f"{jaw} rows",
            statement=f"The {jaw} rows differ: {'; '.join(clauses)}{_doubt(parts)}.",
            method="teeth.symmetry",
            confidence=least(parts),
            value=[f"{t.side} {t.name}" for t in parts],
            evidence=teeth_evidence(reading.pose, parts),
        )
    ]
