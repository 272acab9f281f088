"""Records of teeth that were made or changed at one place: measured there, and all teeth named again."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import numpy.typing as npt

from ossicle.anatomy import CLASS_LETTERS, Dentition, load_dentitions

from .boxes import Box
from .greys import Normalised
from .measures import measure_teeth
from .naming import NamedTooth, NameHint, name_teeth
from .records import Completeness, Emergence, Jaw, Part, Reading, Row, Side, ToothObservation, ToothRecord
from .working_grid import WorkingGrid

__all__ = ["Change", "part_of", "placed", "renamed", "without"]

FloatArray = npt.NDArray[np.float64]
Labels = npt.NDArray[np.int32]
ROOTED = 0.7
"""Share of a full root from which a tooth is not called forming, as in the whole reading."""
UNNAMED = 0.5
"""Confidence at most of a name that was taken over and not weighed again. Convention of this program."""
_TOO_MANY = "is a tooth too many for the formula"


@dataclass(frozen=True)
class Change:
    """A reading after a person's word: the boxes of its parts, which parts were made or changed, and which are gone."""

    reading: Reading
    boxes: Mapping[int, Box]
    changed: frozenset[int]
    gone: frozenset[int]


def part_of(part: int, mask: npt.NDArray[np.bool_], box: Box, spacing: FloatArray) -> Part:
    """Return the part that a mask within a box is."""
    where = np.argwhere(mask)
    z, y, x = (where.mean(axis=0) + [s.start for s in box]) * spacing
    volume = float(len(where) * np.prod(spacing))
    return Part(part, "tooth", "calcareous tooth", None, volume, (float(x), float(y), float(z)), 1.0)


def without(reading: Reading, gone: set[int]) -> Reading:
    """Return a reading without these parts."""
    if not gone:
        return reading
    teeth = tuple(
        replace(
            t,
            replaces=None if t.replaces in gone else t.replaces,
            replaced_by=None if t.replaced_by in gone else t.replaced_by,
        )
        for t in reading.teeth
        if t.part not in gone
    )
    found = reading.structures
    if found is not None and gone & set(found.enamel):
        found = replace(found, enamel={part: e for part, e in found.enamel.items() if part not in gone})
    return replace(
        reading,
        teeth=teeth,
        structures=found,
        parts=tuple(p for p in reading.parts if p.part not in gone),
        rows=tuple(replace(r, parts=tuple(p for p in r.parts if p not in gone)) for r in reading.rows),
        observations=tuple(o for o in reading.observations if o.part not in gone),
    )


def placed(
    reading: Reading,
    parts: Mapping[int, Part],
    made: Mapping[int, Sequence[int]],
    labels: Labels,
    volume: Normalised,
    grid: WorkingGrid,
    box: Box,
    spacing: FloatArray,
) -> Reading:
    """Return a reading with these teeth measured, in place of those that they came from.

    Parameters
    ----------
    parts
        By number.
    made
        The parts that each came from, some of which may be gone from ``reading``.
    labels, volume
        The place on the working grid.
    grid, box
        The working grid of the place, and where it lies in the scan.
    spacing
        Of the scan, z, y, x, mm.
    """
    before = {t.part: t for t in reading.teeth}
    matrix = np.asarray(reading.pose.scan_to_skull, float)
    assignments = {part: _jaw_and_side(reading, record, made[part], matrix) for part, record in parts.items()}
    shift = np.eye(4)
    start = np.array([s.start for s in box]) * spacing
    shift[:3, 3] = start[::-1] + grid.offset_mm_xyz
    known = list({*before, *parts})
    observations = measure_teeth(
        np.where(np.isin(labels, known), labels, 0).astype(np.int32),
        volume.values,
        volume.enamel,
        volume.noise,
        grid.spacing_mm_zyx,
        matrix @ shift,
        assignments,
        {(r.jaw, r.side): r.curve_skull_mm for r in reading.rows},
        dict.fromkeys(parts, 1.0),
        threads=2,
        blur=reading.statistics.blur_sigma_mm / float(np.cbrt(np.prod(grid.spacing_mm_zyx))),
    )
    kept = {o.part: o for o in reading.observations}
    seen = {o.part: _with_look(o, [kept[p] for p in made[o.part] if p in kept]) for o in observations}
    shape = np.array(reading.labels.shape)
    records = {}
    for part, record in parts.items():
        told = next((before[p] for p in made[part] if p in before), None)
        records[part] = _tooth(record, assignments[part], seen.get(part), told, _at_edge(labels == part, box, shape))
    sided = {part: replace(record, side=assignments[part][1]) for part, record in parts.items()}
    return replace(
        reading,
        teeth=tuple(sorted([*(t for t in reading.teeth if t.part not in parts), *records.values()], key=_by_part)),
        parts=(*(p for p in reading.parts if p.part not in parts), *sided.values()),
        observations=tuple(sorted({**kept, **seen}.values(), key=lambda o: o.part)),
    )


def _by_part(tooth: ToothRecord) -> int:
    return tooth.part


def _at_edge(mask: npt.NDArray[np.bool_], box: Box, shape: npt.NDArray[np.int_]) -> bool:
    """Whether a tooth reaches the edge of its box where that is the edge of the scan."""
    out = False
    for axis, s in enumerate(box):
        line = np.asarray(mask.any(axis=tuple(a for a in range(3) if a != axis)))
        out |= bool(s.start == 0 and line[:1].any()) or bool(s.stop == shape[axis] and line[-1:].any())
    return out


def _with_look(seen: ToothObservation, told: Sequence[ToothObservation]) -> ToothObservation:
    """An observation with what the voxels of the teeth that it came from said, weighed by volume."""
    known = [o for o in told if o.form is not None and o.deciduous is not None]
    if not known:
        return seen
    weight = np.array([max(o.volume_mm3, 1e-9) for o in known])
    i, c, p, m = (float(v) for v in np.average([o.form for o in known if o.form], axis=0, weights=weight))
    return replace(seen, deciduous=float(np.average([o.deciduous for o in known], weights=weight)), form=(i, c, p, m))


def _jaw_and_side(reading: Reading, part: Part, came_from: Sequence[int], matrix: FloatArray) -> tuple[Jaw, Side]:
    told = [t for t in reading.teeth if t.part in came_from]
    if told:
        return told[0].jaw, told[0].side
    place = matrix[:3, :3] @ np.asarray(part.centroid_mm_xyz) + matrix[:3, 3]
    side: Side = "left" if place[0] > 0 else "right"
    heights: dict[Jaw, list[tuple[float, float]]] = {"upper": [], "lower": []}
    reach = 0.15 * max(float(np.ptp([_skull(t, matrix)[2] for t in reading.teeth])), 1e-6) if reading.teeth else 1.0
    for tooth in reading.teeth:
        centre = _skull(tooth, matrix)
        near = math.exp(-(((centre[2] - place[2]) / reach) ** 2)) + 1e-6
        heights[tooth.jaw].append((float(centre[1]), near if tooth.emergence != "in_crypt" else 0.1 * near))
    levels = {
        jaw: np.average([h for h, _ in some], weights=[w for _, w in some]) for jaw, some in heights.items() if some
    }
    if len(levels) == 2:  # above or below the middle between the two rows at that place
        jaw: Jaw = "upper" if place[1] > (levels["upper"] + levels["lower"]) / 2 else "lower"
    else:
        jaw = next(iter(levels), "upper")
    return jaw, side


def _skull(tooth: ToothRecord, matrix: FloatArray) -> FloatArray:
    return np.asarray(matrix[:3, :3] @ np.asarray(tooth.centroid_mm_xyz) + matrix[:3, 3])


def _tooth(
    part: Part,
    where: tuple[Jaw, Side],
    seen: ToothObservation | None,
    told: ToothRecord | None,
    at_edge: bool,
) -> ToothRecord:
    """Return the record of a tooth; its name is that of the tooth that it came from until its jaw is named again."""
    completeness: Completeness = "complete"
    if at_edge:
        completeness = "cut_by_scan_edge"
    elif seen is not None and seen.root_fraction < ROOTED:
        completeness = "forming"
    jaw, side = where
    lower = jaw == "lower"
    return ToothRecord(
        part=part.part,
        name=told.name if told is not None else "m1" if lower else "M1",
        jaw=jaw,
        side=side,
        tooth_class=told.tooth_class if told is not None else "molar",
        position=told.position if told is not None else 1,
        generation=told.generation if told is not None else "permanent",
        emergence=told.emergence if told is not None else _emerged(seen),
        emergence_fraction=seen.emergence_fraction if seen is not None else 0.0,
        completeness=completeness,
        replaces=None,
        replaced_by=None,
        centroid_mm_xyz=part.centroid_mm_xyz,
        length_mm=seen.length_mm if seen is not None else math.nan,
        width_mm=seen.width_mm if seen is not None else math.nan,
        crown_height_mm=seen.crown_height_mm if seen is not None else math.nan,
        volume_mm3=seen.volume_mm3 if seen is not None else part.volume_mm3,
        enamel_volume_mm3=seen.enamel_volume_mm3 if seen is not None else math.nan,
        confidence=min(told.confidence, UNNAMED) if told is not None else 0.0,
        locus_confidence=min(told.locus_confidence, UNNAMED) if told is not None else 0.0,
        detection_confidence=1.0,
        remarks=() if seen is not None else ("too small to be measured",),
    )


def _emerged(seen: ToothObservation | None) -> Emergence:
    if seen is None or seen.emergence_fraction <= 0:
        return "in_crypt"
    return "erupted" if seen.emergence_fraction > 0.75 else "erupting"


@cache
def _dentitions() -> Mapping[str, Dentition]:
    return load_dentitions()


def renamed(reading: Reading, changed: set[int], dentition: str = "auto") -> Reading:
    """Return a reading whose teeth are named again, as a new reading would; ``changed`` are teeth by a person's word.

    Where not every tooth has its measures (an earlier reading, a piece too small), names are left as they are. A tooth
    that now seems to be none keeps its name.
    """
    teeth = {t.part: t for t in reading.teeth}
    if not set(teeth) <= {o.part for o in reading.observations}:
        return replace(reading, formula=_formula(reading.teeth), rows=_rows(reading))
    known = _dentitions()
    naming = name_teeth(
        [o for o in reading.observations if o.part in teeth],
        known,
        dentition=dentition,
        fixed=dict.fromkeys(changed, NameHint()),
    )
    for named in naming.teeth:
        teeth[named.part] = _renamed(teeth[named.part], named)
    out = tuple(teeth[t.part] for t in reading.teeth)
    remarks = [w for w in reading.warnings if _TOO_MANY not in w]
    return replace(
        reading,
        teeth=out,
        formula=_formula(out),
        rows=_rows(replace(reading, teeth=out)),
        dentition=naming.dentition,
        dentition_confidence=naming.dentition_confidence,
        dentition_candidates=naming.candidates,
        warnings=tuple(dict.fromkeys([*remarks, *naming.anomalies])),
    )


def _renamed(tooth: ToothRecord, named: NamedTooth) -> ToothRecord:
    return replace(
        tooth,
        name=named.name,
        tooth_class=named.tooth_class,
        position=named.position,
        generation=named.generation,
        emergence=named.emergence,
        replaces=named.replaces,
        replaced_by=named.replaced_by,
        confidence=named.confidence,
        locus_confidence=named.locus_confidence,
        detection_confidence=named.tooth_confidence,
        remarks=named.remarks,
    )


def _rows(reading: Reading) -> tuple[Row, ...]:
    return tuple(
        replace(r, parts=tuple(t.part for t in reading.teeth if (t.jaw, t.side) == (r.jaw, r.side)))
        for r in reading.rows
    )


def _formula(teeth: Sequence[ToothRecord]) -> Mapping[str, Mapping[str, int]]:
    out: dict[str, dict[str, int]] = {}
    for tooth in teeth:
        row = out.setdefault(f"{tooth.jaw}_{tooth.side}", dict.fromkeys("ICPM", 0))
        if tooth.emergence != "in_crypt":
            row[CLASS_LETTERS[tooth.tooth_class]] += 1
    return out
