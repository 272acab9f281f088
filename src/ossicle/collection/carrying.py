"""Decisions made on one scan of a specimen, told in the mm of another, so that its next reading heeds them as well."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from ossicle.reading.records import Vector

from .anchors import Structure, Structures
from .history import BEARING, Decision
from .records import ReadingInfo

__all__ = ["carried", "others_of"]


def carried(decisions: Sequence[Decision], structures: Structures) -> list[Decision]:
    """Return decisions with those that bear on a reading told in the mm of the scan of ``structures``.

    What was made on a scan from which no way leads here stays as it is, and gives no hint.

    Parameters
    ----------
    decisions
        All of the specimen, in order.
    structures
        Of an earlier reading of the scan that is to be read, with the ways from other scans.
    """
    return [
        _one(d, structures)
        if d.kind in BEARING and d.anchors and d.scan != structures.scan and d.scan in structures.ways
        else d
        for d in decisions
    ]


def others_of(known: Sequence[ReadingInfo], key: str, decisions: Sequence[Decision]) -> list[ReadingInfo]:
    """Return of each scan but ``key`` on which something was decided the last of the readings ``known``."""
    scans = {d.scan for d in decisions} - {"", key}
    return list({r.scan_key: r for r in known if r.scan_key in scans}.values())


def _one(d: Decision, structures: Structures) -> Decision:
    anchors = tuple(replace(a, points_mm=structures.carried(a.points_mm, d.scan, a.structure)) for a in d.anchors)
    of = d.anchors[0].structure
    said: dict[str, Any] = dict(d.said)
    if "seeds_mm" in said:
        said["seeds_mm"] = [list(p) for p in structures.carried([_vector(p) for p in said["seeds_mm"]], d.scan, of)]
    for name in ("up", "front"):
        if said.get(name) is not None:
            said[name] = list(_turned(_vector(said[name]), structures, d.scan, of))
    return replace(d, scan=structures.scan, anchors=anchors, said=said)


def _turned(direction: Vector, structures: Structures, scan: str, of: Structure | None) -> Vector:
    start, end = structures.carried([(0.0, 0.0, 0.0), direction], scan, of)
    return (end[0] - start[0], end[1] - start[1], end[2] - start[2])


def _vector(value: Sequence[float]) -> Vector:
    return (float(value[0]), float(value[1]), float(value[2]))
