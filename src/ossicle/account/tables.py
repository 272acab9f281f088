"""The dentition as a tidy CSV table: one row a tooth, units in the column names."""

from __future__ import annotations

import csv
import io
import math

from .records import Account
from .words import arc_order

__all__ = ["COLUMNS", "dentition_csv"]

COLUMNS = (
    "part",
    "name",
    "jaw",
    "side",
    "class",
    "position",
    "generation",
    "emergence",
    "emergence_fraction_1",
    "completeness",
    "replaces_part",
    "replaced_by_part",
    "centroid_x_mm",
    "centroid_y_mm",
    "centroid_z_mm",
    "length_mm",
    "width_mm",
    "crown_height_mm",
    "volume_mm3",
    "enamel_volume_mm3",
    "confidence_1",
    "locus_confidence_1",
    "detection_confidence_1",
    "decided_by",
)


def dentition_csv(account: Account) -> str:
    """Return the teeth as CSV (RFC 4180), quadrant by quadrant; a cell is empty where nothing was
    measured."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for t in sorted(account.teeth, key=lambda t: (t.jaw != "upper", t.side != "right", *arc_order(t))):
        row = (
            t.part,
            t.name,
            t.jaw,
            t.side,
            t.tooth_class,
            t.position,
            t.generation,
            t.emergence,
            t.emergence_fraction,
            t.completeness,
            t.replaces,
            t.replaced_by,
            *t.centroid_mm_xyz,
            t.length_mm,
            t.width_mm,
            t.crown_height_mm,
            t.volume_mm3,
            t.enamel_volume_mm3,
            t.confidence,
            t.locus_confidence,
            t.detection_confidence,
            t.decided_by,
        )
        writer.writerow([_cell(value) for value in row])
    return out.getvalue()


def _cell(value: object) -> object:
    if value is None:
        return ""
    if isinstance(value, float):
        return round(value, 6) if math.isfinite(value) else ""
    return value
