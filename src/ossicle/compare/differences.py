"""What differs between two specimens, one row a difference, with evidence in both; and what was compared and does not.

A number counts as different only beyond the limits that hold for all comparisons together: with n quantities the limit
of each is that of 1 - 0.95^(1/n) (Sidak 1967, J. Am. Stat. Assoc. 62:626), about 3.7 standard errors for 300. Two
specimens are no samples: nothing is said of populations.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Literal

from scipy import stats

from ossicle.account.records import Evidence
from ossicle.reading.records import ToothRecord

from .counterparts import LocusState, locus_states
from .evidence import of_all_teeth, of_locus, of_parts, of_quantity
from .quantities import EMERGED_ERROR, Quantity, quantities, reference_length
from .specimens import Compared

__all__ = ["Comparison", "Difference", "Measure", "compare_two", "limit_for"]

Topic = Literal["stage", "formula", "teeth", "replacement", "palate", "jaw", "ear", "braincase", "measurements"]
FAMILY = 0.05


@dataclass(frozen=True)
class Measure:
    """A number in both: absolute, and relative to the reference length where there is one.

    ``change`` is (second - first) as a share of the first, ``change_error`` its standard error; ``relative_change``
    the same of the values relative to the length ``reference``. ``differs`` and ``relative_differs`` tell whether that
    is beyond the limits.
    """

    name: str
    group: str
    unit: str
    first: Quantity
    second: Quantity
    change: float
    change_error: float
    differs: bool
    relative_change: float | None = None
    relative_error: float | None = None
    relative_differs: bool = False
    reference: str | None = None

    @property
    def power(self) -> int:
        """Power of length in the quantity."""
        return self.first.power

    @property
    def difference(self) -> float:
        """Second less first, in ``unit``."""
        return self.second.value - self.first.value

    @property
    def error(self) -> float:
        """Standard error of the difference, in ``unit``."""
        return math.hypot(self.first.error, self.second.error)

    @property
    def confidence(self) -> float:
        """That the same thing was measured in both, 0 to 1."""
        return min(self.first.confidence, self.second.confidence)


@dataclass(frozen=True)
class Difference:
    """One difference. ``values`` say what each specimen shows; ``evidence`` shows it in each, in their order."""

    id: str
    topic: Topic
    subject: str
    values: tuple[Any, Any]
    statement: str
    confidence: float
    method: str
    evidence: tuple[Evidence, Evidence]
    states: tuple[LocusState, LocusState] | None = None
    measure: Measure | None = None


@dataclass(frozen=True)
class Comparison:
    """Two specimens compared: differences, all numbers that both have, and what only one account speaks of.

    ``reference`` is the length that relative values are given to; ``limit`` how many standard errors a difference must
    exceed. ``notes`` are cautions.
    """

    first: Compared
    second: Compared
    differences: tuple[Difference, ...]
    measures: tuple[Measure, ...]
    alone: tuple[tuple[str, ...], tuple[str, ...]]
    reference: str | None
    limit: float
    notes: tuple[str, ...] = field(default=())


def limit_for(count: int) -> float:
    """Return how many standard errors one of ``count`` differences must exceed to be told, 5 % in all (Sidak)."""
    each = 1 - (1 - FAMILY) ** (1 / max(count, 1))
    return float(stats.norm.isf(each / 2))


def compare_two(first: Compared, second: Compared) -> Comparison:
    """Compare two specimens by their accounts."""
    states = locus_states([first, second])
    a, b = quantities(first), quantities(second)
    reference = reference_length([a, b])
    shared = [name for name in a if name in b and a[name].unit == b[name].unit]
    tests = 2 * len(shared) + len(states)
    limit = limit_for(tests)
    to = {group: reference_length([a, b], group) or "" for group in {a[n].group for n in shared}}
    measures = tuple(_measure(a[n], b[n], a.get(to[a[n].group]), b.get(to[a[n].group]), limit) for n in shared)
    rows = [*_stage(first, second), *_formula(first, second)]
    for pair in states.values():
        row = _locus(first, second, (pair[0], pair[1]), limit)
        if row is not None:
            rows.append(row)
    rows += _kinds(first, second)
    rows += [_measured(first, second, m) for m in measures if m.differs or m.relative_differs]
    alone = (tuple(n for n in a if n not in b), tuple(n for n in b if n not in a))
    return Comparison(first, second, tuple(rows), measures, alone, reference, limit, _notes(first, second))


def _measure(a: Quantity, b: Quantity, ref_a: Quantity | None, ref_b: Quantity | None, limit: float) -> Measure:
    apart = abs(b.value - a.value) > limit * math.hypot(a.error, b.error)
    change, change_error = _ratio(a.value, a.error, b.value, b.error)
    if ref_a is None or ref_b is None or a.power == 0 or a.name == ref_a.name or a.value == 0:
        return Measure(a.name, a.group, a.unit, a, b, change, change_error, apart)
    (va, ea), (vb, eb) = a.relative_to(ref_a), b.relative_to(ref_b)
    relative, relative_error = _ratio(va, ea, vb, eb)
    beyond = abs(vb - va) > limit * math.hypot(ea, eb)
    return Measure(
        a.name, a.group, a.unit, a, b, change, change_error, apart, relative, relative_error, beyond, ref_a.name
    )


def _ratio(a: float, ea: float, b: float, eb: float) -> tuple[float, float]:
    """(b - a) / a and its standard error to first order; NaN where a is 0."""
    if a == 0:
        return math.nan, math.nan
    return (b - a) / a, math.hypot(eb / a, b * ea / a**2)


def _stage(first: Compared, second: Compared) -> list[Difference]:
    one, two = first.account.formula.stage, second.account.formula.stage
    if one.name == two.name:
        return []
    sure = min(one.confidence or 0.0, two.confidence or 0.0)
    named = [stage.name or "of no stage that can be told" for stage in (one, two)]
    said = f"By eruption {first.name} is {named[0]}, {second.name} is {named[1]}."
    return [
        Difference(
            "stage",
            "stage",
            "growth stage",
            (one.name, two.name),
            said,
            sure,
            "stage.eruption",
            of_all_teeth(first, second),
        )
    ]


def _formula(first: Compared, second: Compared) -> list[Difference]:
    one, two = first.account.formula, second.account.formula
    rows = []
    if one.text != two.text:
        texts = [facts.text or "not known" for facts in (one, two)]
        said = f"The formula of teeth in place is {texts[0]} in {first.name}, {texts[1]} in {second.name}."
        rows.append(
            Difference(
                "formula/counts",
                "formula",
                "dental formula",
                (one.text, two.text),
                said,
                min(one.dentition_confidence, two.dentition_confidence),
                "formula.counts",
                of_all_teeth(first, second),
            )
        )
    if one.dentition != two.dentition:
        said = (
            f"{first.name} was read by the dentition {one.dentition or 'of none'}, {second.name} by "
            f"{two.dentition or 'none'}: loci may be named by two schemes."
        )
        rows.append(
            Difference(
                "formula/dentition",
                "formula",
                "matched dentition",
                (one.dentition, two.dentition),
                said,
                min(one.dentition_confidence, two.dentition_confidence),
                "formula.dentition",
                of_all_teeth(first, second),
            )
        )
    return rows


def _locus(first: Compared, second: Compared, pair: tuple[LocusState, LocusState], limit: float) -> Difference | None:
    a, b = pair
    if _alike(a, b, limit):
        return None
    jaw, side, _, _ = a.key
    teeth = (*a.teeth, *b.teeth)
    name = next((t.name for s in (b, a) for t in (s.adult, s.deciduous) if t is not None), "")
    name = name.removeprefix("d")
    sure = min((t.confidence for t in teeth), default=0.0)
    replaced = (a.deciduous is None) != (b.deciduous is None) and not (a.empty or b.empty)
    subject = f"{side} {jaw} {name}"
    said = f"{subject[0].upper()}{subject[1:]}: {a.in_words()} in {first.name}; {b.in_words()} in {second.name}."
    return Difference(
        f"teeth/{jaw}-{side}/{name}",
        "replacement" if replaced else "teeth",
        subject,
        (a.in_words(), b.in_words()),
        said,
        sure,
        "teeth.succession" if replaced else "teeth.emergence",
        (of_locus(first, a, b), of_locus(second, b, a)),
        (a, b),
    )


def _alike(a: LocusState, b: LocusState, limit: float) -> bool:
    return _same(a.deciduous, b.deciduous, limit) and _same(a.adult, b.adult, limit) and len(a.more) == len(b.more)


def _same(one: ToothRecord | None, two: ToothRecord | None, limit: float) -> bool:
    if one is None or two is None:
        return one is two
    broken = ("broken", "worn", "cut_by_scan_edge")
    harmed = [t.completeness if t.completeness in broken else "" for t in (one, two)]
    shares = abs(one.emergence_fraction - two.emergence_fraction)
    moved = "erupting" in (one.emergence, two.emergence) and shares > limit * EMERGED_ERROR * math.sqrt(2)
    return one.emergence == two.emergence and harmed[0] == harmed[1] and not moved


def _kinds(first: Compared, second: Compared) -> list[Difference]:
    """States that are words: form of the angular process, symphysis, ossicles."""
    rows = []
    for side in ("left", "right"):
        one, two = (next((j for j in s.account.jaw if j["side"] == side), None) for s in (first, second))
        if one and two and one.get("form") and two.get("form") and one["form"] != two["form"]:
            rows.append(_worded(first, second, f"{side} angular process", "jaw", one, two, one["form"], two["form"]))
        one, two = (next((e for e in s.account.ear if e["side"] == side), None) for s in (first, second))
        if one and two:
            for bone in ("stapes", "incus", "malleus"):
                a, b = one["ossicles"].get(bone), two["ossicles"].get(bone)
                if {a, b} == {"present", "absent"}:
                    rows.append(_worded(first, second, f"{side} {bone}", "ear", one, two, a, b))
    states = [
        "fused"
        if any(j["symphysis"] == "fused" for j in s.account.jaw)
        else "open"
        if len(s.account.jaw) == 2
        else None
        for s in (first, second)
    ]
    if None not in states and states[0] != states[1]:
        one, two = first.account.jaw[0], second.account.jaw[0]
        rows.append(_worded(first, second, "mandibular symphysis", "jaw", one, two, states[0], states[1]))
    return rows


def _worded(
    first: Compared, second: Compared, subject: str, topic: Topic, one: Any, two: Any, a: Any, b: Any
) -> Difference:
    method = {"jaw": "jaw.inflection", "ear": "ear.ossicles"}[topic]
    if subject.endswith("symphysis"):
        method = "jaw.symphysis"
    said = f"{subject[0].upper()}{subject[1:]}: {a} in {first.name}; {b} in {second.name}."
    shown = tuple(() if r.get("part") is None else (int(r["part"]),) for r in (one, two))
    evidence = (of_parts(first, shown[0], subject), of_parts(second, shown[1], subject))
    return Difference(f"{topic}/{subject.replace(' ', '-')}", topic, subject, (a, b), said, 0.6, method, evidence)


def _measured(first: Compared, second: Compared, m: Measure) -> Difference:
    topic: Topic = m.group  # type: ignore[assignment]
    said = (
        f"{m.name[0].upper()}{m.name[1:]}: {_pm(m.first)} in {first.name}, {_pm(m.second)} in {second.name}"
        + (f" ({_signed(m.change, m.change_error)})" if m.unit != "degree" and math.isfinite(m.change) else "")
        + "."
    )
    evidence = (of_quantity(first, m.first), of_quantity(second, m.second))
    return Difference(
        f"{m.group}/{m.name.replace(' ', '-')}",
        topic,
        m.name,
        (m.first.value, m.second.value),
        said,
        m.confidence,
        m.first.method,
        evidence,
        None,
        m,
    )


def _pm(q: Quantity) -> str:
    places = min(6, max(0, 1 - math.floor(math.log10(q.error)))) if q.error > 0 else 2
    unit = {"mm": " mm", "mm2": " mm²", "mm3": " mm³", "degree": "°", "turns": " turns"}.get(q.unit, f" {q.unit}")
    return f"{q.value:.{places}f} ± {q.error:.{places}f}{unit}"


def _signed(change: float, error: float) -> str:
    return f"{100 * change:+.0f} ± {100 * error:.0f} %"


def _notes(first: Compared, second: Compared) -> tuple[str, ...]:
    notes = []
    for s in (first, second):
        if not s.account.pose.found:
            notes.append(f"The pose of {s.name} was not found: sides, openings and lengths are not to be relied on.")
    assumed = [s.name for s in (first, second) if s.account.scan.handedness == "assumed"]
    if assumed:
        notes.append(
            f"Nothing states whether the scan of {' or of '.join(assumed)} is mirrored; if it is, left and right are "
            "swapped in it."
        )
    sizes = [s.voxel_mm for s in (first, second)]
    if max(sizes) > 1.5 * min(sizes):
        notes.append(
            f"The voxels differ ({sizes[0]:.3g} mm and {sizes[1]:.3g} mm): what the coarser scan does not resolve may "
            "seem absent in it."
        )
    return tuple(notes)
