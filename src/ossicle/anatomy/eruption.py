"""Orders of eruption, and what a dentition is expected to look like part of the way through.

The orders are data (``data/eruption.toml``). A dentition without an order of its own takes one of its
family, else its clade's generic one, and says so. Time is counted in steps of the order, not in days:
fraction 0 is before the first tooth comes through, fraction 1 after the last.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Final, Literal, TypeAlias

from ossicle.anatomy.dentitions import load_dentitions
from ossicle.anatomy.loci import Locus, ToothName
from ossicle.anatomy.locus_list import LocusList
from ossicle.anatomy.notation import JAWS, TOOTH_CLASSES
from ossicle.anatomy.templates import Dentition, Mark, TemplateTooth
from ossicle.errors import OssicleError

__all__ = [
    "CRYPT_LEAD",
    "EruptionOrder",
    "ExpectedTooth",
    "Phase",
    "eruption_order",
    "expected_state",
    "known_orders",
]

Phase: TypeAlias = Literal["not_formed", "in_crypt", "erupting", "erupted", "shed"]

CRYPT_LEAD: Final = 1 / 3
"""How long before its eruption a permanent crown shows mineral, as a share of the whole order.

A working value without a source; it decides only which crypts to expect, never what is reported.
"""


@dataclass(frozen=True, slots=True)
class EruptionOrder:
    """The order in which a dentition's teeth come through.

    Parameters
    ----------
    steps
        Groups of teeth, earliest first; teeth of a group come through at about the same time.
    basis
        Where the order comes from, in words: its own table, or a generic one and what had to be added.
    generic
        Whether the order is a clade's generic one.
    margin
        ``"alveolar"`` or ``"gingival"``: the margin at which the source judged eruption.
    status, source
        As of `Dentition`.
    """

    steps: tuple[tuple[ToothName, ...], ...]
    basis: str
    generic: bool
    margin: str
    status: Mark
    source: str

    def step_of(self, tooth: ToothName) -> int | None:
        """Return the step at which a tooth comes through, None where it is not in the order."""
        key = _key(tooth)
        for number, group in enumerate(self.steps):
            if any(_key(other) == key for other in group):
                return number
        return None


@dataclass(frozen=True, slots=True)
class ExpectedTooth:
    """What one tooth is expected to show.

    ``fraction`` is the share of the crown beyond the margin: 0 in the crypt, 1 when erupted; a shed tooth
    has 0.
    """

    name: ToothName
    phase: Phase
    fraction: float


def _key(tooth: ToothName) -> tuple[str, str, int, bool]:
    return (tooth.jaw, tooth.tooth_class, tooth.position, tooth.deciduous)


@cache
def _tables() -> Mapping[str, Mapping[str, str | list[str]]]:
    text = (files("ossicle.anatomy.data") / "eruption.toml").read_text(encoding="utf-8")
    return MappingProxyType(tomllib.loads(text))


def known_orders() -> tuple[str, ...]:
    """Return the names of the dentitions that have an order of their own, generic ones included."""
    return tuple(_tables())


@cache
def eruption_order(dentition: Dentition) -> EruptionOrder:
    """Return the order of a dentition: its own, its family's or its clade's generic one, fitted to its loci.

    In a generic placental order an incisor, canine or premolar of one generation takes the step of the
    deciduous tooth of its place (it is one retained, or comes as early), except P1, which has a step of its
    own; a P1 that is replaced comes with P2. Teeth that the order does not know, such as a fourth molar,
    follow after it, front ones first.

    Raises
    ------
    OssicleError
        If the dentition is a monotreme's, of which no living one erupts teeth.
    """
    name = _table_for(dentition)
    if name is None:
        raise OssicleError(f"no order of eruption is known for {dentition.name}", mend="give another dentition")
    generic = name.startswith("generic")
    table = _tables()[name]
    known = [LocusList.parse(step) for step in table["steps"]]
    step_by_key = {_key(tooth): number for number, step in enumerate(known) for tooth in step.upper + step.lower}
    groups: dict[int, list[ToothName]] = {}
    late: list[ToothName] = []
    for tooth, place in _teeth_with_place(dentition):
        tried = (place, tooth) if generic else (tooth, place)
        numbers = [step_by_key[_key(other)] for other in tried if _key(other) in step_by_key]
        if numbers:
            groups.setdefault(numbers[0], []).append(tooth)
        else:
            late.append(tooth)
    steps = [tuple(groups[number]) for number in sorted(groups)]
    steps += _in_row_order(late)
    basis = f"{name} order of eruption" if generic else f"order of eruption of {name}"
    if name not in (dentition.name, f"generic {dentition.clade}"):
        basis += f", of the same family ({dentition.family})"
    if late:
        basis += f"; {', '.join(str(tooth) for tooth in late)} added at the end"
    return EruptionOrder(
        steps=tuple(steps),
        basis=basis,
        generic=generic,
        margin=str(table["margin"]),
        status="V" if table["status"] == "V" else "M",
        source=str(table["source"]),
    )


def _table_for(dentition: Dentition) -> str | None:
    """Return the name of the order to use: its own, one of its family, or its clade's generic one."""
    known = load_dentitions()
    tables = _tables()
    family = [name for name in tables if name in known and known[name].family == dentition.family]
    for name in (dentition.name, *family, f"generic {dentition.clade}"):
        if name in tables:
            return name
    return None


def _teeth_with_place(dentition: Dentition) -> list[tuple[ToothName, ToothName]]:
    """Return every tooth of a dentition with the tooth whose step it takes."""
    found: list[tuple[ToothName, ToothName]] = []
    for jaw in JAWS:
        for locus in dentition.deciduous_loci(jaw):
            deciduous = locus.deciduous_name
            if deciduous is not None:
                found.append((deciduous, deciduous))
        for locus in dentition.loci(jaw):
            adult = locus.adult_name
            if adult is not None:
                found.append((adult, _as_early_as(locus, adult, dentition)))
    return found


def _as_early_as(locus: TemplateTooth, adult: ToothName, dentition: Dentition) -> ToothName:
    first_premolar = locus.tooth_class == "premolar" and locus.position == 1
    if first_premolar and locus.replaced:
        return ToothName(Locus(locus.jaw, None, "premolar", 2))
    if dentition.clade != "placental" or adult.generation != "unreplaced" or first_premolar:
        return adult
    return ToothName(Locus(locus.jaw, None, locus.tooth_class, locus.position), "deciduous")


def _in_row_order(teeth: list[ToothName]) -> list[tuple[ToothName, ...]]:
    """Group teeth by class and position, both jaws together, deciduous ones first."""
    groups: dict[tuple[bool, int, int], list[ToothName]] = {}
    for tooth in teeth:
        key = (not tooth.deciduous, TOOTH_CLASSES.index(tooth.tooth_class), tooth.position)
        groups.setdefault(key, []).append(tooth)
    return [tuple(groups[key]) for key in sorted(groups)]


def expected_state(dentition: Dentition, fraction: float) -> tuple[ExpectedTooth, ...]:
    """Return what each tooth of a dentition is expected to show part of the way through its eruption.

    Parameters
    ----------
    dentition
        Any dentition.
    fraction
        0 before the first tooth comes through, 1 after the last; steps are counted as equally long.

    Returns
    -------
    tuple of ExpectedTooth
        Each jaw's deciduous teeth and then its adult ones, front to back. A permanent tooth shows in its
        crypt from ``CRYPT_LEAD`` before its step; a deciduous tooth is shed when its successor begins to
        come through, a transient one half-way through the order.

    Raises
    ------
    OssicleError
        If the fraction is not between 0 and 1.
    """
    if not 0 <= fraction <= 1:
        raise OssicleError(f"{fraction} is no fraction of eruption", mend="give a number from 0 to 1")
    teeth = [tooth for tooth, _ in _teeth_with_place(dentition)]
    if not teeth:
        return ()
    order = eruption_order(dentition)
    step_by_key = {_key(tooth): number for number, group in enumerate(order.steps) for tooth in group}
    progress = fraction * len(order.steps)
    lead = CRYPT_LEAD * len(order.steps)
    return tuple(_expected(tooth, step_by_key, progress, lead, len(order.steps)) for tooth in teeth)


def _expected(
    tooth: ToothName,
    step_by_key: Mapping[tuple[str, str, int, bool], int],
    progress: float,
    lead: float,
    last: int,
) -> ExpectedTooth:
    step = step_by_key[_key(tooth)]
    if tooth.deciduous:
        shed_at = step_by_key.get((*_key(tooth)[:3], False), last / 2)
        if progress > max(shed_at, step + 1):
            return ExpectedTooth(tooth, "shed", 0.0)
    if progress >= step + 1:
        return ExpectedTooth(tooth, "erupted", 1.0)
    if progress > step:
        return ExpectedTooth(tooth, "erupting", progress - step)
    formed = tooth.deciduous or progress >= step - lead
    return ExpectedTooth(tooth, "in_crypt" if formed else "not_formed", 0.0)
