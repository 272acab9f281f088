"""The findings of an account, region by region, from a reading."""

from .completeness import completeness_findings
from .dentition import dentition_findings
from .ears import ear_findings
from .formula import formula_facts, formula_findings
from .jaws import joint_findings, mental_findings
from .measures import asymmetry_findings, cascade_findings, crown_findings, enamel_findings, measurement_findings
from .replacement import replacement_findings
from .scan import pose_findings, scan_findings
from .stage import stage_facts, stage_findings
from .structures import absence_findings, braincase_findings, jaw_findings, palate_findings
from .teeth import tooth_findings

__all__ = [
    "absence_findings",
    "asymmetry_findings",
    "braincase_findings",
    "cascade_findings",
    "completeness_findings",
    "crown_findings",
    "dentition_findings",
    "ear_findings",
    "enamel_findings",
    "formula_facts",
    "formula_findings",
    "jaw_findings",
    "joint_findings",
    "measurement_findings",
    "mental_findings",
    "palate_findings",
    "pose_findings",
    "replacement_findings",
    "scan_findings",
    "stage_facts",
    "stage_findings",
    "tooth_findings",
]
