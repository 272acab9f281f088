"""The growth stage, by eruption: by the rule of `ossicle.anatomy.stages`, and by published tables."""

from __future__ import annotations

from ossicle.anatomy import Locus, ToothName, dentition
from ossicle.anatomy.stages import GrowthStage, growth_stage
from ossicle.errors import OssicleError
from ossicle.reading.records import Reading, ToothRecord

from ..records import Finding, StageFacts
from ..views import teeth_evidence
from ..words import counted
from .common import middling, slug

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
        f"{_are(len(deciduous))} deciduous"
    )
    stage = _by_rule(reading)
    if stage is None:
        return StageFacts(None, f"{basis}.", middling(reading.teeth))
    return StageFacts(
        stage.name, f"{basis}; {stage.basis}.", min(middling(reading.teeth), reading.dentition_confidence)
    )


def stage_findings(reading: Reading, stage: StageFacts) -> list[Finding]:
    """Return the stage, and the class of each published table, as findings; nothing without a tooth."""
    if not reading.teeth:
        return []
    named = f"The growth stage by eruption is {stage.name}: " if stage.name else ""
    basis = stage.basis if not named else stage.basis[0].lower() + stage.basis[1:]
    evidence = teeth_evidence(reading.pose, list(reading.teeth), caption="All teeth, bone veiled.")
    found = [
        Finding(
            id="stage/eruption",
            region="stage",
            subject="stage",
            statement=named + basis,
            method="stage.eruption",
            confidence=stage.confidence or 0.0,
            value=stage.name,
            evidence=evidence,
        )
    ]
    by_rule = _by_rule(reading)
    for published in by_rule.published if by_rule is not None else ():
        age = f" ({published.age})" if published.age else ""
        found.append(
            Finding(
                id=f"stage/published/{slug(published.table)}",
                region="stage",
                subject="stage",
                statement=f"By the published table {published.table} the last class reached is "
                f"{published.name}{age}; the table judges at the {published.margin} margin, "
                "this reading at the alveolar margin.",
                method="stage.published",
                confidence=stage.confidence or 0.0,
                value={"table": published.table, "class": published.name, "age": published.age}
                | {"source": published.source, "status": published.status},
                evidence=evidence,
            )
        )
    return found


def _by_rule(reading: Reading) -> GrowthStage | None:
    """Return the stage by the rule, None where none can be told by it."""
    if reading.dentition is None:
        return None
    erupted = [t for t in reading.teeth if t.emergence == "erupted"]
    try:
        return growth_stage(
            dentition(reading.dentition),
            [_name(t) for t in erupted],
            unfinished=[_name(t) for t in reading.teeth if t.emergence != "erupted"],
            erupting=[_name(t) for t in reading.teeth if t.emergence == "erupting"],
            worn=2 * sum(t.completeness == "worn" for t in erupted) > len(erupted),
        )
    except OssicleError:  # a dentition that anatomy does not know, or a tooth that cannot be, as a deciduous molar
        return None


def _name(tooth: ToothRecord) -> ToothName:
    return ToothName(Locus(tooth.jaw, tooth.side, tooth.tooth_class, tooth.position), tooth.generation)


def _teeth(count: int) -> str:
    return f"{counted(count, 'tooth', 'teeth')} {'is' if count == 1 else 'are'}".capitalize()


def _are(count: int) -> str:
    return "none is" if count == 0 else counted(count, "is", "are")


def _lie(count: int) -> str:
    return "none lies in a crypt" if count == 0 else counted(count, "lies in its crypt", "lie in crypts")
