"""Scores of what is not a tooth: openings, angle of the jaw, ear region, measurements."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

Record = Mapping[str, Any]
# section, what identifies an entry, the values compared, whether the error is a share of the truth
COMPARED: tuple[tuple[str, tuple[str, ...], tuple[str, ...], bool], ...] = (
    ("openings", ("term", "side"), ("area_mm2", "length_mm", "width_mm"), True),
    ("jaw", ("side",), ("angular_process_inflection_deg",), False),
    (
        "ear",
        ("side",),
        ("stapes_minimum_thickness_mm", "oval_window_mm2", "round_window_mm2", "labyrinth_volume_mm3"),
        True,
    ),
    ("measurements", ("name",), ("value",), True),
)


def compare(truth: Record, account: Record) -> list[dict[str, Any]]:
    """One row per true value: section, key, value name, truth, what was said (None if nothing), error.

    Errors are signed; shares of the truth for areas, volumes and lengths, degrees for angles. Presence of the
    stapes is a row with error 0 (right) or 1 (wrong).
    """
    rows: list[dict[str, Any]] = []
    for section, keys, values, relative in COMPARED:
        said = {tuple(s.get(k) for k in keys): s for s in account.get(section) or []}
        for t in truth.get(section) or []:
            key = tuple(t.get(k) for k in keys)
            other = said.get(key, {})
            for v in values:
                if isinstance(t.get(v), (int, float)):
                    rows.append(_row(section, key, v, float(t[v]), other.get(v), relative))
            if section == "ear" and t.get("stapes") is not None:
                given = other.get("stapes")
                wrong = None if given in (None, "not_resolved") else float(given != t["stapes"])
                rows.append(
                    {
                        "section": section,
                        "key": list(key),
                        "value": "stapes",
                        "true": t["stapes"],
                        "said": given,
                        "error": wrong,
                    }
                )
    return rows


def _row(section: str, key: Sequence[Any], value: str, true: float, said: Any, relative: bool) -> dict[str, Any]:
    error = None
    if isinstance(said, (int, float)) and not isinstance(said, bool):
        error = float(said) - true
        if relative:
            error = error / true if true else (0.0 if not error else float("inf"))
    return {"section": section, "key": list(key), "value": value, "true": true, "said": said, "error": error}


def pool(rows: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Per section and value: true values, how many were given, median and 90th percentile of the error.

    Where rows say of which ``specimen`` they are and there are several, ``low`` and ``high`` are the 95 % bootstrap
    interval of the median, whole specimens resampled; else None.
    """
    groups: dict[tuple[str, str], list[Mapping[str, Any]]] = defaultdict(list)
    for r in rows:
        name = f"{r['key'][0]}" if r["section"] in {"measurements", "openings"} else ""
        groups[r["section"], f"{name} {r['value']}".strip()].append(r)
    out = []
    for (section, value), members in sorted(groups.items()):
        errors = np.abs([m["error"] for m in members if m["error"] is not None])
        low, high = _interval([(m.get("specimen"), abs(m["error"])) for m in members if m["error"] is not None])
        out.append(
            {
                "section": section,
                "value": value,
                "true": len(members),
                "given": len(errors),
                "median": float(np.median(errors)) if len(errors) else None,
                "low": low,
                "high": high,
                "p90": float(np.quantile(errors, 0.9)) if len(errors) else None,
            }
        )
    return out


def _interval(
    errors: Sequence[tuple[Any, float]], draws: int = 1000, seed: int = 0
) -> tuple[float | None, float | None]:
    by: dict[Any, list[float]] = defaultdict(list)
    for specimen, error in errors:
        by[specimen].append(error)
    if len(by) < 2:
        return None, None
    groups = list(by.values())
    picks = np.random.default_rng(seed).integers(0, len(groups), (draws, len(groups)))
    medians = [float(np.median([e for i in pick for e in groups[i]])) for pick in picks]
    low, high = np.quantile(medians, [0.025, 0.975])
    return float(low), float(high)
