"""One finding for each tooth: what it is, how far it has emerged, how large it is."""

from __future__ import annotations

from ossicle.reading.records import Reading, ToothRecord

from ..records import Finding
from ..views import teeth_evidence
from ..words import QUADRANTS, UNCERTAIN_BELOW, join, length, percent, volume
from .common import of_row, tooth_ids

__all__ = ["tooth_findings"]

_STATE = {"in_crypt": "in its crypt", "erupting": "erupting", "erupted": "erupted"}


def tooth_findings(reading: Reading) -> list[Finding]:
    """Return a finding for each tooth, quadrant by quadrant from the midline backwards."""
    ids = tooth_ids(reading.teeth)
    return [
        Finding(
            id=f"tooth/{ids[tooth.part]}",
            region="teeth",
            subject=f"{jaw} {side}",
            statement=_statement(tooth),
            method="teeth.locus",
            confidence=tooth.confidence,
            value=tooth.name,
            evidence=teeth_evidence(
                reading.pose,
                [tooth],
                row=(jaw, side),
                caption=f"{tooth.side.capitalize()} {tooth.jaw} {tooth.name}, solid in veiled bone.",
            ),
        )
        for jaw, side in QUADRANTS
        for tooth in of_row(reading, jaw, side)
    ]


def _statement(tooth: ToothRecord) -> str:
    share = f" ({percent(tooth.emergence_fraction)} of the crown)" if tooth.emergence == "erupting" else ""
    kind = "unreplaced" if tooth.generation == "unreplaced" else tooth.generation
    article = "an" if kind[0] in "aeiou" else "a"
    sizes = [
        f"{length(value)} {word}"
        for value, word in (
            (tooth.length_mm, "long"),
            (tooth.width_mm, "wide"),
            (tooth.crown_height_mm, "high in the crown"),
        )
        if value == value
    ]
    statement = (
        f"{tooth.side.capitalize()} {tooth.jaw} {tooth.name} is {article} {kind} {tooth.tooth_class}, "
        f"{_STATE[tooth.emergence]}{share}"
    )
    if sizes:
        statement += f", {join(sizes)}"
    if tooth.volume_mm3 == tooth.volume_mm3:
        statement += f", of {volume(tooth.volume_mm3)}"
    doubts = []
    if tooth.detection_confidence < UNCERTAIN_BELOW:
        doubts.append("that this is one tooth is uncertain")
    if tooth.locus_confidence < UNCERTAIN_BELOW:
        doubts.append("its name is uncertain")
    elif not doubts and tooth.confidence < UNCERTAIN_BELOW:
        doubts.append("this is uncertain")
    return "; ".join([statement, *doubts, *tooth.remarks]).rstrip(".") + "."
