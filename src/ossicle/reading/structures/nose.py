"""The nasal cavity: the air between palate, roof and side walls of the snout, from the nares to the choanae.

As in the braincase, a flood from within and one from without meet where the ways between are narrowest: at the nares,
the choanae and the palate's openings. From within it begins where the cranium's bone lies above and below and on both
sides; air without such a roof, or behind the palate without a floor, lies without.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import cc3d
import edt
import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation
from skimage.segmentation import watershed

from .braincase import Cavity
from .records import Palate, Value
from .space import Block, Space

__all__ = ["Nose", "find_nose"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

MOST_CELLS = 1_600_000
INSIDE, OUTSIDE, BRAIN = 1, 2, 3
LEAST_CELLS = 400


@dataclass(frozen=True)
class Nose:
    """The nasal cavity's cells in a box, and its volume (mm3)."""

    block: Block
    within: BoolArray
    volume_mm3: Value

    @property
    def points(self) -> FloatArray:
        """Its cells (n, 3), skull mm."""
        return self.block.point(np.argwhere(self.within))


def find_nose(
    space: Space, cranium: int, palate: Palate, cavity: Cavity, apart: Collection[int] = ()
) -> tuple[Nose | None, str]:
    """Find the nasal cavity; None with the reason.

    ``apart`` are labels (dentaries, lower teeth) that wall nothing here.
    """
    where = np.argwhere(space.labels[::3, ::3, ::3] == cranium) * 3
    skin = space.skull_mm(where)
    brain = cavity.block.point(np.argwhere(cavity.within))
    hind = min(palate.hind_border_z, float(np.quantile(brain[:, 2], 0.98)))
    front = float(skin[:, 2].max())
    if front - hind < 20 * space.voxel:
        return None, "too little of the snout lies in the scan"
    snout = skin[skin[:, 2] > palate.hind_border_z]
    half = float(np.abs(snout[:, 0]).max())
    low = np.array([-half, float(snout[:, 1].min()), hind - 0.1 * (front - hind)])
    high = np.array([half, float(snout[:, 1].max()), front]) + 3 * space.voxel
    low[:2] -= 3 * space.voxel
    step = max(space.voxel, float(np.cbrt(np.prod(high - low) / MOST_CELLS)))
    block = space.block(low, high, step, labels=True)
    assert block.labels is not None
    solid = (block.values > 0.5) & ~np.isin(block.labels, list(apart))
    void = ~solid
    above, below, left, right = _walls(solid)
    height = np.broadcast_to(block.axis(2), solid.shape)
    behind = height < palate.hind_border_z
    depth = edt.edt(void, anisotropy=(step,) * 3, black_border=False, parallel=1)
    markers = np.zeros(solid.shape, np.int32)
    edge = np.ones(solid.shape, bool)
    edge[1:-1, 1:-1, 1:-1] = False
    markers[void & (edge | ~above | ~(left & right) | (behind & ~below))] = OUTSIDE
    markers[void & _of_brain(block, cavity)] = BRAIN
    closed = void & above & below & left & right & ~behind & (markers == 0)
    inner = closed & (np.abs(block.axis(0)) < 0.5 * half)[:, None, None]
    if inner.sum() < LEAST_CELLS:
        return None, "no space in the snout has the cranium's bone above, below and on both sides"
    markers[inner & (depth > 0.6 * float(np.quantile(depth[inner], 0.98)))] = INSIDE
    inside = watershed(-depth, markers, mask=void) == INSIDE
    pieces = cc3d.connected_components(inside, connectivity=6)
    within = pieces == np.bincount(pieces[inside]).argmax() if inside.any() else inside
    within &= _above_floor(inner)
    rim = block.point(np.argwhere(within & binary_dilation(~within)))
    if not len(rim):
        return None, "no space in the snout has the cranium's bone above, below and on both sides"
    if not bool(space.inside(rim).all()) or bool((within & edge).any()):
        return None, "it is cut by the edge of the scan"
    faces = float(len(rim)) * step**2
    volume = Value(float(within.sum()) * step**3, faces * max(0.1 * space.blur_mm, 0.02 * step))
    return Nose(block, within, volume), ""


def _above_floor(inner: BoolArray) -> BoolArray:
    """Cells no lower than the lowest of ``inner`` in their slice across the snout, or in the nearest that has any: what
    a flood takes of the mouth, through openings of the palate, lies below."""
    held = np.asarray(inner.any(axis=0), bool)  # height, slice
    slices = np.flatnonzero(held.any(axis=0))
    lowest = held[:, slices].argmax(axis=0)
    nearest = np.abs(np.arange(inner.shape[2])[:, None] - slices[None]).argmin(axis=1)
    floor = lowest[nearest] - 1
    level = np.arange(inner.shape[1]).reshape(1, -1, 1)
    out: BoolArray = np.asarray(level >= floor.reshape(1, 1, -1), bool)
    return out


def _walls(solid: BoolArray) -> tuple[BoolArray, BoolArray, BoolArray, BoolArray]:
    """Whether something solid lies above, below, to the left and to the right of each cell."""
    up = np.logical_or.accumulate
    above, below = np.flip(up(np.flip(solid, 1), axis=1), 1), up(solid, axis=1)
    left, right = np.flip(up(np.flip(solid, 0), axis=0), 0), up(solid, axis=0)
    return above, below, left, right


def _of_brain(block: Block, cavity: Cavity) -> BoolArray:
    """The braincase's cells in the box."""
    grid = np.stack(np.meshgrid(*(block.axis(i) for i in range(3)), indexing="ij"), axis=-1)
    index = np.rint(cavity.block.index(grid)).astype(int)
    shape = np.array(cavity.zones.shape)
    fits = ((index >= 0) & (index < shape)).all(axis=-1)
    held = np.clip(index, 0, shape - 1)
    out: BoolArray = cavity.within[tuple(np.moveaxis(held, -1, 0))] & fits
    return out
