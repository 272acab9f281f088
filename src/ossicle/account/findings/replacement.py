"""Which teeth are deciduous, and what replaces them."""

from __future__ import annotations

from ossicle.reading.records import Reading, ToothRecord

from ..records import Finding
from ..views import teeth_evidence
from ..words import QUADRANTS, arc_order, counted, join, loci, name_of, row_name
from .common import least, middling, of_row

__all__ = ["replacement_findings"]


def replacement_findings(reading: Reading) -> list[Finding]:
    """Return succession quadrant by quadrant, and one finding that sums it up."""
    if not reading.teeth:
        return []
    found = [_summary(reading)]
    for jaw, side in QUADRANTS:
        teeth = of_row(reading, jaw, side)
        by_part = {t.part: t for t in teeth}
        pairs = [(t, by_part[t.replaced_by]) for t in teeth if t.replaced_by in by_part and t.replaced_by is not None]
        alone = [t for t in teeth if t.generation == "deciduous" and t.replaced_by not in by_part]
        if pairs:
            involved = [t for pair in pairs for t in pair]
            said = join(f"{name_of(old)} by {name_of(new)}" for old, new in pairs)
            found.append(
                Finding(
                    id=f"replacement/{jaw}-{side}/pairs",
                    region="replacement",
                    subject=f"{jaw} {side}",
                    statement=f"In the {row_name(jaw, side)} {said} will be replaced{_uncertain(involved)}.",
                    method="teeth.succession",
                    confidence=least(involved),
                    value=[[old.name, new.name] for old, new in pairs],
                    evidence=teeth_evidence(
                        reading.pose,
                        involved,
                        row=(jaw, side),
                        caption="Deciduous teeth and their successors, bone veiled.",
                    ),
                )
            )
        if alone:
            verb = "is" if len(alone) == 1 else "are"
            found.append(
                Finding(
                    id=f"replacement/{jaw}-{side}/no-successor",
                    region="replacement",
                    subject=f"{jaw} {side}",
                    statement=f"In the {row_name(jaw, side)} {loci(alone)} {verb} deciduous, and no "
                    f"successor was found"
                    f"{_uncertain(alone)}.",
                    method="teeth.succession",
                    confidence=least(alone),
                    value=[t.name for t in alone],
                    evidence=teeth_evidence(reading.pose, alone, row=(jaw, side)),
                )
            )
    return found


def _uncertain(teeth: list[ToothRecord]) -> str:
    return "; the names marked ? are uncertain" if any(name_of(t) != t.name for t in teeth) else ""


def _summary(reading: Reading) -> Finding:
    deciduous = sorted((t for t in reading.teeth if t.generation == "deciduous"), key=arc_order)
    pairs = sum(t.replaced_by is not None for t in deciduous)
    if not deciduous:
        statement = "No deciduous tooth was found."
        involved = list(reading.teeth)
    else:
        involved = deciduous
        statement = f"{counted(len(deciduous), 'deciduous tooth', 'deciduous teeth').capitalize()} "
        statement += f"{'was' if len(deciduous) == 1 else 'were'} found; "
        statement += (
            "no successor was found."
            if not pairs
            else f"{counted(pairs, 'successor')} {'lies' if pairs == 1 else 'lie'} ready."
        )
    return Finding(
        id="replacement/summary",
        region="replacement",
        subject="all rows",
        statement=statement,
        method="teeth.succession",
        confidence=middling(involved),
        value={"deciduous": len(deciduous), "successors": pairs},
        evidence=teeth_evidence(reading.pose, involved, caption="All teeth concerned, bone veiled."),
    )
