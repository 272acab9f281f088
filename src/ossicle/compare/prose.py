"""A comparison as one would say it: short sentences, sides together, the greater things first."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence

from ossicle.account.words import UNCERTAIN_BELOW, counted, join, tied

from .counterparts import LocusKey, LocusState
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
    "braincase": "Braincase",
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
        lines.append(f"Sizes relative to skull size are given to the {c.reference} (areas to its square).")
    else:
        lines.append("No length of the skull is known of both, so nothing is said relative to size.")
    for s, names in zip((c.first, c.second), c.alone, strict=True):
        others = [n for n in names if not n.startswith(("length of", "width of", "crown height", "volume of"))]
        if others:
            lines.append(f"Known of {s.name} alone: {join(others[:8])}{' and more' if len(others) > 8 else ''}.")
    return lines


# -- teeth


def _phrase(a: LocusState, b: LocusState) -> tuple[str, str]:
    """Kind of a difference and the name it is told by, of ``a`` against ``b``."""
    if a.empty:
        return "lacks", _names(b)
    if b.empty:
        return "has, where the other has none,", _names(a)
    if a.deciduous is not None and b.deciduous is None and a.deciduous.emergence != "in_crypt":
        successor = f" ({_where(a.adult)})" if a.adult is not None else ""
        return "retains", a.deciduous.name + successor
    if b.deciduous is not None and a.deciduous is None and b.deciduous.emergence != "in_crypt":
        return "no longer has", b.deciduous.name + (f" ({_where(a.adult)})" if a.adult is not None else "")
    for one, two in ((a.adult, b.adult), (a.deciduous, b.deciduous)):
        if one is not None and two is not None and _state(one) != _state(two):
            return "has", f"{_where(one)} against {_state(two)}"
    return "has", f"{a.in_words()} against {b.in_words()}"


def _state(tooth: object) -> str:
    emergence, share = getattr(tooth, "emergence", ""), getattr(tooth, "emergence_fraction", 0.0)
    harm = getattr(tooth, "completeness", "")
    if harm in ("broken", "worn"):
        return str(harm)
    if harm == "cut_by_scan_edge":
        return "cut by the edge of the scan"
    if emergence == "erupting":
        return f"erupting ({round(100 * share)} %)"
    return {"in_crypt": "in its crypt", "erupted": "in place"}.get(emergence, "")


def _where(tooth: object) -> str:
    return f"{getattr(tooth, 'name', '')} {_state(tooth)}"


def _names(state: LocusState) -> str:
    return " and ".join(t.name for t in state.teeth)


def _teeth(c: Comparison, rows: Sequence[Difference]) -> list[str]:
    """One sentence a kind of difference; a locus alike on both sides is named once."""
    told: dict[str, dict[str, list[tuple[LocusKey, float]]]] = {}
    for d in rows:
        assert d.states is not None
        kind, name = _phrase(*d.states)
        told.setdefault(kind, {}).setdefault(name, []).append((d.states[0].key, d.confidence))
    lines = []
    for kind, names in told.items():
        said = [_sided(name, places) for name, places in names.items()]
        lines.append(f"{c.first.name} {kind} {join(said)}.")
    return lines


def _sided(name: str, places: Iterable[tuple[LocusKey, float]]) -> str:
    places = list(places)
    sides = sorted({key[1] for key, _ in places})
    where = "" if len(sides) == 2 else f" on the {sides[0]}"
    unsure = " (uncertain)" if min(sure for _, sure in places) < UNCERTAIN_BELOW else ""
    return f"{name}{where}{unsure}"


# -- sizes


def _sizes(c: Comparison, measures: Iterable[Measure]) -> list[str]:
    """One sentence each, the greatest change (in standard errors) first; the rest is counted."""
    ranked = sorted(measures, key=lambda m: -abs(m.difference) / max(m.error, 1e-12))
    lines = [_size(c, m) for m in ranked[:_MOST]]
    if len(ranked) > _MOST:
        lines.append(
            f"{counted(len(ranked) - _MOST, 'more quantity', 'more quantities').capitalize()} differ; the table has them."
        )
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
                f"; {100 * back:.0f} ± {100 * error:.0f} % {greater} in {c.first.name} relative to the {c.reference}"
            )
        else:
            said += f"; no different relative to the {c.reference}"
    else:
        back, error = 1 / (1 + m.change) - 1, m.change_error / (1 + m.change) ** 2
        said += f", {100 * abs(back):.0f} ± {100 * error:.0f} % {'larger' if back > 0 else 'smaller'} in {c.first.name}"
    unsure = " [uncertain]" if m.confidence < UNCERTAIN_BELOW else ""
    return f"{said}{unsure}."
