"""How far a crown stands beyond the alveolar margin.

In a dry skull emergence is judged at the alveolar margin, not the gum (AlQahtani et al. 2010, Am. J. Phys.
Anthropol. 142:481). Round the crown, in sectors about its axis, the margin is the highest bone close to the
tooth; a follicle or a periodontal gap may lie between. What another tooth occupies says nothing and is left
out. A crown whose walls rise beyond its tip lies in its crypt, even where a pore leads out of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cc3d
import edt
import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter

from .crown import Crown

__all__ = ["Margin", "alveolar_margin", "emergence_fraction", "margin_reach"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

SECTORS = 16
COVERED = 0.4
"""Quantile of the sectors' crests that stands for the margin: below the middle, as other bone may pass close by on
one side."""
LID = 0.5
"""Share of a crown that another tooth must cover closely to hold it in its crypt."""
LIFTED = 0.3
"""Share of the crown beyond the margin from which a tooth close over it (a deciduous crown about to fall, the opposing
row) no longer holds it in its crypt."""
REACH = 0.6
"""How far from the tooth its margin is looked for, in mean crown diameters."""


@dataclass(frozen=True)
class Margin:
    """Alveolar margin round one crown: its height on the tooth's axis (mm, frame of the crown) and the share
    of sectors that show it."""

    height_mm: float
    seen: float
    roofed: bool


def margin_reach(crown: Crown, spacing: FloatArray) -> float:
    """How far from the tooth its margin is looked for, mm: the gap of a socket, or the follicle round a crown
    that comes through."""
    size = np.sqrt(max(crown.length_mm * crown.width_mm, 1e-9))
    return max(5.0 * float(spacing.max()), REACH * float(size))


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
    enough for bone, in a box that reaches `margin_reach` round the tooth; the blurred skirt of the teeth
    themselves is kept out, and so is bone that is not joined to what surrounds the tooth's lower part (the
    other jaw). ``coordinates`` (3, z, y, x) are the voxels' places in the crown's frame. Where no bone is
    near, the margin is taken at the tooth's lower end.
    """
    step = float(spacing.max())
    away = edt.edt(~own, anisotropy=tuple(float(s) for s in spacing), parallel=1)
    firm = bone & (away > 1.6 * step) & ~maximum_filter(other, 3)
    low = coordinates[2] < crown.cervix + 0.4 * crown.height_mm
    near = _joined(firm, low & (away < 5.0 * step)) & (away <= margin_reach(crown, spacing))
    if int(near.sum()) < 5:
        covered = _covered(own, other, coordinates, crown, step) > LID
        return Margin(crown.tip if covered else crown.base, 0.0, covered)
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
    little_out = len(known) == 0 or crown.tip - float(np.quantile(known, COVERED)) < LIFTED * crown.height_mm
    covered = little_out and _covered(own, other, coordinates, crown, step) > LID
    roofed = bool(((~beside) & (up > crown.tip)).sum() > 12)
    if len(known) == 0:
        return Margin(crown.tip if covered else crown.base, 0.0, covered or roofed)
    if covered:
        known = np.maximum(known, crown.tip)
    return Margin(float(np.quantile(known, COVERED)) + 0.5 * float(spacing.mean()), len(known) / SECTORS, roofed)


def _covered(own: BoolArray, other: BoolArray, coordinates: FloatArray, crown: Crown, step: float) -> float:
    """Share of the crown, seen along its axis, over which another tooth lies close: within three voxels or a third of
    its height."""
    places = np.floor(coordinates[:2, own] / step).astype(np.int64)
    low = places.min(axis=1, keepdims=True)
    span = places.max(axis=1) - low[:, 0] + 1
    top = np.full(int(span[0] * span[1]), -np.inf)
    np.maximum.at(top, (places[0] - low[0]) * span[1] + places[1] - low[1], coordinates[2, own])
    above = np.floor(coordinates[:2, other] / step).astype(np.int64) - low
    height = coordinates[2, other]
    inside = ((above >= 0) & (above < span[:, None])).all(axis=0)
    cell, height = above[0, inside] * span[1] + above[1, inside], height[inside]
    close = (height > top[cell]) & (height < top[cell] + max(3 * step, crown.height_mm / 3))
    held = np.zeros(len(top), bool)
    held[cell[close]] = True
    return float(held.sum() / max(int(np.isfinite(top).sum()), 1))


def _joined(bone: BoolArray, where: BoolArray) -> BoolArray:
    """Pieces of bone of at least 30 voxels that come to ``where``; all such pieces where none does."""
    pieces = cc3d.connected_components(bone, connectivity=6)
    large = np.bincount(pieces.ravel()) >= 30
    large[0] = False
    here = np.zeros(len(large), bool)
    here[pieces[where]] = True
    keep = large & here
    return np.asarray((keep if keep.any() else large)[pieces])


def emergence_fraction(margin: Margin, crown: Crown) -> float:
    """Share of the crown's height beyond the margin, 0 to 1."""
    if margin.seen == 0.0 and margin.height_mm < crown.tip:
        return 1.0
    return float(np.clip((crown.tip - margin.height_mm) / max(crown.height_mm, 1e-6), 0.0, 1.0))
