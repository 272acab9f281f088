"""Templates and weights for animals whose family is not known.

The formula of an unknown animal is read off, not forced: `formula_log_prior` never excludes a formula, it
only says how far it lies from those of known families, and `template_from_formula` gives the loci that the
counts most likely hold. Families count once each, however many genera are listed.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Final

from ossicle.anatomy.dentitions import load_dentitions
from ossicle.anatomy.formula import MAX_COUNT, Counts, Formula
from ossicle.anatomy.notation import CLASS_LETTERS, JAWS, Jaw, ToothClass
from ossicle.anatomy.templates import Clade, Dentition, TemplateTooth
from ossicle.errors import OssicleError

__all__ = [
    "Candidate",
    "WeightedFormula",
    "candidate_dentitions",
    "formula_log_prior",
    "plausible_formulas",
    "template_from_formula",
]

COUNT_DECAY: Final = 0.1
"""How the weight falls with each tooth more or less in one class of one jaw. A working value without a
source; for
scale, 8.1 % of 393 *Didelphis albiventris* differed from their species' formula in one tooth or more."""

_LARGEST_PREMOLAR: Final[Mapping[Clade, int]] = {"placental": 4, "metatherian": 3, "monotreme": 4}


@dataclass(frozen=True, slots=True)
class Candidate:
    """A dentition to try, and its weight among all candidates; the weights sum to 1."""

    dentition: Dentition
    weight: float


@dataclass(frozen=True, slots=True)
class WeightedFormula:
    """A formula and its weight among those listed with it; the weights sum to 1."""

    formula: Formula
    weight: float


def _families(clade: Clade | None) -> dict[str, list[Dentition]]:
    found: dict[str, list[Dentition]] = {}
    for entry in load_dentitions().values():
        if clade is None or entry.clade == clade:
            found.setdefault(entry.family, []).append(entry)
    return found


@cache
def candidate_dentitions(clade: Clade | None = None) -> tuple[Candidate, ...]:
    """Return dentitions that differ in their loci, heaviest first; the toothless ones among them.

    Of several taxa with the same loci in the same generations the alphabetically first stands for all and
    carries their weight together. Each family has the same weight, shared among its listed genera; the
    generic templates count as one family.
    """
    weights: dict[tuple[tuple[TemplateTooth, ...], ...], float] = {}
    first: dict[tuple[tuple[TemplateTooth, ...], ...], Dentition] = {}
    families = _families(clade)
    for listed in families.values():
        for entry in listed:
            key = (entry.upper, entry.lower, entry.transient)
            weights[key] = weights.get(key, 0.0) + 1.0 / (len(listed) * len(families))
            if key not in first or entry.name < first[key].name:
                first[key] = entry
    found = [Candidate(first[key], weight) for key, weight in weights.items()]
    return tuple(sorted(found, key=lambda candidate: (-candidate.weight, candidate.dentition.name)))


@cache
def _known_formulas(clade: Clade | None) -> Mapping[Formula, float]:
    """Return formulas of known families with their weights; a variant weighs a quarter of its own."""
    weights: dict[Formula, float] = {}
    for listed in _families(clade).values():
        shares = [(formula, share) for entry in listed for formula, share in _formulas_of(entry)]
        whole = sum(share for _, share in shares)
        for formula, share in shares:
            weights[formula] = weights.get(formula, 0.0) + share / whole
    whole = sum(weights.values())
    return {formula: weight / whole for formula, weight in weights.items()}


def _formulas_of(entry: Dentition) -> list[tuple[Formula, float]]:
    return [(entry.formula, 1.0), *((variant, 0.25) for variant in entry.variants)]


def _permanent_counts(formula: Formula) -> tuple[int, ...]:
    return formula.upper_right.permanent + formula.lower_right.permanent


def _require_one_side(formula: Formula) -> None:
    if not formula.is_symmetric:
        raise OssicleError(f"the sides of the formula {formula} differ", mend="give one side with formula.half")
    if formula.has_deciduous:
        raise OssicleError(
            f"the formula {formula} counts deciduous teeth", mend="give the permanent and unreplaced teeth"
        )


def formula_log_prior(formula: Formula, clade: Clade | None = None) -> float:
    """Return the natural logarithm of a formula's prior probability; finite for every formula.

    The prior is a mixture over the formulas of known families, each spread over its neighbours by a two-sided
    geometric law in each of the eight counts (``COUNT_DECAY``).

    Raises
    ------
    OssicleError
        If the sides differ or deciduous teeth are counted.
    """
    _require_one_side(formula)
    counts = _permanent_counts(formula)
    per_tooth = math.log(COUNT_DECAY)
    logs = [
        math.log(weight) + per_tooth * sum(map(_distance, counts, _permanent_counts(known)))
        for known, weight in _known_formulas(clade).items()
    ]
    best = max(logs)
    centre = len(counts) * math.log((1 - COUNT_DECAY) / (1 + COUNT_DECAY))
    return centre + best + math.log(sum(math.exp(log - best) for log in logs))


def _distance(a: int, b: int) -> int:
    return abs(a - b)


@cache
def plausible_formulas(clade: Clade | None = None) -> tuple[WeightedFormula, ...]:
    """Return the formulas of known families and all that differ from one of them by one tooth a side.

    Heaviest first. The list is for offering choices: a reading may find any other formula.
    """
    found = set(_known_formulas(clade))
    for formula in tuple(found):
        counts = _permanent_counts(formula)
        for place in range(len(counts)):
            for change in (-1, 1):
                if 0 <= counts[place] + change <= MAX_COUNT:
                    changed = (*counts[:place], counts[place] + change, *counts[place + 1 :])
                    found.add(Formula.symmetric(Counts(*changed[:4]), Counts(*changed[4:])))
    weights = {formula: math.exp(formula_log_prior(formula, clade)) for formula in found}
    whole = sum(weights.values())
    ordered = sorted(weights, key=lambda formula: (-weights[formula], str(formula)))
    return tuple(WeightedFormula(formula, weights[formula] / whole) for formula in ordered)


def template_from_formula(formula: Formula, clade: Clade) -> Dentition:
    """Return a dentition with the loci that the counts of an unknown animal most likely hold.

    Incisors and molars are numbered from the front; premolars are taken as lost from the front, so that two
    are P3 P4 in a placental and P2 P3 in a metatherian; more than the clade's usual number are counted from
    P1. Replacement follows the clade's rule, a placental P1 being unreplaced. Everything is a guess and is
    marked as one.

    Raises
    ------
    OssicleError
        If the sides differ, deciduous teeth are counted, or a jaw has more than one canine a side.
    """
    _require_one_side(formula)
    rows = {jaw: _row(formula.quadrant(jaw, "right"), jaw, clade) for jaw in JAWS}
    return Dentition(
        name=f"read off: {formula}",
        family="unknown",
        order="unknown",
        clade=clade,
        upper=rows["upper"],
        lower=rows["lower"],
        transient=(),
        applies_to="adult",
        published=formula,
        status="M",
        loci_status="M",
        source="the specimen's own counts",
        notes="Loci and replacement by the clade's general rule.",
    )


def _row(counts: Counts, jaw: Jaw, clade: Clade) -> tuple[TemplateTooth, ...]:
    if counts.C > 1:
        raise OssicleError(f"{counts.C} canines are counted in one quadrant", mend="count one of them as another tooth")
    last = _LARGEST_PREMOLAR[clade]
    return tuple(
        TemplateTooth(tooth_class, position, _is_replaced(tooth_class, position, clade), jaw)
        for tooth_class, number in zip(CLASS_LETTERS, counts.permanent, strict=True)
        for position in _positions(tooth_class, number, last)
    )


def _positions(tooth_class: ToothClass, number: int, last_premolar: int) -> range:
    if tooth_class == "premolar" and number <= last_premolar:
        return range(last_premolar - number + 1, last_premolar + 1)
    return range(1, number + 1)


def _is_replaced(tooth_class: ToothClass, position: int, clade: Clade) -> bool:
    if clade == "metatherian":
        return tooth_class == "premolar" and position == 3
    return tooth_class != "molar" and not (tooth_class == "premolar" and position == 1)
