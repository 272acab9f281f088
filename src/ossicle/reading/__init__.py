"""Reading a skull: arrays in, records out."""

from .hints import Cut, Discard, Hints, Join, Midplane, MissedTooth, NameTooth, SideIs
from .pipeline import read
from .records import Part, Pose, Reading, Row, RowStrip, ScanStatistics, ToothObservation, ToothRecord

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
