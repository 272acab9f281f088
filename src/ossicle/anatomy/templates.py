"""Templates of dentitions: the loci of each jaw, their generations, and where the knowledge comes from."""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal, TypeAlias, get_args

from ossicle.anatomy.formula import Formula
from ossicle.anatomy.loci import Locus, ToothName
from ossicle.anatomy.locus_list import LocusList
from ossicle.anatomy.notation import JAWS, TOOTH_CLASSES, Generation, Jaw, ToothClass

if TYPE_CHECKING:
    from ossicle.anatomy.mixed import MixedDentition
    from ossicle.anatomy.stages import Stage

__all__ = ["CLADES", "MARKS", "Clade", "Dentition", "Mark", "TemplateTooth"]

Clade: TypeAlias = Literal["placental", "metatherian", "monotreme"]
Mark: TypeAlias = Literal["V", "M"]
CLADES: Final[tuple[Clade, ...]] = get_args(Clade)
MARKS: Final[tuple[Mark, ...]] = get_args(Mark)
"""V: read in the source named. M: from memory, the source named is where to confirm it."""


@dataclass(frozen=True, slots=True)
class TemplateTooth:
    """A locus of a dentition.

    Parameters
    ----------
    tooth_class, position
        The locus within its jaw.
    replaced
        Whether a deciduous tooth stands here before the permanent one.
    jaw
        The jaw of the locus.
    continuous
        Whether the tooth grows throughout life.
    transient
        Whether only a deciduous tooth stands here, lost before the adult stage; never among
        ``Dentition.loci``.
    """

    tooth_class: ToothClass
    position: int
    replaced: bool
    jaw: Jaw = "upper"
    continuous: bool = False
    transient: bool = False

    @property
    def generations(self) -> tuple[Generation, ...]:
        """The generations that stand here in turn.

        Molars count as permanent teeth though nothing precedes them; incisors, canines and premolars of a
        single generation are ``unreplaced``.
        """
        if self.transient:
            return ("deciduous",)
        if self.replaced:
            return ("deciduous", "permanent")
        return ("permanent",) if self.tooth_class == "molar" else ("unreplaced",)

    @property
    def adult_name(self) -> ToothName | None:
        """The tooth that stands here in the adult, None at a transient locus."""
        return None if self.transient else ToothName(self._locus, self.generations[-1])

    @property
    def deciduous_name(self) -> ToothName | None:
        """The deciduous tooth of this locus, None where there is none."""
        return ToothName(self._locus, "deciduous") if self.replaced or self.transient else None

    @property
    def place(self) -> tuple[int, int]:
        """The place along the row, for sorting: class from the front, then position."""
        return (TOOTH_CLASSES.index(self.tooth_class), self.position)

    @property
    def _locus(self) -> Locus:
        return Locus(self.jaw, None, self.tooth_class, self.position)

    def __str__(self) -> str:
        return str(self.deciduous_name if self.transient else self._locus)


@dataclass(frozen=True, slots=True)
class Dentition:
    """The dentition of a taxon.

    Parameters
    ----------
    name, family, order
        The genus (or the name of a generic template) and where it stands.
    clade
        ``"placental"``, ``"metatherian"`` or ``"monotreme"``.
    upper, lower
        The loci of the adult, from the front of the row to its back.
    transient
        Loci that hold deciduous teeth only.
    applies_to
        The stage of growth whose teeth the formula counts.
    published
        The formula as the source prints it, read.
    status
        ``"V"`` if the formula was read in the source, ``"M"`` if it is from memory and the source is where to
        confirm it.
    loci_status
        The same for the positions of the loci and which of them are replaced.
    source, notes
        The source of the formula; what a reader should know.
    """

    name: str
    family: str
    order: str
    clade: Clade
    upper: tuple[TemplateTooth, ...]
    lower: tuple[TemplateTooth, ...]
    transient: tuple[TemplateTooth, ...]
    applies_to: str
    published: Formula
    status: Mark
    loci_status: Mark
    source: str
    notes: str = ""
    variants: tuple[Formula, ...] = field(default=())

    def loci(self, jaw: Jaw) -> tuple[TemplateTooth, ...]:
        """Return the adult loci of a jaw, from the front of the row to its back."""
        return self.upper if jaw == "upper" else self.lower

    def deciduous_loci(self, jaw: Jaw) -> tuple[TemplateTooth, ...]:
        """Return the loci of a jaw that hold deciduous teeth in the young, front to back."""
        held = [tooth for tooth in self.loci(jaw) if tooth.replaced]
        held += [tooth for tooth in self.transient if tooth.jaw == jaw]
        return tuple(sorted(held, key=lambda tooth: tooth.place))

    @property
    def formula(self) -> Formula:
        """The adult formula counted from the loci."""
        return self.adult_list.formula()

    @property
    def deciduous_formula(self) -> Formula:
        """The deciduous formula counted from the loci; teeth of a single generation are not in it."""
        return LocusList.of(
            name for jaw in JAWS for tooth in self.deciduous_loci(jaw) if (name := tooth.deciduous_name)
        ).formula()

    @property
    def adult_list(self) -> LocusList:
        """The adult teeth by name."""
        return LocusList.of(name for jaw in JAWS for tooth in self.loci(jaw) if (name := tooth.adult_name))

    def mixed(self, stage: "Stage | float") -> "MixedDentition":
        """Return this dentition at a stage or a fraction of its eruption; see ``mixed_dentition``."""
        from ossicle.anatomy.mixed import mixed_dentition

        return mixed_dentition(self, stage)
