"""Dentitions of living mammals: which loci each jaw holds and which are replaced, with a source per row.

The rows are the TOML files of ``data/dentitions``; their fields are explained in
``data/dentitions/README.md``.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final, Literal, TypeAlias, cast, get_args

from ossicle.anatomy.formula import Formula
from ossicle.anatomy.loci import Locus, ToothName
from ossicle.anatomy.locus_list import LocusList
from ossicle.anatomy.notation import CLASS_LETTERS, JAWS, Generation, Jaw, ToothClass, shown
from ossicle.errors import OssicleError

if TYPE_CHECKING:
    from ossicle.anatomy.mixed import MixedDentition
    from ossicle.anatomy.stages import Stage

__all__ = ["CLADES", "MARKS", "Clade", "Dentition", "Mark", "TemplateTooth", "dentition", "load_dentitions"]

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
        return tuple(sorted(held, key=_along_row))

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


def _along_row(tooth: TemplateTooth) -> tuple[int, int]:
    return (list(CLASS_LETTERS).index(tooth.tooth_class), tooth.position)


@cache
def load_dentitions() -> Mapping[str, Dentition]:
    """Return all dentitions by name, in alphabetical order.

    Raises
    ------
    OssicleError
        If a row of the packaged data contradicts itself; the tests read every row.
    """
    found: dict[str, Dentition] = {}
    folder = files("ossicle.anatomy.data") / "dentitions"
    for file in sorted(folder.iterdir(), key=lambda entry: entry.name):
        if not file.name.endswith(".toml"):
            continue
        for name, row in tomllib.loads(file.read_text(encoding="utf-8")).items():
            if name in found:
                raise OssicleError(f"{name} stands in two files of dentitions", where=file.name)
            found[name] = _dentition(name, row)
    return MappingProxyType(dict(sorted(found.items())))


def dentition(name: str) -> Dentition:
    """Return the dentition of this name; upper and lower case do not matter.

    Raises
    ------
    OssicleError
        If no dentition has this name.
    """
    known = load_dentitions()
    for key in known:
        if key.casefold() == name.strip().casefold():
            return known[key]
    raise OssicleError(
        f"no dentition is called {shown(name)}", mend="use a genus of the dentition list, or auto"
    )


_FIELDS: Final = frozenset(
    [
        "family",
        "order",
        "clade",
        "upper",
        "lower",
        "formula",
        "total",
        "replaced",
        "unreplaced",
        "transient",
        "continuous",
        "applies_to",
        "status",
        "loci_status",
        "source",
        "notes",
        "variants",
    ]
)


def _dentition(name: str, row: Mapping[str, Any]) -> Dentition:
    """Build one dentition from its row and check the row against itself."""
    where = f"dentition {name}"
    unknown = set(row) - _FIELDS
    if unknown:
        raise OssicleError(f"the row has unknown fields {', '.join(sorted(unknown))}", where=where)
    try:
        clade = cast(Clade, _one_of(row["clade"], CLADES, where))
        adult = [*_names(row["upper"], where), *_names(row["lower"], where)]
        replaced = _replaced(row, adult, clade, where)
        continuous = set(_names(row.get("continuous", ""), where))
        transient = tuple(
            TemplateTooth(tooth.tooth_class, tooth.position, False, tooth.jaw, transient=True)
            for tooth in _names(row.get("transient", ""), where)
        )
        teeth = [
            TemplateTooth(
                tooth.tooth_class,
                tooth.position,
                tooth in replaced,
                tooth.jaw,
                continuous=tooth in continuous,
            )
            for tooth in adult
        ]
        made = Dentition(
            name=name,
            family=row["family"],
            order=row["order"],
            clade=clade,
            upper=tuple(tooth for tooth in teeth if tooth.jaw == "upper"),
            lower=tuple(tooth for tooth in teeth if tooth.jaw == "lower"),
            transient=transient,
            applies_to=row.get("applies_to", "adult"),
            published=Formula.parse(row["formula"]),
            status=cast(Mark, _one_of(row["status"], MARKS, where)),
            loci_status=cast(Mark, _one_of(row["loci_status"], MARKS, where)),
            source=row["source"],
            notes=row.get("notes", ""),
            variants=tuple(Formula.parse(text) for text in row.get("variants", ())),
        )
    except KeyError as error:
        raise OssicleError(f"the row has no field {error.args[0]}", where=where) from None
    _check(made, row, where)
    return made


def _names(text: str, where: str) -> tuple[ToothName, ...]:
    """Return the teeth of a list that may be empty."""
    if not text.strip():
        return ()
    listed = LocusList.parse(text, where=where)
    return listed.upper + listed.lower


def _replaced(row: Mapping[str, Any], adult: list[ToothName], clade: Clade, where: str) -> set[ToothName]:
    """Return the replaced loci: those named, or the clade's rule less the unreplaced ones named.

    Placentals replace incisors, canine and premolars; metatherians the last premolar, P3, only (van Nievelt &
    Smith 2005, Paleobiology 31:324; Luckett 1993).
    """
    if "replaced" in row:
        return set(_names(row["replaced"], where))
    unreplaced = set(_names(row.get("unreplaced", ""), where))
    absent = unreplaced - set(adult)
    if absent:
        raise OssicleError(f"{min(absent)} is called unreplaced but is not in the row", where=where)
    if clade == "metatherian":
        by_rule = {tooth for tooth in adult if tooth.tooth_class == "premolar" and tooth.position == 3}
    else:
        by_rule = {tooth for tooth in adult if tooth.tooth_class != "molar"}
    return by_rule - unreplaced


def _one_of(value: str, allowed: tuple[str, ...], where: str) -> str:
    if value not in allowed:
        raise OssicleError(f"{shown(str(value))} is none of {', '.join(allowed)}", where=where)
    return value


def _check(made: Dentition, row: Mapping[str, Any], where: str) -> None:
    """Refuse a row whose loci do not give its formula and total, or that names no source."""
    if made.formula != made.published:
        raise OssicleError(f"the loci give {made.formula} but the formula is {made.published}", where=where)
    if made.formula.total != row["total"]:
        raise OssicleError(
            f"the loci give {made.formula.total} teeth but the total is {row['total']}", where=where
        )
    if not made.source.strip():
        raise OssicleError("the row names no source", where=where)
    for jaw in JAWS:
        row_order = [_along_row(tooth) for tooth in made.loci(jaw)]
        if row_order != sorted(row_order):
            raise OssicleError(f"the {jaw} loci are not in order from front to back", where=where)
