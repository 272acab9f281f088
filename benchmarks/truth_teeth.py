"""Teeth of a practice specimen's truth as the records that a reading without a fault would give."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ossicle.reading.records import ToothRecord


def tooth_of_truth(t: Mapping[str, Any]) -> ToothRecord:
    """Return one row of the truth's ``teeth`` as a record."""
    return ToothRecord(
        part=t["label"],
        name=t["name"],
        jaw=t["jaw"],
        side=t["side"],
        tooth_class=t["class"],
        position=t["position"],
        generation=t["generation"],
        emergence=t["emergence"],
        emergence_fraction=t["emergence_fraction"],
        completeness="complete" if t["complete"] else "broken",
        replaces=t["replaces"],
        replaced_by=t["replaced_by"],
        centroid_mm_xyz=tuple(t["centroid_mm_xyz"]),
        length_mm=t["length_mm"],
        width_mm=t["width_mm"],
        crown_height_mm=t["crown_height_mm"],
        volume_mm3=t["volume_mm3"],
        enamel_volume_mm3=t["enamel_volume_mm3"],
        confidence=1.0,
        locus_confidence=1.0,
        detection_confidence=1.0,
    )
