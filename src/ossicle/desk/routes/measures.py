"""Landmarks, measures and repeated rounds."""

from __future__ import annotations

import time
from typing import Any

from fastapi import APIRouter
from pydantic import BaseModel, Field

from ossicle.collection.repeats import add_repeat, repeats_of
from ossicle.errors import OssicleError

from ..measuring import definitions, measured, repeat_statistics
from ..workbench import rounded
from .common import Bench

__all__ = ["router"]

router = APIRouter(tags=["measures"])
Json = dict[str, Any]


class Measure(BaseModel):
    """A measure to take: ``length``, ``angle``, ``area`` or ``definition``; points in scan mm."""

    kind: str
    points: list[list[float]] = Field(max_length=400)
    name: str | None = None


class Repeat(BaseModel):
    """One round of a measure: its value, or the points that it is taken from."""

    name: str = Field(min_length=1, max_length=200)
    round: int = Field(ge=1, le=99)
    who: str | None = None
    value: float | None = Field(default=None, allow_inf_nan=False)
    unit: str = Field(default="mm", max_length=20)
    kind: str | None = None
    points: list[list[float]] | None = Field(default=None, max_length=400)


@router.get("/specimens/{number}/landmarks")
def landmarks(number: int, bench: Bench) -> list[Json]:
    """Landmarks of a specimen in scan mm, found by the reading or placed by a person (whose word goes before)."""
    shown = bench.shown(number)
    out: dict[str, Json] = {}
    for row in shown.account.landmarks:
        out[str(row["name"])] = {
            "name": row["name"],
            "text": row.get("definition") or row["name"],
            "point_scan_mm": rounded(row["point_mm_xyz"]) if row.get("point_mm_xyz") is not None else None,
            "decided_by": row.get("decided_by", "computed"),
            "confidence": row.get("confidence"),
        }
    for name, point in shown.replayed.landmarks.items():
        known = out.get(name, {"name": name, "text": name, "confidence": 1.0})
        out[name] = {**known, "point_scan_mm": rounded(point), "decided_by": "person", "confidence": 1.0}
    return list(out.values())


@router.get("/definitions")
def measurement_definitions() -> list[Json]:
    """The definitions of measurements, with their sources."""
    return definitions()


@router.post("/specimens/{number}/measure")
def measure(number: int, asked: Measure, bench: Bench) -> Json:
    """Take a measure; nothing is kept."""
    shown = bench.shown(number)
    return measured(asked.kind, _points(asked.points), max(shown.spacing), shown.scan_to_skull, asked.name)


@router.post("/specimens/{number}/repeats")
def repeat(number: int, said: Repeat, bench: Bench) -> list[Json]:
    """Keep one round of a measure, and return how well rounds repeat."""
    bench.writable()
    shown = bench.shown(number)
    value, unit = said.value, said.unit
    if value is None:
        if said.points is None:
            raise OssicleError("neither a value nor points are given", where="value", mend="give one of the two")
        kind = said.kind or "length"
        name = said.name if kind == "definition" else None
        found = measured(kind, _points(said.points), max(shown.spacing), shown.scan_to_skull, name)
        value, unit = found["value"], found["unit"]
    row = {
        "name": " ".join(said.name.split()),
        "who": bench.who(said.who),
        "round": said.round,
        "value": value,
        "unit": unit,
        "points_scan_mm": said.points,
        "at": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
    }
    add_repeat(bench.cabinet.layout, number, row)
    return repeats(number, bench)


@router.get("/specimens/{number}/repeats")
def repeats(number: int, bench: Bench) -> list[Json]:
    """How well this specimen's repeated measures repeat; the technical error over all specimens that have them."""
    bench.cabinet.specimen(f"#{number}")
    own = {(r["name"], r["who"]) for r in repeats_of(bench.cabinet.layout, number)}
    rows = [r for r in repeats_of(bench.cabinet.layout) if (r["name"], r["who"]) in own]
    return repeat_statistics(rows)


def _points(points: list[list[float]]) -> list[list[float]]:
    if any(len(p) != 3 for p in points):
        raise OssicleError("a point has three numbers", where="points", mend="write [x, y, z] in mm")
    return points
