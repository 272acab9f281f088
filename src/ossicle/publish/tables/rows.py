"""The rows of the tables, from accounts."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

from ossicle.account import Account
from ossicle.account.words import arc_order
from ossicle.anatomy import load_measurements
from ossicle.compare.quantities import EMERGED_ERROR, quantities
from ossicle.compare.specimens import Compared

__all__ = ["ROWS"]

Row = dict[str, Any]


def _number(value: Any) -> float | None:
    return None if value is None or not math.isfinite(value) else round(float(value), 6)


def dentition_rows(name: str, account: Account) -> Iterable[Row]:
    """One row a tooth, quadrant by quadrant from the midline backwards."""
    seen = Compared(name, account)
    voxel = seen.voxel_mm
    errors = {q.parts[0]: q.error for q in quantities(seen).values() if q.name.startswith("volume of ") and q.parts}
    for t in sorted(account.teeth, key=lambda t: (t.jaw != "upper", t.side != "right", *arc_order(t))):
        x, y, z = t.centroid_mm_xyz
        sizes: Row = {}
        for field in ("length", "width", "crown_height"):
            value = _number(getattr(t, f"{field}_mm"))
            sizes |= {field: value, f"{field}_error": None if value is None else _number(voxel)}
        yield {
            "specimen": name,
            "part": t.part,
            "name": t.name,
            "jaw": t.jaw,
            "side": t.side,
            "class": t.tooth_class,
            "position": t.position,
            "generation": t.generation,
            "emergence": t.emergence,
            "emergence_fraction": _number(t.emergence_fraction),
            "emergence_fraction_error": EMERGED_ERROR,
            "completeness": t.completeness,
            "replaces_part": t.replaces,
            "replaced_by_part": t.replaced_by,
            "centroid_x": _number(x),
            "centroid_y": _number(y),
            "centroid_z": _number(z),
            **sizes,
            "volume": _number(t.volume_mm3),
            "volume_error": _number(errors.get(t.part)),
            "enamel_volume": _number(t.enamel_volume_mm3),
            "confidence": _number(t.confidence),
            "locus_confidence": _number(t.locus_confidence),
            "detection_confidence": _number(t.detection_confidence),
            "decided_by": t.decided_by,
        }


def measurement_rows(name: str, account: Account) -> Iterable[Row]:
    """One row a measure."""
    known = load_measurements()
    found = {f.subject: f for f in account.findings if f.region == "measurements"}
    for m in account.measurements:
        finding = found.get(m["name"])
        definition = known.get(str(m["definition"]))
        yield {
            "specimen": name,
            "name": m["name"],
            "definition": m["definition"],
            "source": "" if definition is None else definition.source,
            "side": m.get("side"),
            "value": _number(m["value"]),
            "value_error": _number(m["error"]),
            "unit": m["unit"],
            "standing": "computed" if finding is None else finding.standing,
        }


def opening_rows(name: str, account: Account) -> Iterable[Row]:
    """One row an opening."""
    for number, o in enumerate(account.openings, start=1):
        x, y, z = o["centroid_mm_xyz"]
        yield {
            "specimen": name,
            "number": number,
            "term": o["term"],
            "side": o["side"],
            "part": o.get("part"),
            **{
                key: _number(o.get(f"{key.removesuffix('_error')}{'_error' if key.endswith('_error') else ''}_{unit}"))
                for key, unit in (("area", "mm2"), ("area_error", "mm2"), ("length", "mm"), ("length_error", "mm"),
                                  ("width", "mm"), ("width_error", "mm"), ("perimeter", "mm"))
            },
            "centroid_x": _number(x),
            "centroid_y": _number(y),
            "centroid_z": _number(z),
            "confidence": _number(o.get("confidence")),
            "basis": o.get("basis"),
        }  # fmt: skip


ROWS: Mapping[str, Any] = {
    "dentition": dentition_rows,
    "measurements": measurement_rows,
    "openings": opening_rows,
}
"""What makes the rows of each table."""
