"""Charts of comparisons, series and shape, each with its caption and its numbers."""

from __future__ import annotations

from .growth import series_chart
from .pairs import changes_chart, crowns_chart, distance_chart
from .shapes import allometry_chart, components_chart
from .sheet import FORMATS, Chart, write_chart

__all__ = [
    "FORMATS",
    "Chart",
    "allometry_chart",
    "changes_chart",
    "components_chart",
    "crowns_chart",
    "distance_chart",
    "series_chart",
    "write_chart",
]
