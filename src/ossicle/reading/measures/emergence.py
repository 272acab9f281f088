"""How far a crown stands beyond the alveolar margin.

In a dry skull emergence is judged at the alveolar margin, not the gum (AlQahtani et al. 2010, Am. J. Phys.
Anthropol. 142:481). Round the crown, in sectors about its axis, the margin is the highest bone close to the
tooth; a follicle or a periodontal gap may lie between. What another tooth occupies says nothing and is left
out. A crown whose walls rise beyond its tip lies in its crypt, even where a pore leads out of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import edt
import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation, binary_opening

from .crown import Crown

__all__ = ["Margin", "alveolar_margin", "emergence_fraction"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

SECTORS = 16


@dataclass(frozen=True)
class Margin:
    """Alveolar margin round one crown: its height on the tooth's axis (mm, frame of the crown) and the share
    of sectors that show it."""

    height_mm: float
    seen: float
    roofed: bool


def alveolar_margin(
    own: BoolArray,
    other: BoolArray,
    bone: BoolArray,
    coordinates: FloatArray,
    crown: Crown,
    spacing: FloatArray,
) -> Margin:
    """Find the margin round a crown.

    ``own``, ``other`` and ``bone`` are masks (z, y, x) of the tooth, of other teeth and of what is bright
    enough for bone, in the tooth's box; the blurred skirt of the teeth themselves is kept out.
    ``coordinates`` (3, z, y, x) the voxels' places in the crown's frame. Where no bone is near, the margin is
    taken at the tooth's lower end.
    """
    size = np.sqrt(max(crown.length_mm * crown.width_mm, 1e-9))
    reach = max(4.0 * float(spacing.max()), 0.35 * size)
    away = edt.edt(~own, anisotropy=tuple(float(s) for s in spacing), parallel=1)
    step = float(spacing.max())
    firm = bone & (away > 1.6 * step) & ~binary_dilation(other, np.ones((3, 3, 3), bool))
    near = binary_opening(firm) & (away <= reach)
    if int(near.sum()) < 5:
        return Margin(crown.base, 0.0, False)
    centre = (crown.points[crown.covered].min(axis=0) + crown.points[crown.covered].max(axis=0)) / 2
    along, across, up = (coordinates[k][near] for k in range(3))
    angle = np.arctan2((across - centre[1]) / crown.width_mm, (along - centre[0]) / crown.length_mm)
    radius = np.hypot((across - centre[1]) / crown.width_mm, (along - centre[0]) / crown.length_mm)
    sector = np.minimum(((angle / (2 * np.pi) + 0.5) * SECTORS).astype(int), SECTORS - 1)
    heights = np.full(SECTORS, np.nan)
    beside = radius > 0.3
    for k in range(SECTORS):
        column = up[(sector == k) & beside]
        if len(column) >= 4:
            heights[k] = np.partition(column, -3)[-3]
    known = heights[np.isfinite(heights)]
    over = (~beside) & (up > crown.tip)
    roofed = bool(over.sum() > 12)
    if len(known) == 0:
        return Margin(crown.base, 0.0, roofed)
    return Margin(float(np.median(known)) + 0.5 * float(spacing.mean()), len(known) / SECTORS, roofed)


def emergence_fraction(margin: Margin, crown: Crown) -> float:
    """Share of the crown's height beyond the margin, 0 to 1."""
    if margin.seen == 0.0:
        return 1.0
    return float(np.clip((crown.tip - margin.height_mm) / max(crown.height_mm, 1e-6), 0.0, 1.0))
