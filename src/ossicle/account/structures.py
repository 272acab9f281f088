"""Palate, jaw, ear, braincase and measurements as they stand in ``account.json``: units in the names, errors beside
the values, points in scan mm."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from ossicle.reading.records import Reading
from ossicle.reading.structures import Ear, JawHalf, Measured, Opening, Value, openings_of

from .findings.common import slug

__all__ = ["ear_rows", "jaw_rows", "landmark_rows", "measurement_rows", "opening_rows"]

Row = dict[str, Any]


def _scan(reading: Reading, point: Sequence[float] | np.ndarray[Any, Any]) -> list[float]:
    back = np.linalg.inv(np.asarray(reading.pose.scan_to_skull, float))
    p = back[:3, :3] @ np.asarray(point, float) + back[:3, 3]
    return [round(float(v), 4) for v in p]


def _with_error(name: str, unit: str, value: Value | None) -> Row:
    """``name_unit`` and ``name_error_unit``; None where there is no value."""
    tail = f"_{unit}" if unit else ""
    return {
        f"{name}{tail}": None if value is None else value.value,
        f"{name}_error{tail}": None if value is None else value.error,
    }


def opening_rows(reading: Reading) -> tuple[Row, ...]:
    """Every opening of palate, occiput and labyrinth."""
    s = reading.structures
    return () if s is None else tuple(_opening(reading, o) for o in openings_of(s.palate, s.braincase, s.ears, s.jaws))


def _opening(reading: Reading, o: Opening) -> Row:
    return {
        "term": o.term,
        "side": o.side,
        "part": o.part,
        **_with_error("area", "mm2", o.area_mm2),
        **_with_error("length", "mm", o.length_mm),
        **_with_error("width", "mm", o.width_mm),
        "perimeter_mm": o.perimeter_mm,
        "centroid_mm_xyz": _scan(reading, o.centre),
        "confidence": o.certain,
        "basis": o.basis,
    }


def jaw_rows(reading: Reading) -> tuple[Row, ...]:
    """One row a dentary that the scan holds."""
    s = reading.structures
    return () if s is None else tuple(_jaw(reading, j) for j in s.jaws)


def _jaw(reading: Reading, j: JawHalf) -> Row:
    a = j.angle
    return {
        "side": j.side,
        "part": j.part,
        **_with_error("angular_process_inflection", "deg", None if a is None else a.inflection_deg),
        "angular_process_from_behind_deg": None if a is None else a.from_behind_deg,
        "angular_process_length_mm": None if a is None else a.length_mm,
        "form": None if a is None else a.form,
        "symphysis": j.symphysis,
        "cut_by_scan_edge": j.cut,
        **_with_error("joint_gap", "mm", j.joint_gap_mm),
        "mental_foramina": [_opening(reading, o) for o in j.mental],
    }


def ear_rows(reading: Reading) -> tuple[Row, ...]:
    """One row an ear whose labyrinth was found."""
    s = reading.structures
    return () if s is None else tuple(_ear(e) for e in s.ears)


def _ear(e: Ear) -> Row:
    return {
        "side": e.side,
        "part": e.part,
        "stapes": e.ossicles["stapes"],
        "ossicles": dict(e.ossicles),
        **_with_error("oval_window", "mm2", None if e.oval is None else e.oval.area_mm2),
        **_with_error("round_window", "mm2", None if e.round is None else e.round.area_mm2),
        "stapedial_ratio": e.stapedial_ratio,
        **_with_error("labyrinth_volume", "mm3", e.labyrinth_mm3),
        **_with_error("cochlear_turns", "", e.cochlear_turns),
        **_with_error("cochlear_canal_length", "mm", e.cochlea_length_mm),
        **_with_error("footplate", "mm2", e.footplate_mm2),
        **_with_error("middle_ear_volume", "mm3", e.middle_ear_mm3),
        "middle_ear_walled_share": e.walled_share,
        "middle_ear_floor_share": e.floor_share,
        "parts": dict(e.parts),
        "semicircular_canal_radii_mm": {n: v.value for n, v in e.canal_radii_mm.items()},
        "semicircular_canal_radii_error_mm": {n: v.error for n, v in e.canal_radii_mm.items()},
        "reasons": dict(e.reasons),
    }


def measurement_rows(reading: Reading) -> tuple[Row, ...]:
    """Lengths, and the volumes of the endocranial and of the nasal cavity."""
    s = reading.structures
    if s is None:
        return ()
    rows = [_measured(reading, m) for m in s.measured]
    for name, cavity in (("endocranial volume", s.braincase), ("volume of the nasal cavity", s.nose)):
        if cavity is not None and cavity.volume_mm3 is not None:
            rows.append(
                {
                    "name": name,
                    "value": cavity.volume_mm3.value,
                    "unit": "mm3",
                    "error": cavity.volume_mm3.error,
                    "definition": slug(name).replace("-", "_"),
                    "side": None,
                    "landmarks": [],
                }
            )
    return tuple(rows)


def _measured(reading: Reading, m: Measured) -> Row:
    return {
        "name": m.name,
        "value": m.value_mm.value,
        "unit": "mm",
        "error": m.value_mm.error,
        "definition": m.definition,
        "side": m.side,
        "landmarks": [_scan(reading, p) for p in m.ends],
        "landmark_names": list(m.marks),
    }


def landmark_rows(reading: Reading, placed: Sequence[str] = ()) -> tuple[Row, ...]:
    """Landmarks in scan mm; ``placed`` names those that a person placed."""
    s = reading.structures
    if s is None:
        return ()
    return tuple(
        {"name": name, "point_mm_xyz": _scan(reading, p), "decided_by": "person" if name in placed else "computed"}
        for name, p in s.landmarks.items()
    )
