"""Comparisons and series as plain data (JSON) and tables (CSV), for commands, the desk and files."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from .counterparts import counterparts
from .differences import Comparison, Measure
from .prose import sentences
from .registration import Placement
from .series.ordering import Series, eruption_intervals
from .series.placing import Placed
from .specimens import Compared

__all__ = [
    "comparison_to_dict",
    "counterparts_csv",
    "differences_csv",
    "placed_text",
    "placement_text",
    "placement_to_dict",
    "series_text",
    "series_to_dict",
]

SCHEMA = "ossicle-comparison/1"
SERIES_SCHEMA = "ossicle-series/1"


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, float):
        return round(value, 6) if math.isfinite(value) else None
    return value


def placement_to_dict(p: Placement) -> dict[str, Any]:
    """Return a placement as JSON values; single residuals only where they have names."""
    out: dict[str, Any] = _plain(
        {
            "way": p.way,
            "matrix": p.matrix,
            "scale": p.scale,
            "rms_mm": p.rms,
            "points": p.count,
            "residuals_mm": {name: r for name, r in p.residuals if name},
            "note": p.note,
        }
    )
    return out


def comparison_to_dict(c: Comparison, placement: Placement | None = None) -> dict[str, Any]:
    """Return a comparison as JSON values (schema ``ossicle-comparison/1``)."""
    out: dict[str, Any] = _plain(
        {
            "schema": SCHEMA,
            "specimens": [c.first.name, c.second.name],
            "placement": None if placement is None else placement_to_dict(placement),
            "differences": [
                {
                    "id": d.id,
                    "topic": d.topic,
                    "subject": d.subject,
                    "values": list(d.values),
                    "statement": d.statement,
                    "confidence": d.confidence,
                    "method": d.method,
                    "evidence": [asdict(e) for e in d.evidence],
                }
                for d in c.differences
            ],
            "measures": [_measure(m) for m in c.measures],
            "known_of_one_alone": [list(names) for names in c.alone],
            "reference": c.reference,
            "limit_standard_errors": c.limit,
            "prose": sentences(c),
            "notes": list(c.notes),
        }
    )
    return out


def _measure(m: Measure) -> dict[str, Any]:
    return {
        "name": m.name,
        "unit": m.unit,
        "values": [m.first.value, m.second.value],
        "errors": [m.first.error, m.second.error],
        "difference": m.difference,
        "difference_error": m.error,
        "differs": m.differs,
        "relative_to": m.reference,
        "relative_change": m.relative_change,
        "relative_change_error": m.relative_error,
        "relative_differs": m.relative_differs,
        "confidence": m.confidence,
        "method": m.first.method,
    }


def _table(head: Sequence[str], rows: Sequence[Sequence[Any]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(head)
    writer.writerows([[f"{v:.6g}" if isinstance(v, float) else v for v in row] for row in rows])
    return out.getvalue()


def differences_csv(c: Comparison) -> str:
    """Return the differences as CSV, one a row, with the parts that show it in either."""
    rows = [
        (
            d.topic,
            d.subject,
            *d.values,
            d.statement,
            d.confidence,
            d.method,
            *(" ".join(map(str, e.parts)) for e in d.evidence),
        )
        for d in c.differences
    ]
    head = ("topic", "subject", c.first.name, c.second.name, "statement", "confidence", "method")
    return _table((*head, f"parts of {c.first.name}", f"parts of {c.second.name}"), rows)


def counterparts_csv(specimens: Sequence[Compared], *, across_generations: bool = False) -> str:
    """Return the counterparts as CSV: one structure a row, its part number in each specimen, and who lacks it."""
    rows = []
    for c in counterparts(specimens, across_generations=across_generations):
        cells = ["" if h is None else " ".join(map(str, p)) or "yes" for h, p in zip(c.held, c.parts, strict=True)]
        rows.append((c.kind, c.name, c.side or "", *cells, ", ".join(c.missing(specimens))))
    return _table(("kind", "name", "side", *(f"part in {s.name}" for s in specimens), "missing in"), rows)


def placement_text(p: Placement, moved: str, fixed: str) -> str:
    """Return how well one specimen lies on another, in a sentence or two."""
    if p.way == "skull pose":
        return f"Both stand in skull pose; how well {moved} lies on {fixed} was not measured."
    scale = f", enlarged by {p.scale:.3f}" if abs(p.scale - 1) > 1e-9 else ""
    said = f"{moved} was laid on {fixed} by {p.way}{scale}: {p.count} points, root mean square {p.rms:.3f} mm apart"
    worst = max(((r, n) for n, r in p.residuals if n), default=None)
    said += f", most at {worst[1]} ({worst[0]:.2f} mm)." if worst else "."
    return f"{said} {p.note[0].upper()}{p.note[1:]}." if p.note else said


def series_to_dict(series: Series, placed: Sequence[Placed] = ()) -> dict[str, Any]:
    """Return a series, and what was placed in it, as JSON values (schema ``ossicle-series/1``)."""
    names = series.progress.names()
    out: dict[str, Any] = _plain(
        {
            "schema": SERIES_SCHEMA,
            "specimens": [
                {
                    "name": e.specimen.name,
                    "score": e.score,
                    "error": e.error,
                    "age": e.age,
                    "stage": e.stage,
                    "not_told_from_next": e.tied,
                    "out_of_line": list(e.out_of_line),
                    "progress": dict(zip(names, (float(v) for v in row), strict=True)),
                }
                for e, row in zip(series.entries, series.progress.values, strict=True)
            ],
            "erupts_between": {name: list(both) for name, both in eruption_intervals(series).items()},
            "spread": series.spread,
            "placed": [
                {
                    "name": p.specimen.name,
                    "score": p.score,
                    "interval_95": list(p.interval),
                    "after": p.after,
                    "before": p.before,
                    "earliest_after": p.earliest,
                    "latest_before": p.latest,
                    "stages": dict(p.stages),
                    "age": asdict(p.age),
                    "next_to_erupt": list(p.next),
                    "unlike": list(p.unlike),
                }
                for p in placed
            ],
            "notes": list(series.notes),
        }
    )
    return out


def series_text(series: Series) -> str:
    """Return the series as a table and its notes."""
    wide = max(len(e.specimen.name) for e in series.entries)
    lines = ["Specimens by eruption, young to old (score 0 to 1 ± standard error)"]
    for i, e in enumerate(series.entries, start=1):
        age = "" if e.age is None else f"  age {e.age:g}"
        lines.append(f"  {i:2}  {e.specimen.name:<{wide}}  {e.score:.3f} ± {e.error:.3f}  {e.stage or 'no stage'}{age}")
    lines += [f"  {note}" for note in series.notes]
    return "\n".join(lines) + "\n"


def placed_text(p: Placed) -> str:
    """Return in words where a specimen belongs, how sure, how old, what comes next."""
    name = p.specimen.name
    where = _between(p.after, p.before)
    lines = [f"{name} stands {where} (score {p.score:.3f}, 95 % interval {p.interval[0]:.3f} to {p.interval[1]:.3f})."]
    if (p.earliest, p.latest) != (p.after, p.before):
        lines.append(f"It may stand anywhere {_between(p.earliest, p.latest)}.")
    lines.append("Stage by its place: " + ", ".join(f"{s} {100 * c:.0f} %" for s, c in p.stages) + ".")
    a = p.age
    if a.estimate is not None or a.low is not None or a.high is not None:
        ends = ["no known bound" if v is None else f"{v:g}" for v in (a.low, a.high)]
        bounds = f"{ends[0]} to {ends[1]}"
        lines.append(f"Age, from those known: {'not told' if a.estimate is None else f'{a.estimate:.3g}'} ({bounds}).")
    if p.next:
        lines.append(f"Next to come through: {', '.join(p.next)}, by the order of this series.")
    if p.unlike:
        lines.append(f"Loci that do not fit its place: {', '.join(p.unlike)}.")
    return "\n".join(lines) + "\n"


def _between(after: str | None, before: str | None) -> str:
    if after is None:
        return f"before {before}"
    return f"after {after}" if before is None else f"between {after} and {before}"
