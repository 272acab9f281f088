"""Enamel of the crowns in place, where the scan's voxels are fine enough for its thickness."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import edt
import fill_voids
import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation

from ..records import ToothRecord
from .enamel import EnamelThickness, enamel_thickness_3d
from .loci import StandingTooth
from .space import Space

__all__ = ["LEAST_ENAMEL_VOXELS", "crown_enamel", "enamel_of_crowns"]

BoolArray = npt.NDArray[np.bool_]

LEAST_ENAMEL_VOXELS = 3.0
"""Mean thickness of enamel, in voxels, under which it is not told: blur then reaches through it."""


def enamel_of_crowns(
    space: Space, standing: Sequence[StandingTooth], teeth: Sequence[ToothRecord], enamel: float
) -> Mapping[int, EnamelThickness]:
    """Enamel thickness by part, for whole unworn crowns in place; ``enamel`` is its grey (surround 0, bone 1)."""
    whole = {t.part for t in teeth if t.completeness == "complete" and t.emergence == "erupted"}
    out = {}
    for t in standing:
        if t.part in whole:
            found = crown_enamel(space, t, enamel)
            if found is not None and found.average_mm >= LEAST_ENAMEL_VOXELS * space.voxel:
                out[t.part] = found
    return out


def crown_enamel(space: Space, tooth: StandingTooth, enamel: float) -> EnamelThickness | None:
    """Measure one crown; None where it shows no enamel.

    Enamel is what is nearer to its own grey than to dentine's (that of bone), and the tooth's outermost voxels beside
    it, which blur has dimmed; dentine and pulp are the rest of the crown above the neck.
    """
    where = np.argwhere(space.labels == tooth.part)
    if len(where) < 30 or enamel < 1.15:
        return None
    low, high = where.min(0), where.max(0) + 1
    box = tuple(slice(int(a), int(b)) for a, b in zip(low, high, strict=True))
    own: BoolArray = fill_voids.fill(space.labels[box] == tooth.part)
    bright: BoolArray = own & (space.values[box] > (1 + enamel) / 2)
    shell = own & (edt.edt(np.pad(own, 1), parallel=1)[1:-1, 1:-1, 1:-1] <= 1.5)
    cap = bright | (shell & binary_dilation(bright))
    height = space.skull_mm(np.argwhere(own) + low)[:, 1]
    up = 1.0 if tooth.jaw == "upper" else -1.0
    above = np.zeros(own.shape, bool)
    above[own] = height * up <= float(tooth.neck[1]) * up
    return enamel_thickness_3d(cap & above, own & ~cap & above, space.spacing_mm_zyx)
