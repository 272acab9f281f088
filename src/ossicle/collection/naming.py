"""Names, generations and sides that persons gave to teeth, and the pairs of succession that follow from them."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

from ossicle.anatomy import Locus, ToothName
from ossicle.errors import OssicleError
from ossicle.reading.records import Generation, Side, ToothRecord

__all__ = ["Said", "renamed", "with_pairs"]


@dataclass(frozen=True)
class Said:
    """What one decision says of a tooth; None where it says nothing of it."""

    number: int
    who: str
    name: str | None = None
    generation: Generation | None = None
    side: Side | None = None


def renamed(tooth: ToothRecord, said: Sequence[Said]) -> ToothRecord:
    """Return a tooth as persons named it, the later word over the earlier.

    A name without ``d`` leaves an unreplaced tooth unreplaced and calls any other permanent. A molar cannot be
    deciduous; such a generation is left alone.
    """
    locus = Locus(tooth.jaw, tooth.side, tooth.tooth_class, tooth.position)
    generation = tooth.generation
    for one in said:
        if one.side is not None:
            locus = replace(locus, side=one.side)
        if one.name is not None:
            name = ToothName.parse(one.name)
            locus = replace(locus, tooth_class=name.tooth_class, position=name.position)
            if name.deciduous:
                generation = "deciduous"
            elif generation == "deciduous":
                generation = "permanent"
        if one.generation is not None:
            generation = one.generation
    try:
        name = ToothName(locus, generation)
    except OssicleError:
        generation = "permanent"
        name = ToothName(locus, generation)
    side = locus.side if locus.side is not None else tooth.side
    return replace(
        tooth,
        name=str(name),
        side=side,
        tooth_class=locus.tooth_class,
        position=locus.position,
        generation=generation,
        confidence=tooth.detection_confidence,
        locus_confidence=1.0,
        decided_by="person",
    )


def with_pairs(teeth: Sequence[ToothRecord], touched: Collection[int]) -> list[ToothRecord]:
    """Return teeth with the pairs of succession made anew where ``touched`` parts are concerned.

    Pairs among untouched teeth stay. A deciduous tooth and the only permanent one of its locus are a pair.
    """
    kept = {t.part for t in teeth}

    def stays(t: ToothRecord, other: int | None) -> int | None:
        return other if other in kept and other not in touched and t.part not in touched else None

    out = {t.part: replace(t, replaces=stays(t, t.replaces), replaced_by=stays(t, t.replaced_by)) for t in teeth}
    free = [t for t in out.values() if t.replaces is None and t.replaced_by is None]
    by_locus: dict[tuple[str, str, str, int], list[ToothRecord]] = {}
    for t in free:
        by_locus.setdefault((t.jaw, t.side, t.tooth_class, t.position), []).append(t)
    for group in by_locus.values():
        old = [t for t in group if t.generation == "deciduous"]
        new = [t for t in group if t.generation == "permanent"]
        if len(old) == 1 and len(new) == 1 and {old[0].part, new[0].part} & set(touched):
            out[old[0].part] = replace(out[old[0].part], replaced_by=new[0].part)
            out[new[0].part] = replace(out[new[0].part], replaces=old[0].part)
    return [out[t.part] for t in teeth]
