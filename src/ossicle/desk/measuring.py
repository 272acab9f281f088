"""Measures that a person takes: lengths, angles, areas, and those with a definition; each with the error of its points.

A point placed in a scan is taken to lie within half a voxel of where it is meant (uniform, so a standard error of a
voxel's edge over the square root of 12 along each axis); errors are carried through to first order. What a hand adds is
told by repeated rounds (`ossicle.anatomy.repeats`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from ossicle.anatomy import repeats
from ossicle.anatomy.measurements import MeasurementDefinition, load_measurements, measurement
from ossicle.errors import OssicleError

__all__ = ["definitions", "measured", "repeat_statistics"]

FloatArray = npt.NDArray[np.float64]
_AXES = {
    "along the long axis": 2,
    "across the long axis": 0,
    "from above down": 1,
    "from above down, jaw closed": 1,
}
"""Axis of skull coordinates along which a definition's distance counts, by its plane; elsewhere it is straight."""
_ASKED = {"length": (2, 2), "angle": (3, 3), "area": (3, 400)}


def definitions() -> list[dict[str, Any]]:
    """Return the definitions of measurements, as the page lists them."""
    return [
        {
            "id": d.id,
            "name": d.name,
            "definition": d.definition,
            "unit": d.unit,
            "source": d.source,
            "status": d.status,
            "ends": [e.strip() for e in d.ends.split(";") if e.strip()],
            "plane": d.plane,
            "sides": d.sides,
        }
        for d in load_measurements().values()
    ]


def measured(
    kind: str, points_mm: npt.ArrayLike, voxel_mm: float, scan_to_skull: FloatArray, name: str | None = None
) -> dict[str, Any]:
    """Return a measure: ``value``, ``unit``, ``error`` (standard error), ``method``.

    Parameters
    ----------
    kind
        ``length`` (two points), ``angle`` (three, the vertex in the middle), ``area`` (a closed outline of three or
        more, which need not be flat: its vector area), or ``definition``: the distance of two points as the
        definition ``name`` counts it.
    points_mm
        (n, 3), scan mm.
    voxel_mm
        Edge of a voxel.
    scan_to_skull
        For definitions that count along an axis of the skull.

    Raises
    ------
    OssicleError
        Too few points, or points that make no such measure.
    """
    points = np.asarray(points_mm, float).reshape(-1, 3)
    definition: MeasurementDefinition | None = None
    if kind == "definition":
        if not name:
            raise OssicleError("no definition is named", where="name", mend="give the id of one")
        definition = measurement(name)
    elif kind not in _ASKED:
        raise OssicleError(f"no measure is called {kind!r}", where="kind", mend="say length, angle, area or definition")
    least, most = _ASKED.get(kind, (2, 2))
    if not least <= len(points) <= most or not np.isfinite(points).all():
        wanted = f"{least}" if least == most else f"{least} or more"
        raise OssicleError(f"this takes {wanted} points, {len(points)} were given", where="points", mend="place them")
    skull = points @ scan_to_skull[:3, :3].T + scan_to_skull[:3, 3]
    unit, method = "mm", "distance of two points"
    taken: Callable[[FloatArray], float] = _length
    if kind == "angle":
        taken, unit, method = _angle, "deg", "angle at the second of three points"
    elif kind == "area":
        taken, unit, method = _area, "mm2", "vector area of the closed outline (half the sum of cross products)"
    elif definition is not None:
        axis = _AXES.get(definition.plane)
        method = f"{definition.name}: {definition.definition} ({definition.source}); {definition.plane or 'straight'}"
        if axis is not None:
            taken = lambda p: float(abs(p[1, axis] - p[0, axis]))  # noqa: E731
    value = taken(skull)
    if not np.isfinite(value):
        raise OssicleError("these points make no such measure", where="points", mend="place them apart")
    return {
        "kind": kind,
        "name": None if definition is None else definition.id,
        "value": round(value, 5),
        "unit": unit,
        "error": round(_carried(taken, skull, voxel_mm / np.sqrt(12)), 5),
        "method": method,
    }


def _length(p: FloatArray) -> float:
    return float(np.linalg.norm(p[1] - p[0]))


def _angle(p: FloatArray) -> float:
    a, b = p[0] - p[1], p[2] - p[1]
    if not (np.linalg.norm(a) > 0 and np.linalg.norm(b) > 0):
        return float("nan")
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b)))


def _area(p: FloatArray) -> float:
    q = p - p.mean(axis=0)
    return float(np.linalg.norm(np.cross(q, np.roll(q, -1, axis=0)).sum(axis=0)) / 2)


def _carried(taken: Callable[[FloatArray], float], points: FloatArray, sigma: float) -> float:
    """Standard error of a measure whose points are off by ``sigma`` along each axis, to first order."""
    step = max(sigma, 1e-6) * 0.05
    total = 0.0
    for place in np.ndindex(*points.shape):
        up, down = points.copy(), points.copy()
        up[place] += step
        down[place] -= step
        total += ((taken(up) - taken(down)) / (2 * step)) ** 2
    return float(np.sqrt(total) * sigma)


def repeat_statistics(rows: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Return, for each name and person, how well rounds repeat.

    ``rows`` are the repeated measures of any number of specimens, each with ``specimen``, ``name``, ``who``, ``round``
    and ``value``. Told are the count, mean and standard deviation of all rounds of the first specimen named in the
    rows with more than one; and, where two specimens or more have rounds 1 and 2, the technical error of measurement.
    """
    out = []
    for name, who in dict.fromkeys((str(r["name"]), str(r["who"])) for r in rows):
        own = [r for r in rows if (r["name"], r["who"]) == (name, who)]
        by_specimen: dict[int, dict[int, float]] = {}
        for r in own:
            by_specimen.setdefault(int(r["specimen"]), {})[int(r["round"])] = float(r["value"])
        told: dict[str, Any] = {"name": name, "who": who, "unit": own[-1].get("unit"), "specimens": []}
        for specimen, rounds in sorted(by_specimen.items()):
            values = np.array([rounds[k] for k in sorted(rounds)])
            entry: dict[str, Any] = {
                "specimen": specimen,
                "rounds": {str(k): rounds[k] for k in sorted(rounds)},
                "n": len(values),
                "mean": round(float(values.mean()), 5),
                "sd": round(float(values.std(ddof=1)), 5) if len(values) > 1 else None,
                "tem": None,
            }
            if 1 in rounds and 2 in rounds:
                entry["tem"] = round(repeats.technical_error([rounds[1]], [rounds[2]]), 5)
            told["specimens"].append(entry)
        twice = [r for r in by_specimen.values() if 1 in r and 2 in r]
        told["tem"] = told["tem_percent"] = told["reliability"] = None
        if len(twice) >= 2:
            found = repeats.repeatability([r[1] for r in twice], [r[2] for r in twice])
            told |= {
                "tem": round(found.tem, 5),
                "tem_percent": round(found.relative_percent, 4),
                "reliability": round(found.reliability, 5) if np.isfinite(found.reliability) else None,
            }
        told["method"] = (
            "technical error of measurement, sqrt(sum d^2 / 2N) (Ulijaszek & Kerr 1999; Perini et al. 2005)"
        )
        out.append(told)
    return out
