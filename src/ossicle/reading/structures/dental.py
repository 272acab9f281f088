"""Enamel of the crowns in place, where the scan's voxels are fine enough for its thickness."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import edt
import fill_voids
import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation

from ..records import ToothRecord
from .enamel import enamel_thickness_2d, enamel_thickness_3d, sheet_thickness
from .loci import StandingTooth
from .records import EnamelThickness
from .space import Space

__all__ = ["LEAST_ENAMEL_VOXELS", "crown_enamel", "crown_section", "enamel_of_crowns", "sections_of_crowns"]

OUTER = 1.5
"""Average thickness over that of the cap taken as a sheet, at most: 1.42 on half-balls of 5 and 4, whose rim is broad.
"""
COVER = 1.5
"""Junction over the dentine's volume to two thirds, at least: 3.8 on a half-ball. Common practice, no source."""

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
            masks = _crown_masks(space, t, enamel)
            if masks is None:
                continue
            found = enamel_thickness_3d(masks[0], masks[1], space.spacing_mm_zyx)
            # blur joins thin enamel with dentine: the cap is then no sheet, or covers little of what it should
            sheet = sheet_thickness(masks[0], space.spacing_mm_zyx)
            least = LEAST_ENAMEL_VOXELS * space.voxel
            if (
                found is not None
                and least <= sheet
                and least <= found.average_mm <= OUTER * sheet
                and found.junction >= COVER * found.dentine ** (2 / 3)
            ):
                out[t.part] = found
    return out


def sections_of_crowns(
    space: Space, standing: Sequence[StandingTooth], caps: Mapping[int, EnamelThickness], enamel: float
) -> Mapping[int, EnamelThickness]:
    """Enamel in a section by part, of the crowns of which the thickness was told in 3D."""
    out = {}
    for t in standing:
        if t.part in caps:
            found = crown_section(space, t, enamel)
            if found is not None:
                out[t.part] = found
    return out


def crown_section(space: Space, tooth: StandingTooth, enamel: float) -> EnamelThickness | None:
    """Enamel thickness in the section across the tooth row through the crown's highest point before its middle.

    Measured as `crown_enamel`, in cells of half a voxel; None where the section holds no cap.
    """
    masks = _crown_masks(space, tooth, enamel)
    if masks is None:
        return None
    cap, core, low = masks
    at = np.argwhere(cap | core)
    points = space.skull_mm(at + low)
    up = 1.0 if tooth.jaw == "upper" else -1.0
    front = points[points[:, 2] >= float(np.median(points[:, 2]))]
    top = front[int(np.argmin(front[:, 1] * up))]
    flat = points[:, [0, 2]] - points[:, [0, 2]].mean(0)
    spread, ways = np.linalg.eigh(np.cov(flat.T))
    along = ways[:, 1] if spread[1] > 1.15 * spread[0] else np.array([0.0, 1.0])
    if abs(along[1]) < abs(along[0]):  # the row runs nearer to the long axis of the skull than across it
        along = np.array([0.0, 1.0])
    across = np.array([along[1], 0.0, -along[0]])
    reach = float(np.linalg.norm(np.ptp(points, axis=0)))
    step = 0.5 * space.voxel
    grid = np.arange(-reach, reach + step, step)
    plane = top + grid[:, None, None] * np.array([0.0, 1.0, 0.0]) + grid[None, :, None] * across
    index = np.rint(np.moveaxis(space.indices(plane), 0, -1) - low).astype(int)
    inside = ((index >= 0) & (index < np.array(cap.shape))).all(axis=-1)
    z, y, x = np.moveaxis(np.clip(index, 0, np.array(cap.shape) - 1), -1, 0)
    return enamel_thickness_2d(cap[z, y, x] & inside, core[z, y, x] & inside, (step, step))


def crown_enamel(space: Space, tooth: StandingTooth, enamel: float) -> EnamelThickness | None:
    """Measure one crown; None where it shows no enamel.

    Enamel is what is nearer to its own grey than to dentine's (that of bone), and the tooth's outermost voxels beside
    it, which blur has dimmed; dentine and pulp are the rest of the crown above the neck.
    """
    masks = _crown_masks(space, tooth, enamel)
    return None if masks is None else enamel_thickness_3d(masks[0], masks[1], space.spacing_mm_zyx)


def _crown_masks(
    space: Space, tooth: StandingTooth, enamel: float
) -> tuple[BoolArray, BoolArray, npt.NDArray[np.intp]] | None:
    """Masks (z, y, x) of a crown's enamel and of what it covers, above the neck, and where their first voxel lies."""
    box = space.box(tooth.part)
    if box is None or enamel < 1.15 or (space.labels[box] == tooth.part).sum() < 30:
        return None
    low = np.array([s.start for s in box])
    own: BoolArray = fill_voids.fill(space.labels[box] == tooth.part)
    bright: BoolArray = own & (space.values[box] > (1 + enamel) / 2)
    shell = own & (edt.edt(np.pad(own, 1), parallel=1)[1:-1, 1:-1, 1:-1] <= 1.5)
    cap = bright | (shell & binary_dilation(bright))
    height = space.skull_mm(np.argwhere(own) + low)[:, 1]
    up = 1.0 if tooth.jaw == "upper" else -1.0
    above = np.zeros(own.shape, bool)
    above[own] = height * up <= float(tooth.neck[1]) * up
    return cap & above, own & ~cap & above, low
