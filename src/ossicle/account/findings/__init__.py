"""The findings of an account, region by region, from a reading."""

from .completeness import completeness_findings
from .dentition import dentition_findings
from .formula import formula_facts, formula_findings
from .replacement import replacement_findings
from .scan import pose_findings, scan_findings
from .stage import stage_facts, stage_findings
from .teeth import tooth_findings

__all__ = [
    "completeness_findings",
    "dentition_findings",
    "formula_facts",
    "formula_findings",
    "pose_findings",
    "replacement_findings",
    "scan_findings",
    "stage_facts",
    "stage_findings",
    "tooth_findings",
]
