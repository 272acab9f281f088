"""From the chances of names to named teeth: names, confidences, successions, teeth too many, objects
dropped."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from ..records import Emergence, Generation, Jaw, ToothObservation
from .alignment import Name
from .columns import Column
from .emergence import emergence_chances
from .inference import JawResult
from .knowledge import JOINED_LENGTH, PAIR_STATED
from .records import Dropped, NamedTooth, NameHint, tooth_name

__all__ = ["full_emergence", "jaw_teeth"]

FloatArray = npt.NDArray[np.float64]

_OTHER: dict[Generation, Generation] = {"deciduous": "permanent", "permanent": "deciduous"}


def full_emergence(observations: Sequence[ToothObservation]) -> float:
    """Return the emergence fraction that a tooth in place shows in this specimen, 0.75 to 1.

    The upper tenth of what is more than half out; 1 where fewer than four teeth are.
    """
    out = [o.emergence_fraction for o in observations if o.emergence_fraction > 0.5]
    return 1.0 if len(out) < 4 else float(np.clip(np.quantile(out, 0.9), 0.75, 1.0))


def jaw_teeth(jaw: Jaw, result: JawResult, full: float, times: FloatArray) -> tuple[list[NamedTooth], list[Dropped]]:
    """Return the named teeth of one jaw and the parts held to be no teeth."""
    teeth: list[NamedTooth] = []
    dropped: list[Dropped] = []
    column_of: dict[int, int] = {}
    for c, column in enumerate(result.columns.all):
        found = result.decoded.names[c]
        no_tooth = float(result.chance[c, -1] * result.false_share[c])
        if found is None and no_tooth > 0.5 and column.hint is None:
            dropped += [Dropped(m.part, _why_dropped(result, column), no_tooth) for m in column.members]
            continue
        name = _hinted(found if found is not None else _extra_name(result, c), column.hint)
        for member in column.members:
            column_of[member.part] = c
            teeth.append(_named(jaw, result, c, member, name, extra=found is None))
    return _emerged(_succeeding(teeth, result, column_of), result, column_of, full, times), dropped


def _emerged(
    teeth: Sequence[NamedTooth], result: JawResult, column_of: Mapping[int, int], full: float, times: FloatArray
) -> list[NamedTooth]:
    """The teeth with how far each has come; deciduous ones first, as their successors go by them."""
    kinds = {kind.name_key: kind for kind in result.row}
    fraction = {m.part: m.emergence_fraction for c in result.columns.all for m in c.members}
    state: dict[int, Emergence] = {}
    for tooth in sorted(teeth, key=lambda t: t.generation != "deciduous"):
        chance = emergence_chances(
            fraction[tooth.part],
            result.columns.all[column_of[tooth.part]],
            None if tooth.extra else kinds.get((tooth.tooth_class, tooth.position)),
            tooth.generation,
            times,
            full,
            deciduous_stands=tooth.replaces is not None and state[tooth.replaces] == "erupted",
        )
        state[tooth.part] = max(chance, key=lambda e: chance[e])
    return [replace(tooth, emergence=state[tooth.part]) for tooth in teeth]


OVERSURE = 0.45
"""Log odds by which chances of names are too sure of themselves: the model takes what it sees of one tooth for more
independent than it is. Of 160 invented specimens (docs/accuracy.md, 30 November 2026), a logistic line through stated
and true (Platt 1999) fitted to either maker's has a slope of 0.7 to 1.0 and a shift of 0.3 to 0.5; with this shift
alone the mean gap between stated and right falls from 0.070 to 0.032 for the practice specimens, from 0.040 to 0.017
for those of the bench's own maker (``python -m benchmarks.stated``)."""


def stated(chance: float) -> float:
    """Return the confidence to state for a chance of the model, 0 to 1; 0 and 1 stay."""
    share = chance * np.exp(-OVERSURE)
    return min(chance, float(share / (share + (1.0 - chance)))) if share > 0 else 0.0


def _named(jaw: Jaw, result: JawResult, at: int, member: ToothObservation, name: Name, *, extra: bool) -> NamedTooth:
    chance = {n: float(result.chance[at, k]) for n, k in result.names.items()}
    column = result.columns.all[at]
    hint = column.hint or NameHint()
    place_told = hint.tooth_class is not None and hint.position is not None
    locus = 1.0 if place_told else sum(p for n, p in chance.items() if n[:2] == name[:2])
    generation = 1.0 if hint.generation else sum(p for n, p in chance.items() if n[2] == name[2])
    whole = 1.0 if place_told and hint.generation else chance.get(name, 0.0)
    others = sorted((n for n in chance if n != name and chance[n] >= 0.05), key=lambda n: -chance[n])
    return NamedTooth(
        part=member.part,
        name=tooth_name(jaw, *name),
        jaw=jaw,
        side=member.side,
        tooth_class=name[0],
        position=name[1],
        generation=name[2],
        emergence="erupted",
        replaces=None,
        replaced_by=None,
        confidence=stated(whole),
        locus_confidence=stated(locus),
        generation_confidence=stated(generation),
        tooth_confidence=1.0 if column.hint else 1.0 - float(result.chance[at, -1] * result.false_share[at]),
        alternatives=tuple((tooth_name(jaw, *n), n[2], stated(chance[n])) for n in others[:3]),
        extra=extra,
        remarks=_remarks(column, member),
    )


def _remarks(column: Column, member: ToothObservation) -> tuple[str, ...]:
    mirror = next((m for m in column.members if m.part != member.part), None)
    if mirror is not None and member.length_mm > JOINED_LENGTH * mirror.length_mm:
        ratio = member.length_mm / mirror.length_mm
        return (f"{ratio:.1f} times as long as its mirror tooth, part {mirror.part}: perhaps two teeth in one",)
    return ()


def _succeeding(teeth: Sequence[NamedTooth], result: JawResult, column_of: dict[int, int]) -> list[NamedTooth]:
    """Join each deciduous tooth with the permanent one of its own locus and side, where the pair is likely
    enough."""
    at = {(t.side, t.tooth_class, t.position, t.generation): t.part for t in teeth if not t.extra}
    hinted = {m.part for c in result.columns.all if c.hint is not None for m in c.members}
    joined = []
    for tooth in teeth:
        other = _OTHER.get(tooth.generation)
        partner = None if other is None else at.get((tooth.side, tooth.tooth_class, tooth.position, other))
        if partner is None or tooth.extra:
            joined.append(tooth)
            continue
        chance = float(result.pairs[column_of[tooth.part], column_of[partner]])
        if chance < PAIR_STATED and not {tooth.part, partner} & hinted:
            joined.append(tooth)
        elif tooth.generation == "permanent":
            joined.append(replace(tooth, replaces=partner, succession_confidence=chance))
        else:
            joined.append(replace(tooth, replaced_by=partner, succession_confidence=chance))
    return joined


def _hinted(name: Name, hint: NameHint | None) -> Name:
    if hint is None:
        return name
    return (
        hint.tooth_class if hint.tooth_class is not None else name[0],
        hint.position if hint.position is not None else name[1],
        hint.generation if hint.generation is not None else name[2],
    )


def _why_dropped(result: JawResult, column: Column) -> str:
    reasons = []
    if min(m.detection for m in column.members) < 0.7:
        reasons.append("it was isolated with little certainty")
    if len(column.members) == 1 and result.columns.sides == 2:
        reasons.append("nothing on the other side matches it")
    reasons.append("it fits no place of the row")
    return ", ".join(reasons)


def _extra_name(result: JawResult, at: int) -> Name:
    """Name a tooth that has no locus in the chosen row.

    A likely name whose place is free; else one more molar behind the last; else its likeliest name, or that
    of its neighbour in front.
    """
    taken = {name for name in result.decoded.names if name is not None}
    chance = result.chance[at]
    ranked = sorted(result.names, key=lambda n: -chance[result.names[n]])
    likely = [name for name in ranked if chance[result.names[name]] > 0.15]
    free = [name for name in likely if name not in taken]
    if free:
        return free[0]
    columns = result.columns.all
    arc = columns[at].arc_mm
    named = [(columns[k].arc_mm, name) for k, name in enumerate(result.decoded.names) if name is not None]
    last, behind = max(named, default=(arc, None))
    if behind is not None and behind[0] == "molar" and arc > last:
        return ("molar", behind[1] + 1, "permanent")
    if likely or not named:
        return ranked[0]
    before = [entry for entry in named if entry[0] <= arc]
    return max(before)[1] if before else min(named)[1]
