"""Landmarks of all measures, and measures anew where a person placed an end of theirs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from ossicle.anatomy.measurements import MeasurementDefinition, load_measurements

from ..records import Side
from .lengths import Ruler, marks_of
from .records import JawHalf, Measured

__all__ = ["marks_at", "with_placed"]

FloatArray = npt.NDArray[np.float64]
SIDES: tuple[Side, Side] = ("left", "right")
JAW = ("mandible_length", "coronoid_height")


def marks_at(measured: Sequence[Measured]) -> dict[str, FloatArray]:
    """Every end of every measure, by the landmark's name."""
    return {name: end for m in measured for name, end in zip(m.marks, m.ends, strict=True) if name}


def with_placed(
    measured: Sequence[Measured], placed: Mapping[str, FloatArray], ruler: Ruler, jaws: Sequence[JawHalf]
) -> list[Measured]:
    """Measures with the ends that a person placed (skull mm), those added whose two ends were both placed.

    A measure whose ends were moved so that nothing is left of it, or onto the edge of the scan, is left out.
    """
    if not placed:
        return list(measured)
    out: list[Measured] = []
    for m in measured:
        if not set(m.marks) & set(placed):
            out.append(m)
            continue
        a, b = (placed.get(name, end) for name, end in zip(m.marks, m.ends, strict=True))
        again = ruler.along(m.name, m.definition, a, b, m.along, m.side)
        if again is not None:
            out.append(again)
    there = {(m.definition, m.side) for m in measured}
    ups = {j.side: j.up for j in jaws}
    for definition in load_measurements().values():
        sides: tuple[Side | None, ...] = SIDES if definition.sides == "paired" else (None,)
        for side in sides if definition.marks else ():
            name = definition.name if side is None else f"{definition.name} {side}"
            a_name, b_name = marks_of(definition.id, side)
            if (definition.id, side) in there or a_name not in placed or b_name not in placed:
                continue
            way = _way(definition, None if side is None else ups.get(side))
            found = ruler.along(name, definition.id, placed[a_name], placed[b_name], way, side)
            if found is not None:
                out.append(found)
    return out


def _way(definition: MeasurementDefinition, up: FloatArray | None) -> FloatArray | None:
    """The direction in which a measure counts."""
    axis = {"across the long axis": 0, "along the long axis": 2}.get(definition.plane)
    if axis is not None:
        return np.asarray(np.eye(3)[axis])
    if definition.id in JAW:
        raised = np.array([0.0, 1.0, 0.0]) if up is None else up
        return raised if definition.id == "coronoid_height" else np.cross(np.array([1.0, 0.0, 0.0]), raised)
    return None
