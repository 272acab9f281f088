"""Name the isolated teeth of one specimen, jointly.

The model: a dentition (a listed one, or any pair of rows of the open list), a dental age, and in each jaw
an alignment of the columns of
objects with the row's loci. Each locus holds nothing, a deciduous tooth, its successor, or both, with
chances that follow
from the age; each object's form and emergence weigh the loci, its detection probability weighs 'no tooth'.
All is summed exactly, so
that a confidence is the share of everything that agrees with the name.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from ossicle.anatomy import Dentition

from ..records import Emergence, Generation, Jaw, ToothClass, ToothObservation
from .alignment import Name
from .candidates import CandidateSet, RowTemplate, candidate_set
from .columns import build_columns
from .inference import JawResult, Posterior, infer
from .knowledge import CRYPT_FRACTION, ERUPTED_FRACTION, PAIR_STATED
from .records import CLASS_LETTERS, Dropped, NamedTooth, NameHint, Naming, tooth_name

__all__ = ["name_teeth"]

_JAWS: tuple[Jaw, ...] = ("upper", "lower")
_NO_HINTS: Mapping[int, NameHint] = {}


def name_teeth(
    observations: Sequence[ToothObservation],
    dentitions: Mapping[str, Dentition],
    *,
    dentition: str = "auto",
    fixed: Mapping[int, NameHint] = _NO_HINTS,
) -> Naming:
    """Name all teeth of one specimen.

    Parameters
    ----------
    observations
        The isolated objects, each assigned to jaw and side, measured in skull coordinates.
    dentitions
        Listed dentitions by name.
    dentition
        A name from that list to hold the specimen to, or ``"auto"``.
    fixed
        What a person has said of parts, by part number.

    Raises
    ------
    OssicleError
        If no dentition has the name given.
    """
    candidates = candidate_set(dentitions, dentition)
    ordered = sorted(observations, key=lambda o: o.part)
    if not ordered:
        return Naming((), (), None, 0.0, (), {}, {}, None, remarks=("No tooth was seen, so none is named.",))
    jaws = {}
    for jaw in _JAWS:
        of_jaw = [o for o in ordered if o.jaw == jaw]
        if of_jaw:
            jaws[jaw] = build_columns(of_jaw, fixed)
    posterior = infer(jaws, candidates)
    full = _full_emergence(ordered)
    teeth: list[NamedTooth] = []
    dropped: list[Dropped] = []
    gaps: dict[str, tuple[str, ...]] = {}
    for jaw, result in posterior.jaws.items():
        found, lost = _jaw_teeth(jaw, result, full, fixed)
        teeth += found
        dropped += lost
        gaps.update(_gaps(jaw, result, found, posterior.age[0]))
    teeth.sort(key=lambda t: t.part)
    names = _candidate_names(posterior, candidates, tuple(jaws))
    chosen = next((n for n in names if n[0] == posterior.chosen), names[0])
    anomalies = tuple(
        f"{t.side} {t.jaw}: part {t.part} is a tooth too many for the formula, called {t.name}"
        for t in teeth
        if t.extra
    )
    return Naming(
        teeth=tuple(teeth),
        dropped=tuple(sorted(dropped, key=lambda d: d.part)),
        dentition=chosen[1],
        dentition_confidence=chosen[2],
        candidates=tuple((label, p) for _, label, p in names[:12]),
        formula=_formula(teeth),
        gaps=gaps,
        dental_age=posterior.age,
        anomalies=anomalies,
        remarks=_remarks(posterior, chosen[2]),
    )


def _full_emergence(observations: Sequence[ToothObservation]) -> float:
    """Return the emergence fraction that a tooth in place shows in this specimen: the upper tenth of what
    is out, 0.75 to 1."""
    out = sorted(o.emergence_fraction for o in observations if o.emergence_fraction > 0.5)
    if len(out) < 4:
        return 1.0
    return float(np.clip(np.quantile(out, 0.9), 0.75, 1.0))


def _emergence(fraction: float, full: float) -> Emergence:
    if fraction <= CRYPT_FRACTION:
        return "in_crypt"
    return "erupted" if fraction >= ERUPTED_FRACTION * full else "erupting"


def _confidences(result: JawResult, column: int, name: Name) -> tuple[float, float, float, float]:
    """Return the chances that the name, the locus, the generation hold, and that the column is a tooth."""
    chance = result.chance[column]
    same = float(chance[result.names[name]]) if name in result.names else 0.0
    locus = sum(float(chance[k]) for n, k in result.names.items() if n[:2] == name[:2])
    generation = sum(float(chance[k]) for n, k in result.names.items() if n[2] == name[2])
    tooth = 1.0 - float(chance[-1]) * float(result.false_share[column])
    return same, locus, generation, tooth


def _jaw_teeth(
    jaw: Jaw, result: JawResult, full: float, fixed: Mapping[int, NameHint]
) -> tuple[list[NamedTooth], list[Dropped]]:
    columns = result.columns.all
    teeth: list[NamedTooth] = []
    dropped: list[Dropped] = []
    column_of = {m.part: c for c, column in enumerate(columns) for m in column.members}
    at: dict[tuple[str, Name], int] = {}
    for c, column in enumerate(columns):
        name = result.decoded.names[c]
        extra = name is None
        if name is None:
            no_tooth = float(result.chance[c, -1] * result.false_share[c])
            if no_tooth > 0.5 and column.hint is None:
                dropped += [Dropped(m.part, _why_dropped(result, c), no_tooth) for m in column.members]
                continue
            name = _extra_name(result, c)
        same, locus, generation, tooth = _confidences(result, c, name)
        for member in column.members:
            hint = fixed.get(member.part)
            if hint is not None:
                name = _hinted(name, hint)
            teeth.append(
                NamedTooth(
                    part=member.part,
                    name=tooth_name(jaw, name[0], name[1], name[2]),
                    jaw=jaw,
                    side=member.side,
                    tooth_class=name[0],
                    position=name[1],
                    generation=name[2],
                    emergence=_emergence(member.emergence_fraction, full),
                    replaces=None,
                    replaced_by=None,
                    confidence=same,
                    locus_confidence=locus,
                    generation_confidence=generation,
                    tooth_confidence=tooth,
                    extra=extra,
                )
            )
            if not extra:
                at[member.side, name] = member.part
    paired = []
    for tooth_ in teeth:
        partner = None
        if not tooth_.extra and tooth_.generation != "unreplaced":
            other: Generation = "deciduous" if tooth_.generation == "permanent" else "permanent"
            partner = at.get((tooth_.side, (tooth_.tooth_class, tooth_.position, other)))
        if partner is not None:
            chance = float(result.pairs[column_of[tooth_.part], column_of[partner]])
            if chance >= PAIR_STATED or {tooth_.part, partner} & set(fixed):
                key = "replaces" if tooth_.generation == "permanent" else "replaced_by"
                tooth_ = replace(tooth_, **{key: partner, "succession_confidence": chance})  # type: ignore[arg-type]
        paired.append(tooth_)
    return paired, dropped


def _hinted(name: Name, hint: NameHint) -> Name:
    return (
        hint.tooth_class if hint.tooth_class is not None else name[0],
        hint.position if hint.position is not None else name[1],
        hint.generation if hint.generation is not None else name[2],
    )


def _why_dropped(result: JawResult, column: int) -> str:
    members = result.columns.all[column].members
    reasons = []
    if min(m.detection for m in members) < 0.7:
        reasons.append("it was isolated with little certainty")
    if len(members) == 1 and result.columns.sides == 2:
        reasons.append("nothing on the other side matches it")
    reasons.append("it fits no place of the row")
    return ", ".join(reasons)


def _extra_name(result: JawResult, column: int) -> Name:
    """Name a tooth that has no locus in the chosen row: its most likely name if that place is free, else
    the place of its neighbour
    before it in the row, or one more molar behind the last."""
    taken = {name for name in result.decoded.names if name is not None}
    chance = result.chance[column]
    ranked = sorted(result.names, key=lambda n: -chance[result.names[n]])
    likely = [name for name in ranked if chance[result.names[name]] > 0.15]
    if likely:
        return next((name for name in likely if name not in taken), likely[0])
    columns = result.columns.all
    arc = columns[column].arc_mm
    named = [(columns[k].arc_mm, name) for k, name in enumerate(result.decoded.names) if name is not None]
    if not named:
        return ranked[0]
    before = [entry for entry in named if entry[0] <= arc]
    neighbour = max(before)[1] if before else min(named)[1]
    if neighbour[0] == "molar" and arc > max(a for a, _ in named):
        return ("molar", neighbour[1] + 1, "permanent")
    return neighbour


def _gaps(jaw: Jaw, result: JawResult, teeth: Sequence[NamedTooth], age: float) -> dict[str, tuple[str, ...]]:
    """Return per quadrant the loci without a tooth: those in front of the last tooth seen, and all of them
    in an adult."""
    found: dict[str, tuple[str, ...]] = {}
    for side in ("left", "right"):
        present = {(t.tooth_class, t.position) for t in teeth if t.side == side}
        if not present:
            continue
        last = max((k for k, kind in enumerate(result.row) if kind.name_key in present), default=-1)
        missing = [
            tooth_name(jaw, kind.tooth_class, kind.position, "permanent")
            for k, kind in enumerate(result.row)
            if kind.name_key not in present and not kind.transient and (k < last or age > 1.0)
        ]
        found[f"{jaw}_{side}"] = tuple(missing)
    return found


def _formula(teeth: Sequence[NamedTooth]) -> dict[str, dict[str, int]]:
    """Count erupted and erupting teeth, each locus once, per quadrant that shows teeth."""
    loci: dict[str, set[tuple[ToothClass, int, int]]] = {}
    for tooth in teeth:
        seen = loci.setdefault(f"{tooth.jaw}_{tooth.side}", set())
        if tooth.emergence != "in_crypt":
            seen.add((tooth.tooth_class, tooth.position, tooth.part if tooth.extra else 0))
    return {
        quadrant: {
            letter: sum(c == tooth_class for c, _, _ in seen) for tooth_class, letter in CLASS_LETTERS.items()
        }
        for quadrant, seen in sorted(loci.items())
    }


def _text(row: RowTemplate) -> str:
    def count(tooth_class: ToothClass) -> int:
        return sum(kind.tooth_class == tooth_class and not kind.transient for kind in row)

    return ".".join(str(count(c)) for c in CLASS_LETTERS)


def _candidate_names(
    posterior: Posterior, candidates: CandidateSet, jaws: tuple[Jaw, ...]
) -> list[tuple[tuple[int, int], str, float]]:
    """Return (pair, label, probability) in falling order; a pair of rows no listed dentition has is called
    by its formula."""
    by_pair: dict[tuple[int, int], list[str]] = {}
    for name, u, v, _ in candidates.listed:
        by_pair.setdefault((u, v), []).append(name)
    out = []
    for u, v, p in posterior.pairs:
        names = by_pair.get((u, v))
        if names:
            label = names[0]
        else:
            label = "unlisted " + "/".join(
                _text(candidates.rows[jaw][(u, v)[_JAWS.index(jaw)]]) if jaw in jaws else "?" for jaw in _JAWS
            )
        out.append(((u, v), label, p))
    return out


def _remarks(posterior: Posterior, confidence: float) -> tuple[str, ...]:
    remarks = []
    if confidence < 0.5:
        remarks.append("No one dentition stands out; the formula is read off the teeth and names may shift.")
    for jaw, result in posterior.jaws.items():
        if result.columns.sides == 1:
            remarks.append(
                f"The {jaw} jaw shows teeth of one side only, so no mirror side could support the names."
            )
    return tuple(remarks)
