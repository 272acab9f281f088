"""Where the teeth stand, as far as palate and jaws are read by them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..records import Jaw, Side, ToothClass, ToothRecord
from .space import Space

__all__ = ["StandingTooth", "standing_teeth"]

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class StandingTooth:
    """A tooth in place: its voxels' box in skull mm, and the centre of its crown's half."""

    part: int
    name: str
    jaw: Jaw
    side: Side
    tooth_class: ToothClass
    position: int
    low: FloatArray
    high: FloatArray
    neck: FloatArray
    crown_low: FloatArray
    crown_high: FloatArray
    neck_low: FloatArray
    neck_high: FloatArray
    erupted: bool = True


def standing_teeth(space: Space, teeth: Sequence[ToothRecord]) -> list[StandingTooth]:
    """Return the erupted and erupting teeth with their extents, in order of part.

    The crown is what stands beyond the neck; the neck is taken at ``crown_height_mm`` from the occlusal end.
    """
    out = []
    for t in teeth:
        where = space.voxels(t.part) if t.emergence != "in_crypt" else np.zeros((0, 3))
        if len(where) < 8:
            continue
        points = space.skull_mm(where)
        up = 1.0 if t.jaw == "upper" else -1.0
        height = points[:, 1] * up
        tip = float(np.quantile(height, 0.003))
        tall = t.crown_height_mm if np.isfinite(t.crown_height_mm) else 0.45 * float(np.ptp(height))
        crown = points[height <= tip + max(1.1 * tall, 2 * space.voxel)]  # leaning crowns reach lower on one side
        # the alveolar margin lies a little rootward of the neck
        neck = points[np.abs(height - tip - tall - space.voxel) < space.voxel]
        half = 0.5 * space.voxel
        at_neck = neck if len(neck) else points
        out.append(
            StandingTooth(
                t.part,
                t.name,
                t.jaw,
                t.side,
                t.tooth_class,
                t.position,
                points.min(0) - half,
                points.max(0) + half,
                at_neck.mean(0),
                crown.min(0) - half,
                crown.max(0) + half,
                at_neck.min(0) - half,
                at_neck.max(0) + half,
                t.emergence == "erupted",
            )
        )
    return out
