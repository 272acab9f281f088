"""Growth stages from the teeth that have erupted, by a stated rule and by published tables.

The rule counts *late teeth*: the molars and the teeth that replace deciduous ones, by locus and not by side.
Teeth of a single generation say little and are not counted.

- newborn: no late tooth has erupted or is coming through;
- juvenile: fewer than half of them have;
- subadult: half or more have, but one is still to come or a deciduous tooth is still in place;
- adult: all have, or none is left to come, and no deciduous tooth is in place;
- old: adult, and the observer says that the crowns are worn through; eruption alone cannot tell.

The rule is ours, made of the trade's words; a published class is given beside it where a table exists.
"""

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Final, Literal, TypeAlias, get_args

from ossicle.anatomy.loci import ToothName
from ossicle.anatomy.locus_list import LocusList
from ossicle.anatomy.notation import JAWS
from ossicle.anatomy.templates import Dentition, Mark

__all__ = [
    "STAGES",
    "GrowthStage",
    "PublishedClass",
    "Stage",
    "StageTable",
    "growth_stage",
    "published_classes",
    "stage_tables",
]

Stage: TypeAlias = Literal["newborn", "juvenile", "subadult", "adult", "old"]
STAGES: Final[tuple[Stage, ...]] = get_args(Stage)
"""From young to old."""


@dataclass(frozen=True, slots=True)
class StageTable:
    """A published table of stages for one dentition.

    ``classes`` holds name, age in words (empty where the table gives none) and the teeth that must have
    erupted, from young to old.
    """

    dentition: str
    name: str
    margin: str
    status: Mark
    source: str
    classes: tuple[tuple[str, str, LocusList], ...]


@dataclass(frozen=True, slots=True)
class PublishedClass:
    """The class of a published table that a specimen belongs to."""

    table: str
    name: str
    age: str
    margin: str
    status: Mark
    source: str


@dataclass(frozen=True, slots=True)
class GrowthStage:
    """A growth stage and why.

    Parameters
    ----------
    name
        One of `STAGES`, or None where the dentition has no late teeth.
    basis
        One sentence that names the rule's counts.
    erupted_share
        Share of late loci with an erupted tooth, 0 to 1.
    published
        Classes of published tables for this dentition.
    """

    name: Stage | None
    basis: str
    erupted_share: float
    published: tuple[PublishedClass, ...] = ()


@cache
def stage_tables() -> tuple[StageTable, ...]:
    """Return all published tables of the packaged data."""
    text = (files("ossicle.anatomy.data") / "stages.toml").read_text(encoding="utf-8")
    return tuple(
        StageTable(
            dentition=row["dentition"],
            name=row["name"],
            margin=row["margin"],
            status=row["status"],
            source=row["source"],
            classes=tuple((entry["name"], entry["age"], LocusList.parse(entry["teeth"])) for entry in row["classes"]),
        )
        for row in tomllib.loads(text)["table"]
    )


def _seen(teeth: Iterable[ToothName]) -> set[str]:
    """Return the names without side, so that one side stands for both."""
    return {str(tooth) for tooth in teeth}


def published_classes(dentition: Dentition, erupted: Iterable[ToothName]) -> tuple[PublishedClass, ...]:
    """Return, for each published table of this dentition, the last class all of whose teeth have erupted.

    A permanent tooth stands also for the deciduous tooth of its place, which it has replaced. Teeth of
    either side count for both. A table none of whose classes is reached gives nothing.
    """
    seen = _seen(erupted)
    passed = seen | {"d" + name for name in seen}
    found: list[PublishedClass] = []
    for table in stage_tables():
        if table.dentition != dentition.name:
            continue
        reached = [(name, age) for name, age, needed in table.classes if _seen(needed.upper + needed.lower) <= passed]
        if reached:
            name, age = reached[-1]
            found.append(PublishedClass(table.name, name, age, table.margin, table.status, table.source))
    return tuple(found)


def growth_stage(
    dentition: Dentition,
    erupted: Iterable[ToothName],
    *,
    unfinished: Iterable[ToothName] | None = None,
    erupting: Iterable[ToothName] = (),
    worn: bool = False,
) -> GrowthStage:
    """Tell the growth stage of a specimen.

    Parameters
    ----------
    dentition
        The dentition it is read by.
    erupted
        The teeth that have erupted, of either generation and either side.
    unfinished
        The teeth seen in crypts or coming through. Given, a late locus that is empty and not among them is
        taken as lost or never formed, so that an adult with a missing tooth is still adult; None means not
        looked for.
    erupting
        Those of the unfinished teeth that are coming through; a late one among them ends the newborn stage.
    worn
        Whether the observer finds the crowns worn through.
    """
    erupted = tuple(erupted)
    seen = _seen(erupted)
    late = [
        str(tooth.adult_name) for jaw in JAWS for tooth in dentition.loci(jaw) if tooth.generations[-1] == "permanent"
    ]
    published = published_classes(dentition, erupted)
    if not late:
        return GrowthStage(
            None, "the dentition has neither molars nor replacing teeth to tell a stage by", 0.0, published
        )
    out = [name for name in late if name in seen]
    to_come = [name for name in late if name not in seen]
    if unfinished is not None:
        coming = _seen(unfinished)
        to_come = [name for name in to_come if name in coming]
    deciduous = sorted({str(tooth) for tooth in erupted if tooth.deciduous})
    through = _seen(erupting)
    begun = bool(out) or any(name in through for name in late)
    stage = _by_rule(begun, len(out), len(late), len(to_come), bool(deciduous), worn)
    return GrowthStage(stage, _basis(out, late, to_come, deciduous, worn), len(out) / len(late), published)


def _by_rule(begun: bool, out: int, late: int, to_come: int, deciduous: bool, worn: bool) -> Stage:
    """Apply the rule of the module's text to its counts."""
    if not begun:
        return "newborn"
    if not to_come and not deciduous:
        return "old" if worn else "adult"
    return "juvenile" if 2 * out < late else "subadult"


def _basis(out: list[str], late: list[str], to_come: list[str], deciduous: list[str], worn: bool) -> str:
    text = f"{len(out)} of {len(late)} loci of molars and replacing teeth hold an erupted tooth"
    if to_come:
        text += f"; still to come: {', '.join(to_come)}"
    text += f"; deciduous teeth in place: {', '.join(deciduous) if deciduous else 'none'}"
    return text + ("; crowns worn through" if worn else "")
