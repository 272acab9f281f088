"""From a reading to an account."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from ossicle.reading.records import Reading

from . import findings as f
from .records import Account, Finding, MadeBy, PoseFacts, ScanFacts, Standing
from .structures import ear_rows, jaw_rows, landmark_rows, measurement_rows, opening_rows

__all__ = ["build_account"]

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
    placed: tuple[str, ...] = (),
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
    placed
        Names of the landmarks that a person placed.
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
        *f.palate_findings(reading),
        *f.jaw_findings(reading),
        *f.mental_findings(reading),
        *f.joint_findings(reading),
        *f.ear_findings(reading),
        *f.braincase_findings(reading),
        *f.measurement_findings(reading),
        *f.enamel_findings(reading),
        *f.crown_findings(reading),
        *f.cascade_findings(reading),
        *f.asymmetry_findings(reading),
    ]
    stood = standings or {}
    told = [*warnings, *reading.warnings, *reading.pose.questions]
    if scan.handedness == "assumed" and not any("right-handed" in text for text in told):
        told.append(_ASSUMED)
    told.extend(f.absence_findings(reading.structures))
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
        openings=opening_rows(reading),
        jaw=jaw_rows(reading),
        ear=ear_rows(reading),
        measurements=measurement_rows(reading),
        landmarks=landmark_rows(reading, placed),
    )
