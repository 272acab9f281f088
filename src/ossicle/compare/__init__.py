"""Specimens side by side: counterparts, one pose and scale, differences, growth series, shape.

Nothing here reads a scan: it works on accounts and, for surfaces, on the labels that were written with them. Charts
stand in `ossicle.compare.charts`, shape statistics in `ossicle.compare.shape`.
"""

from __future__ import annotations

from .counterparts import Counterpart, LocusState, counterparts, locus_states
from .crowns import Crown, CrownsApart, Molarity, crown_of, crowns_apart, molarity
from .differences import Comparison, Difference, Measure, compare_two, limit_for
from .landmarks import landmarks_of
from .prose import comparison_text, sentences
from .quantities import Quantity, quantities, reference_length
from .registration import Placement, by_landmarks, by_pose, by_surfaces, closest_points, mirrored_side
from .report import (
    comparison_to_dict,
    counterparts_csv,
    differences_csv,
    placed_text,
    placement_text,
    placement_to_dict,
    series_text,
    series_to_dict,
)
from .series import Placed, Series, arrange, eruption_intervals, expected_next, next_by_order, place
from .sides import Sides, one_side_on_the_other
from .specimens import Compared, from_collection, from_folder, named_apart, part_numbers
from .surfaces import Apart, Surface, apart, surface_of

__all__ = [
    "Apart",
    "Compared",
    "Comparison",
    "Counterpart",
    "Crown",
    "CrownsApart",
    "Difference",
    "LocusState",
    "Measure",
    "Molarity",
    "Placed",
    "Placement",
    "Quantity",
    "Series",
    "Sides",
    "Surface",
    "apart",
    "arrange",
    "by_landmarks",
    "by_pose",
    "by_surfaces",
    "closest_points",
    "compare_two",
    "comparison_text",
    "comparison_to_dict",
    "counterparts",
    "counterparts_csv",
    "crown_of",
    "crowns_apart",
    "differences_csv",
    "eruption_intervals",
    "expected_next",
    "from_collection",
    "from_folder",
    "landmarks_of",
    "limit_for",
    "locus_states",
    "mirrored_side",
    "molarity",
    "named_apart",
    "next_by_order",
    "one_side_on_the_other",
    "part_numbers",
    "place",
    "placed_text",
    "placement_text",
    "placement_to_dict",
    "quantities",
    "reference_length",
    "sentences",
    "series_text",
    "series_to_dict",
    "surface_of",
]
