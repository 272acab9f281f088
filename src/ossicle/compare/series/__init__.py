"""Growth series: specimens in order of eruption, a new one placed among them, what is to erupt next."""

from __future__ import annotations

from .ordering import Course, Entry, Series, arrange, eruption_intervals
from .placing import AgeInterval, Placed, age_of, expected_next, next_by_order, place
from .progress import Progress, progress_of

__all__ = [
    "AgeInterval",
    "Course",
    "Entry",
    "Placed",
    "Progress",
    "Series",
    "age_of",
    "arrange",
    "eruption_intervals",
    "expected_next",
    "next_by_order",
    "place",
    "progress_of",
]
