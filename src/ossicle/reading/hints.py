"""What a person decided, as plain input to a reading, anchored to points in the scan (mm, x y z)."""

from __future__ import annotations

from dataclasses import dataclass

from .records import Generation, Side, Vector

__all__ = ["Cut", "Discard", "Hints", "Join", "Midplane", "MissedTooth", "NameTooth", "PlaceLandmark", "SideIs"]


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
