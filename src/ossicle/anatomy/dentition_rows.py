"""Building a dentition from its row of data, and checking the row against itself."""

from collections.abc import Mapping
from typing import Any, Final, cast

from ossicle.anatomy.formula import Formula
from ossicle.anatomy.loci import ToothName
from ossicle.anatomy.locus_list import LocusList
from ossicle.anatomy.notation import JAWS, Jaw, shown
from ossicle.anatomy.templates import CLADES, MARKS, Clade, Dentition, Mark, TemplateTooth
from ossicle.errors import OssicleError

__all__ = ["build_dentition"]

_NEEDED: Final = frozenset(
    {"family", "order", "clade", "upper", "lower", "formula", "total", "status", "loci_status", "source"}
)
_OPTIONAL: Final = frozenset({"replaced", "unreplaced", "transient", "continuous", "applies_to", "notes", "variants"})


def build_dentition(name: str, row: Mapping[str, Any]) -> Dentition:
    """Build a dentition from its row and check the row against itself.

    Parameters
    ----------
    name
        The name of the TOML table.
    row
        Its fields, as in ``data/dentitions/README.md``.

    Raises
    ------
    OssicleError
        If a field is missing, unknown or not of the vocabulary, if the loci do not give the formula and the
        total, are out of order or in the wrong jaw, or if a tooth has a property it cannot have.
    """
    where = f"dentition {name}"
    unknown = set(row) - _NEEDED - _OPTIONAL
    if unknown:
        raise OssicleError(f"the row has unknown fields {', '.join(sorted(unknown))}", where=where)
    missing = _NEEDED - set(row)
    if missing:
        raise OssicleError(f"the row has no field {min(missing)}", where=where)
    clade = cast(Clade, _one_of(row["clade"], CLADES, where))
    rows = {jaw: _row(row[jaw], jaw, where) for jaw in JAWS}
    adult = rows["upper"] + rows["lower"]
    replaced = _replaced(row, adult, clade, where)
    continuous = _listed(row, "continuous", adult, where)

    def template(tooth: ToothName) -> TemplateTooth:
        return TemplateTooth(
            tooth.tooth_class, tooth.position, tooth in replaced, tooth.jaw, continuous=tooth in continuous
        )

    made = Dentition(
        name=name,
        family=row["family"],
        order=row["order"],
        clade=clade,
        upper=tuple(map(template, rows["upper"])),
        lower=tuple(map(template, rows["lower"])),
        transient=_transient(row, where),
        applies_to=row.get("applies_to", "adult"),
        published=Formula.parse(row["formula"]),
        status=cast(Mark, _one_of(row["status"], MARKS, where)),
        loci_status=cast(Mark, _one_of(row["loci_status"], MARKS, where)),
        source=row["source"],
        notes=row.get("notes", ""),
        variants=tuple(Formula.parse(text) for text in row.get("variants", ())),
    )
    _check(made, row, where)
    return made


def _names(text: str, where: str) -> tuple[ToothName, ...]:
    """Return the teeth of a list that may be empty."""
    if not text.strip():
        return ()
    listed = LocusList.parse(text, where=where)
    return listed.upper + listed.lower


def _row(text: str, jaw: Jaw, where: str) -> tuple[ToothName, ...]:
    """Return the teeth of one jaw's row, refusing any of the other jaw."""
    teeth = _names(text, where)
    for tooth in teeth:
        if tooth.jaw != jaw:
            raise OssicleError(f"the {jaw} loci name {tooth} of the {tooth.jaw} jaw", where=where)
    return teeth


def _listed(row: Mapping[str, Any], field: str, adult: tuple[ToothName, ...], where: str) -> set[ToothName]:
    """Return the teeth that an optional field names, all of which must stand in the row."""
    named = set(_names(row.get(field, ""), where))
    absent = named - set(adult)
    if absent:
        raise OssicleError(f"{min(absent)} is called {field} but is not in the row", where=where)
    return named


def _replaced(row: Mapping[str, Any], adult: tuple[ToothName, ...], clade: Clade, where: str) -> set[ToothName]:
    """Return the replaced loci: those named, or the clade's rule less the unreplaced ones named.

    Placentals replace incisors, canine and premolars; metatherians the last premolar, P3, only (van Nievelt &
    Smith 2005, Paleobiology 31:324; Luckett 1993).
    """
    if "replaced" in row:
        named = _listed(row, "replaced", adult, where)
        for tooth in sorted(named):
            if tooth.tooth_class == "molar":
                raise OssicleError(f"{tooth} is called replaced but molars are not", where=where)
        return named
    unreplaced = _listed(row, "unreplaced", adult, where)
    if clade == "metatherian":
        by_rule = {tooth for tooth in adult if tooth.tooth_class == "premolar" and tooth.position == 3}
    else:
        by_rule = {tooth for tooth in adult if tooth.tooth_class != "molar"}
    return by_rule - unreplaced


def _transient(row: Mapping[str, Any], where: str) -> tuple[TemplateTooth, ...]:
    teeth = _names(row.get("transient", ""), where)
    for tooth in teeth:
        if not tooth.deciduous:
            raise OssicleError(f"{tooth} is called transient but is not deciduous", where=where)
    return tuple(TemplateTooth(tooth.tooth_class, tooth.position, False, tooth.jaw, transient=True) for tooth in teeth)


def _one_of(value: str, allowed: tuple[str, ...], where: str) -> str:
    if value not in allowed:
        raise OssicleError(f"{shown(str(value))} is none of {', '.join(allowed)}", where=where)
    return value


def _check(made: Dentition, row: Mapping[str, Any], where: str) -> None:
    """Refuse a row whose loci do not give its formula and total, or that names no source."""
    if made.formula != made.published:
        raise OssicleError(f"the loci give {made.formula} but the formula is {made.published}", where=where)
    if made.formula.total != row["total"]:
        raise OssicleError(f"the loci give {made.formula.total} teeth but the total is {row['total']}", where=where)
    if not made.source.strip():
        raise OssicleError("the row names no source", where=where)
    for jaw in JAWS:
        places = [tooth.place for tooth in made.loci(jaw)]
        if places != sorted(places):
            raise OssicleError(f"the {jaw} loci are not in order from front to back", where=where)
