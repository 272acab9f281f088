"""A comparison as one would say it: short sentences, sides together, the greater things first."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence

from ossicle.account.words import JAWS, UNCERTAIN_BELOW, counted, join, loci, tied
from ossicle.reading.records import ToothRecord

from .counterparts import LocusState
from .differences import Comparison, Difference, Measure

__all__ = ["comparison_text", "sentences"]

_HEADINGS = {
    "stage": "Growth stage",
    "formula": "Dental formula",
    "replacement": "Replacement",
    "teeth": "Teeth",
    "palate": "Palate",
    "jaw": "Lower jaw",
    "ear": "Ear region",
    "braincase": "Braincase and face",
    "measurements": "Measurements",
}
_MOST = 12
"""Sizes told in prose; the table has all."""


def sentences(c: Comparison) -> dict[str, list[str]]:
    """Return the sentences of a comparison by heading; teeth are told of the first specimen against the second."""
    out: dict[str, list[str]] = {}
    by: dict[str, list[Difference]] = {}
    for d in c.differences:
        by.setdefault(d.topic, []).append(d)
    for topic in ("stage", "formula"):
        if topic in by:
            out[_HEADINGS[topic]] = [d.statement for d in by[topic]]
    loci = [d for d in c.differences if d.states is not None]
    if loci:
        out["Teeth"] = _teeth(c, loci)
    sized = [d.measure for d in c.differences if d.measure is not None and d.measure.group == "teeth"]
    if sized:
        out.setdefault("Teeth", []).extend(_sizes(c, sized))
    for topic in ("palate", "jaw", "ear", "braincase", "measurements"):
        mine = by.get(topic, [])
        lines = [d.statement for d in mine if d.measure is None]
        lines += _sizes(c, [d.measure for d in mine if d.measure is not None])
        if lines:
            out[_HEADINGS[topic]] = lines
    return out


def comparison_text(c: Comparison, width: int = 96) -> str:
    """Return the comparison as text: what differs, what does not, what could not be compared, cautions."""
    head = f"{c.first.name} compared with {c.second.name}"
    blocks = [head + "\n" + "=" * len(head)]
    found = sentences(c)
    for heading, lines in found.items():
        blocks.append("\n".join([heading, *(_wrapped(x, width) for x in lines)]))
    if not found:
        blocks.append(_wrapped("No difference was found beyond the errors of the two readings.", width))
    blocks.append("\n".join(["Compared", *(_wrapped(x, width) for x in _compared(c))]))
    if c.notes:
        blocks.append("\n".join(["Cautions", *(_wrapped(x, width) for x in c.notes)]))
    return "\n\n".join(blocks) + "\n"


def _wrapped(text: str, width: int) -> str:
    filled = textwrap.fill(tied(text), width, initial_indent="  ", subsequent_indent="    ", break_on_hyphens=False)
    return filled.replace("\u00a0", " ")


def _compared(c: Comparison) -> list[str]:
    alike = sum(not (m.differs or m.relative_differs) for m in c.measures)
    lines = [
        f"{len(c.measures)} quantities are known of both; {alike} of them do not differ beyond their error "
        f"({c.limit:.1f} standard errors, so that all comparisons together err once in twenty)."
    ]
    if c.reference is not None:
        palate = next((m.reference for m in c.measures if m.group == "palate" and m.reference), None)
        more = f", those of the palate to the {palate}" if palate not in (None, c.reference) else ""
        lines.append(f"Sizes relative to skull size are given to the {c.reference}{more} (areas to its square).")
    else:
        lines.append("No length of the skull is known of both, so nothing is said relative to size.")
    for s, names in zip((c.first, c.second), c.alone, strict=True):
        others = [n for n in names if not n.startswith(("length of", "width of", "crown height", "volume of"))]
        if others:
            lines.append(f"Known of {s.name} alone: {join(others[:8])}{' and more' if len(others) > 8 else ''}.")
    return lines


# -- teeth

_PLACE = {"in_crypt": ("in its crypt", "in crypts"), "erupting": ("erupting",) * 2, "erupted": ("in place",) * 2}
_HARM = {"broken": "broken", "worn": "worn", "cut_by_scan_edge": "cut by the edge of the scan"}


def _state(tooth: ToothRecord) -> str:
    """The state that tells one tooth from its counterpart: emergence, and what befell it."""
    return f"{tooth.emergence} {_HARM.get(tooth.completeness, '')}".strip()


def _classed(a: LocusState, b: LocusState) -> tuple[str, str, str, ToothRecord]:
    """Kind of a difference of ``a`` against ``b``, the states that it is told by, and the tooth that it is told of."""
    if a.empty or b.empty:
        tooth = (b if a.empty else a).teeth[-1]
        return ("lacks" if a.empty else "alone"), _state(tooth), "", tooth
    for one, two, kind in ((a, b, "retains"), (b, a, "replaced")):
        if one.deciduous is not None and two.deciduous is None and one.deciduous.emergence != "in_crypt":
            later = "none" if one.adult is None else _state(one.adult)
            return kind, later, "" if two.adult is None else _state(two.adult), one.deciduous
    for x, y in ((a.adult, b.adult), (a.deciduous, b.deciduous)):
        if x is not None and y is not None and (_state(x) != _state(y) or x.emergence == "erupting"):
            return "state", _state(x), _state(y), x
    return "other", "", "", a.teeth[0]


def _teeth(c: Comparison, rows: Sequence[Difference]) -> list[str]:
    """One sentence for all loci that differ alike."""
    told: dict[tuple[str, str, str], list[tuple[ToothRecord, Difference]]] = {}
    lines = []
    for d in rows:
        assert d.states is not None
        kind, one, two, tooth = _classed(*d.states)
        if kind == "other":
            lines.append(d.statement)
        else:
            told.setdefault((kind, one, two), []).append((tooth, d))
    order = ("retains", "replaced", "state", "alone", "lacks")
    sorted_told = sorted(told.items(), key=lambda item: order.index(item[0][0]))
    return [_sentence(c, *key, members) for key, members in sorted_told] + lines


def _sentence(c: Comparison, kind: str, one: str, two: str, members: list[tuple[ToothRecord, Difference]]) -> str:
    teeth = [t for t, _ in members]
    names, many = _named(teeth), len({t.name for t in teeth}) > 1
    first, second = c.first.name, c.second.name
    if kind in ("retains", "replaced"):
        holder, other = (first, second) if kind == "retains" else (second, first)
        successors = [s.adult for _, d in members if d.states for s in d.states if s.deciduous is not None and s.adult]
        later = "no successor was found there" if one == "none" else f"{_named(successors)} {_words(one, successors)}"
        shed = f"; shed in {other}, where the successor is still in its crypt"
        told = {"": f"; neither was found in {other}", "in_crypt": shed}.get(two, f"; replaced in {other}")
        return f"{holder} retains {names} ({later}){told}."
    if kind == "state":
        others = [t for _, d in members if d.states for t in d.states[1].teeth if t.name in {x.name for x in teeth}]
        return f"{names}: {_words(one, teeth)} in {first}, {_words(two, others)} in {second}."
    holder, other = (first, second) if kind == "alone" else (second, first)
    return f"{other} lacks {names}, which {'are' if many else 'is'} {_words(one, teeth)} in {holder}."


def _words(state: str, teeth: Sequence[ToothRecord]) -> str:
    emergence, _, harm = state.partition(" ")
    said = _PLACE[emergence][len({t.name for t in teeth}) > 1]
    if emergence == "erupting":
        shares = sorted(round(100 * t.emergence_fraction) for t in teeth if t.emergence == "erupting")
        if shares:
            said += f" ({shares[0]} %)" if shares[0] == shares[-1] else f" ({shares[0]} to {shares[-1]} %)"
    return f"{said} and {harm}" if harm else said


def _named(teeth: Sequence[ToothRecord]) -> str:
    """Names, runs shortened, those of both sides once: ``dP2–dP4 and, on the left, dI3``."""
    sides: dict[str, set[str]] = {}
    by: dict[str, ToothRecord] = {}
    for t in sorted(teeth, key=lambda t: -t.confidence):
        sides.setdefault(t.name, set()).add(t.side)
        by[t.name] = t  # the least sure one speaks for both
    groups: dict[str, list[str]] = {"both": [], "right": [], "left": []}
    for name, found in sides.items():
        groups["both" if len(found) == 2 else found.pop()].append(name)
    said = []
    for where, names in groups.items():
        upper, lower = (loci([by[n] for n in names if by[n].jaw == jaw]) for jaw in JAWS)
        text = f"{upper} above, {lower} below" if upper and lower else upper or lower
        if text:
            said.append(text if where == "both" else f"{text} on the {where}")
    return join(said)


# -- sizes


def _sizes(c: Comparison, measures: Iterable[Measure]) -> list[str]:
    """One sentence each, the greatest change (in standard errors) first; the rest is counted."""
    ranked = sorted(measures, key=lambda m: -abs(m.difference) / max(m.error, 1e-12))
    lines = [_size(c, m) for m in ranked[:_MOST]]
    if len(ranked) > _MOST:
        rest = counted(len(ranked) - _MOST, "more quantity", "more quantities").capitalize()
        lines.append(f"{rest} differ; the table has them.")
    return lines


def _size(c: Comparison, m: Measure) -> str:
    unit = {"mm": " mm", "mm2": " mm²", "mm3": " mm³", "degree": "°", "turns": " turns"}.get(m.unit, f" {m.unit}")
    a, b = m.first.value, m.second.value
    places = min(6, max(0, 1 - math.floor(math.log10(max(min(m.first.error, m.second.error), 1e-6)))))
    name = f"{m.name[0].upper()}{m.name[1:]}"
    said = f"{name}: {a:.{places}f}{unit} in {c.first.name}, {b:.{places}f}{unit} in {c.second.name}"
    if m.power == 0 or not math.isfinite(m.change):
        said += f", {abs(b - a):.{places}f} ± {m.error:.{places}f}{unit} apart"
    elif m.relative_change is not None and m.relative_error is not None:
        if m.relative_differs:
            greater = "larger" if m.relative_change < 0 else "smaller"
            back = abs(1 / (1 + m.relative_change) - 1)
            error = m.relative_error / (1 + m.relative_change) ** 2
            said += (
                f"; {100 * back:.0f} ± {100 * error:.0f} % {greater} in {c.first.name} relative to the {m.reference}"
            )
        else:
            said += f"; no different relative to the {m.reference}"
    else:
        back, error = 1 / (1 + m.change) - 1, m.change_error / (1 + m.change) ** 2
        said += f", {100 * abs(back):.0f} ± {100 * error:.0f} % {'larger' if back > 0 else 'smaller'} in {c.first.name}"
    unsure = " [uncertain]" if m.confidence < UNCERTAIN_BELOW else ""
    return f"{said}{unsure}."
