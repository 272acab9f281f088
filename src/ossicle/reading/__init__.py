"""Reading a skull: arrays in, records out. What reads (`read`) is loaded when it is first asked for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .hints import Cut, Discard, Hints, Join, Midplane, MissedTooth, NameTooth, SideIs
from .records import Part, Pose, Reading, Row, RowStrip, ScanStatistics, ToothObservation, ToothRecord

if TYPE_CHECKING:
    from .pipeline import read

__all__ = [
    "Cut",
    "Discard",
    "Hints",
    "Join",
    "Midplane",
    "MissedTooth",
    "NameTooth",
    "Part",
    "Pose",
    "Reading",
    "Row",
    "RowStrip",
    "ScanStatistics",
    "SideIs",
    "ToothObservation",
    "ToothRecord",
    "read",
]


def __getattr__(name: str) -> Any:
    if name == "read":
        from .pipeline import read

        return read
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
