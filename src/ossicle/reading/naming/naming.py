"""Name the isolated teeth of one specimen, jointly.

The model: a dentition (a listed one, or any pair of rows of the open list), a dental age, and in each jaw
an alignment of the columns of objects with the row's loci. Each locus holds nothing, a deciduous tooth, its
successor, or both, with chances that follow from the age; each object's form and emergence weigh the loci,
its detection probability weighs 'no tooth'. All alignments are summed exactly, so that a confidence is the
share of everything, names and dentitions and ages, that agrees with the name.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ossicle.anatomy import Dentition

from ..records import Jaw, ToothClass, ToothObservation
from .candidates import CandidateSet, RowTemplate, candidate_set
from .columns import build_columns
from .inference import JawResult, Posterior, infer
from .records import CLASS_LETTERS, Dropped, NamedTooth, NameHint, Naming, tooth_name
from .teeth import full_emergence, jaw_teeth

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
        The isolated objects, each assigned to jaw and side, measured in skull coordinates; in any order.
    dentitions
        Listed dentitions by name.
    dentition
        A name from that list to hold the specimen to, or ``"auto"``: all of them, and any formula that a
        placental or metatherian row could have.
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
    jaws = {
        jaw: build_columns([o for o in ordered if o.jaw == jaw], fixed)
        for jaw in _JAWS
        if any(o.jaw == jaw for o in ordered)
    }
    posterior = infer(jaws, candidates)
    full = full_emergence(ordered)
    teeth: list[NamedTooth] = []
    dropped: list[Dropped] = []
    gaps: dict[str, tuple[str, ...]] = {}
    for jaw, result in posterior.jaws.items():
        found, lost = jaw_teeth(jaw, result, full, posterior.times)
        teeth += found
        dropped += lost
        gaps.update(_gaps(jaw, result, found, posterior.age[0]))
    teeth.sort(key=lambda t: t.part)
    labels = _labels(posterior, candidates)
    chosen = _label(posterior.chosen, candidates, tuple(jaws))
    return Naming(
        teeth=tuple(teeth),
        dropped=tuple(sorted(dropped, key=lambda d: d.part)),
        dentition=chosen,
        dentition_confidence=labels.get(chosen, 0.0),
        candidates=tuple(labels.items())[:12],
        alike=_alike(posterior.chosen, candidates, tuple(jaws)),
        formula=_formula(teeth),
        gaps=gaps,
        dental_age=posterior.age,
        anomalies=tuple(
            f"{t.jaw.capitalize()} {t.side} row: part {t.part} is a tooth too many for the formula, called {t.name}."
            for t in teeth
            if t.extra
        ),
        remarks=_remarks(posterior, labels.get(chosen, 0.0)),
    )


def _gaps(jaw: Jaw, result: JawResult, teeth: Sequence[NamedTooth], age: float) -> dict[str, tuple[str, ...]]:
    """Return per quadrant the loci without a tooth: those in front of the last tooth, and in an adult all."""
    found: dict[str, tuple[str, ...]] = {}
    for side in ("left", "right"):
        present = {(t.tooth_class, t.position) for t in teeth if t.side == side}
        if not present:
            continue
        last = max((k for k, kind in enumerate(result.row) if kind.name_key in present), default=-1)
        found[f"{jaw}_{side}"] = tuple(
            tooth_name(jaw, kind.tooth_class, kind.position, "permanent")
            for k, kind in enumerate(result.row)
            if kind.name_key not in present and not kind.transient and (k < last or age > 1.0)
        )
    return found


def _formula(teeth: Sequence[NamedTooth]) -> dict[str, dict[str, int]]:
    """Count erupted and erupting teeth, each locus once, per quadrant that shows teeth."""
    loci: dict[str, set[tuple[ToothClass, int, int]]] = {}
    for tooth in teeth:
        seen = loci.setdefault(f"{tooth.jaw}_{tooth.side}", set())
        if tooth.emergence != "in_crypt":
            seen.add((tooth.tooth_class, tooth.position, tooth.part if tooth.extra else 0))
    return {
        quadrant: {letter: sum(c == tooth_class for c, _, _ in seen) for tooth_class, letter in CLASS_LETTERS.items()}
        for quadrant, seen in sorted(loci.items())
    }


def _text(row: RowTemplate) -> str:
    def count(tooth_class: ToothClass) -> int:
        return sum(kind.tooth_class == tooth_class and not kind.transient for kind in row)

    return ".".join(str(count(c)) for c in CLASS_LETTERS)


def _alike(pair: tuple[int, int], candidates: CandidateSet, jaws: tuple[Jaw, ...]) -> tuple[str, ...]:
    """Return the listed dentitions with these rows in the jaws seen."""
    rows = dict(zip(_JAWS, pair, strict=True))
    return tuple(
        name for name, u, v, _ in candidates.listed if all({"upper": u, "lower": v}[jaw] == rows[jaw] for jaw in jaws)
    )


def _label(pair: tuple[int, int], candidates: CandidateSet, jaws: tuple[Jaw, ...]) -> str:
    """Return the names of the listed dentitions with these rows, a generic one alone, or the formula of
    unlisted rows."""
    alike = _alike(pair, candidates, jaws)
    generic = [name for name in alike if name.startswith("generic")]
    if generic:
        return generic[0]
    if alike:
        more = len(alike) - 3
        return ", ".join(alike[:3]) + (f" and {more} more" if more > 0 else "")
    rows = dict(zip(_JAWS, pair, strict=True))
    return "unlisted " + "/".join(_text(candidates.rows[jaw][rows[jaw]]) if jaw in jaws else "?" for jaw in _JAWS)


def _labels(posterior: Posterior, candidates: CandidateSet) -> dict[str, float]:
    """Return probabilities by label in falling order."""
    sums: dict[str, float] = {}
    for u, v, p in posterior.pairs:
        label = _label((u, v), candidates, tuple(posterior.jaws))
        sums[label] = sums.get(label, 0.0) + p
    return dict(sorted(sums.items(), key=lambda item: (-item[1], item[0])))


def _remarks(posterior: Posterior, confidence: float) -> tuple[str, ...]:
    remarks = []
    if confidence < 0.5:
        remarks.append("No one dentition stands out; the formula is read off the teeth and names may shift.")
    for jaw, result in posterior.jaws.items():
        if result.columns.sides == 1:
            remarks.append(f"The {jaw} jaw shows teeth of one side only, so no mirror side could support the names.")
    return tuple(remarks)
