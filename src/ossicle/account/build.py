"""From a reading to an account."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from ossicle.reading.records import Reading

from . import findings as f
from .records import Account, Finding, MadeBy, PoseFacts, ScanFacts, Standing

__all__ = ["NOT_READ_YET", "build_account"]

NOT_READ_YET = (
    "Palate openings, the jaw, the ear region and the measurements of the skull are not read by this "
    "version; their lists are "
    "empty because nothing was looked for, not because nothing is there."
)
_ASSUMED = (
    "The source states no orientation, so the stack was taken as right-handed in (column, row, slice); if "
    "it is mirrored, left and "
    "right are swapped: read it again with --mirrored."
)


def build_account(
    reading: Reading,
    scan: ScanFacts,
    made_by: MadeBy,
    *,
    standings: Mapping[str, Standing] | None = None,
    warnings: tuple[str, ...] = (),
) -> Account:
    """Make the account of a reading.

    Parameters
    ----------
    reading
        What was read.
    scan
        The scan that it was read from.
    made_by
        Version, settings, cost.
    standings
        What a person said of findings, by finding id; ids that no finding has are left alone.
    warnings
        Warnings from taking in the scan, told before those of the reading.
    """
    stage = f.stage_facts(reading)
    formula = f.formula_facts(reading, stage)
    found: list[Finding] = [
        *f.scan_findings(reading, scan),
        *f.pose_findings(reading, scan),
        *f.dentition_findings(reading, max(scan.spacing_mm_zyx)),
        *f.tooth_findings(reading),
        *f.formula_findings(reading, formula),
        *f.replacement_findings(reading),
        *f.stage_findings(reading, stage),
        *f.completeness_findings(reading),
    ]
    stood = standings or {}
    told = [*warnings, *reading.warnings, *reading.pose.questions]
    if scan.handedness == "assumed" and not any("right-handed" in text for text in told):
        told.append(_ASSUMED)
    told.append(NOT_READ_YET)
    return Account(
        scan=scan,
        pose=PoseFacts(
            scan_to_skull=tuple(tuple(float(v) for v in row) for row in reading.pose.scan_to_skull),
            confidence=reading.pose.confidence,
            found=reading.pose.found,
            questions=reading.pose.questions,
        ),
        teeth=reading.teeth,
        formula=formula,
        parts=reading.parts,
        findings=tuple(replace(x, standing=stood.get(x.id, x.standing)) for x in found),
        warnings=tuple(dict.fromkeys(told)),
        made_by=made_by,
    )
