"""What a person decided, as plain input to a reading, anchored to points in the scan (mm, x y z)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from .records import Generation, Side, Vector

__all__ = [
    "Cut",
    "Discard",
    "Hints",
    "Join",
    "Midplane",
    "MissedTooth",
    "NameTooth",
    "PlaceLandmark",
    "SideIs",
    "said_to_be_teeth",
    "shifted",
]


@dataclass(frozen=True)
class NameTooth:
    """The tooth that holds ``point_mm`` is ``name`` (``dP3``), of ``generation`` where that is given."""

    point_mm: Vector
    name: str | None = None
    generation: Generation | None = None


@dataclass(frozen=True)
class Join:
    """The structures that hold these points are one tooth."""

    points_mm: tuple[Vector, ...]


@dataclass(frozen=True)
class Cut:
    """The tooth that holds ``point_mm`` is several: one for each of ``seeds_mm``."""

    point_mm: Vector
    seeds_mm: tuple[Vector, ...]


@dataclass(frozen=True)
class Discard:
    """What holds ``point_mm`` is no tooth."""

    point_mm: Vector


@dataclass(frozen=True)
class MissedTooth:
    """A tooth stands at ``point_mm`` that the reading missed."""

    point_mm: Vector


@dataclass(frozen=True)
class Midplane:
    """The midplane runs through these three points or more; ``up_mm`` and ``front_mm`` are directions in scan axes."""

    points_mm: tuple[Vector, ...] = ()
    up_mm: Vector | None = None
    front_mm: Vector | None = None


@dataclass(frozen=True)
class SideIs:
    """What lies at ``point_mm`` belongs to the animal's ``side``."""

    point_mm: Vector
    side: Side


@dataclass(frozen=True)
class PlaceLandmark:
    """The landmark ``name``, as the account calls it (``basion``), lies at ``point_mm``."""

    name: str
    point_mm: Vector


@dataclass(frozen=True)
class Hints:
    """All decisions of one specimen that bear on its reading."""

    names: tuple[NameTooth, ...] = ()
    joins: tuple[Join, ...] = ()
    cuts: tuple[Cut, ...] = ()
    discards: tuple[Discard, ...] = ()
    missed: tuple[MissedTooth, ...] = ()
    midplane: Midplane | None = None
    sides: tuple[SideIs, ...] = ()
    landmarks: tuple[PlaceLandmark, ...] = ()


def shifted(hints: Hints, offset_mm_xyz: Sequence[float] | npt.NDArray[np.float64]) -> Hints:
    """Return hints in the coordinates of a part of the scan whose first voxel lies at ``offset_mm_xyz`` (x, y, z)."""
    dx, dy, dz = (float(v) for v in offset_mm_xyz)
    if not (dx or dy or dz):
        return hints

    def one(p: Vector) -> Vector:
        return (p[0] - dx, p[1] - dy, p[2] - dz)

    def many(points: Sequence[Vector]) -> tuple[Vector, ...]:
        return tuple(one(p) for p in points)

    middle = hints.midplane
    return Hints(
        names=tuple(replace(n, point_mm=one(n.point_mm)) for n in hints.names),
        joins=tuple(Join(many(j.points_mm)) for j in hints.joins),
        cuts=tuple(Cut(one(c.point_mm), many(c.seeds_mm)) for c in hints.cuts),
        discards=tuple(Discard(one(d.point_mm)) for d in hints.discards),
        missed=tuple(MissedTooth(one(m.point_mm)) for m in hints.missed),
        midplane=None if middle is None else replace(middle, points_mm=many(middle.points_mm)),
        sides=tuple(replace(s, point_mm=one(s.point_mm)) for s in hints.sides),
        landmarks=tuple(replace(p, point_mm=one(p.point_mm)) for p in hints.landmarks),
    )


def said_to_be_teeth(hints: Hints) -> tuple[Vector, ...]:
    """Return points in teeth at a person's word: who names a thing, joins, cuts or adds it calls it a tooth."""
    return (
        *(m.point_mm for m in hints.missed),
        *(n.point_mm for n in hints.names),
        *(s.point_mm for s in hints.sides),
        *(p for j in hints.joins for p in j.points_mm),
        *(p for c in hints.cuts for p in c.seeds_mm),
    )
