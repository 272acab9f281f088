"""The dental formula, and the dentition that the rows match."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

from ossicle.anatomy import CLASS_LETTERS, Counts, Formula
from ossicle.reading.records import Reading

from ..records import Finding, FormulaFacts, StageFacts
from ..views import teeth_evidence
from ..words import QUADRANTS, join, percent, quadrant_key, sure
from .common import middling

__all__ = ["formula_facts", "formula_findings"]

_LETTERS = "ICPM"


def formula_facts(reading: Reading, stage: StageFacts) -> FormulaFacts:
    """Return the formula of a reading as the account keeps it; ``text`` is None where no tooth stands in
    place."""
    quadrants = {quadrant_key(jaw, side): dict.fromkeys(_LETTERS, 0) for jaw, side in QUADRANTS}
    for tooth in reading.teeth:
        if tooth.emergence != "in_crypt":
            quadrants[quadrant_key(tooth.jaw, tooth.side)][CLASS_LETTERS[tooth.tooth_class]] += 1
    return FormulaFacts(
        text=formula_text(quadrants),
        by_generation=_by_generation(reading),
        quadrants=quadrants,
        dentition=reading.dentition,
        dentition_confidence=reading.dentition_confidence,
        candidates=reading.dentition_candidates,
        stage=stage,
    )


def formula_text(quadrants: Mapping[str, Mapping[str, int]]) -> str | None:
    """Write the formula of one side, the greater number where the sides differ: ``I3/3 C1/1 P4/4 M2/3``."""
    if not any(any(counts.values()) for counts in quadrants.values()):
        return None
    words = []
    for letter in _LETTERS:
        upper, lower = (
            max(quadrants.get(quadrant_key(jaw, side), {}).get(letter, 0) for side in ("left", "right"))
            for jaw in ("upper", "lower")
        )
        words.append(f"{letter}{upper}/{lower}")
    return " ".join(words)


def _by_generation(reading: Reading) -> str | None:
    """Write the formula with deciduous teeth counted apart, ``dI3/3 dC1/1 dP3/3 M1/1``; None without any."""
    shown = [t for t in reading.teeth if t.emergence != "in_crypt"]
    if not any(t.generation == "deciduous" for t in shown):
        return None
    counts = {quadrant_key(jaw, side): Counter[str]() for jaw, side in QUADRANTS}
    for tooth in shown:
        prefix = "d" if tooth.generation == "deciduous" and tooth.tooth_class != "molar" else ""
        counts[quadrant_key(tooth.jaw, tooth.side)][prefix + CLASS_LETTERS[tooth.tooth_class]] += 1
    return str(Formula(**{key: Counts(**counted) for key, counted in counts.items()}))


def formula_findings(reading: Reading, facts: FormulaFacts) -> list[Finding]:
    """Return the formula and the matched dentition as findings; nothing where no tooth stands in place."""
    if facts.text is None:
        return []
    shown = [t for t in reading.teeth if t.emergence != "in_crypt"]
    total = sum(sum(counts.values()) for counts in facts.quadrants.values())
    differ = [
        f"{jaw} {letter} left {left[letter]}, right {right[letter]}"
        for jaw in ("upper", "lower")
        for letter in _LETTERS
        if (left := facts.quadrants[f"{jaw}_left"])[letter] != (right := facts.quadrants[f"{jaw}_right"])[letter]
    ]
    statement = f"The teeth erupted and erupting give {facts.text}, {total} in all"
    if differ:
        statement += f"; the sides differ ({'; '.join(differ)}) and the greater number is written"
    hidden = len(reading.teeth) - len(shown)
    if hidden:
        statement += f"; {hidden} more in crypts {'is' if hidden == 1 else 'are'} not counted"
    if facts.by_generation is not None:
        statement += f"; with the deciduous teeth apart {facts.by_generation}"
    found = [
        Finding(
            id="formula/counts",
            region="formula",
            subject="formula",
            statement=statement + ".",
            method="formula.counts",
            confidence=middling(shown),
            value=facts.text,
            evidence=teeth_evidence(reading.pose, shown, caption="All teeth in place, bone veiled."),
        )
    ]
    return found + _dentition(reading, facts)


def _dentition(reading: Reading, facts: FormulaFacts) -> list[Finding]:
    if facts.dentition is None:
        statement, confidence = "None of the known dentitions fits these rows well enough to be named.", 0.5
    else:
        confidence = facts.dentition_confidence
        statement = (
            f"Among the known dentitions, that of {facts.dentition} fits these rows best "
            f"({sure(confidence)}, {percent(confidence)})"
        )
        others = [f"{name} ({percent(p)})" for name, p in facts.candidates if name != facts.dentition and p >= 0.05]
        if others:
            statement += f"; next come{'s' if len(others) == 1 else ''} {join(others[:3])}"
        statement += "; this is a pattern of loci and no identification."
    return [
        Finding(
            id="formula/dentition",
            region="formula",
            subject="dentition",
            statement=statement,
            method="formula.dentition",
            confidence=confidence,
            value=facts.dentition,
            evidence=teeth_evidence(reading.pose, list(reading.teeth), caption="All teeth, bone veiled."),
        )
    ]
