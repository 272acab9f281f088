"""The growth stage, by eruption."""

from __future__ import annotations

from ossicle.reading.records import Reading

from ..records import Finding, StageFacts
from ..views import teeth_evidence
from ..words import counted
from .common import least

__all__ = ["stage_facts", "stage_findings"]


def stage_facts(reading: Reading) -> StageFacts:
    """Return the stage of a reading: which teeth stand in place, erupt, are deciduous."""
    if not reading.teeth:
        return StageFacts(None, "No tooth was found, so no stage by eruption can be given.")
    erupted = [t for t in reading.teeth if t.emergence == "erupted"]
    erupting = [t for t in reading.teeth if t.emergence == "erupting"]
    hidden = [t for t in reading.teeth if t.emergence == "in_crypt"]
    deciduous = [t for t in reading.teeth if t.generation == "deciduous"]
    basis = (
        f"{_teeth(len(erupted))} erupted, {_are(len(erupting))} erupting and {_lie(len(hidden))}; "
        f"{_are(len(deciduous))} deciduous."
    )
    return StageFacts(None, basis, least(reading.teeth))


def stage_findings(reading: Reading, stage: StageFacts) -> list[Finding]:
    """Return the stage as a finding; nothing where no tooth was found."""
    if not reading.teeth:
        return []
    named = f"The growth stage by eruption is {stage.name}: " if stage.name else ""
    basis = stage.basis if not named else stage.basis[0].lower() + stage.basis[1:]
    return [
        Finding(
            id="stage/eruption",
            region="stage",
            subject="stage",
            statement=named + basis,
            method="stage.eruption",
            confidence=stage.confidence or 0.0,
            value=stage.name,
            evidence=teeth_evidence(reading.pose, list(reading.teeth), caption="All teeth, bone veiled."),
        )
    ]


def _teeth(count: int) -> str:
    return f"{counted(count, 'tooth', 'teeth')} {'is' if count == 1 else 'are'}".capitalize()


def _are(count: int) -> str:
    return "none is" if count == 0 else counted(count, "is", "are")


def _lie(count: int) -> str:
    return "none lies in a crypt" if count == 0 else counted(count, "lies in its crypt", "lie in crypts")
