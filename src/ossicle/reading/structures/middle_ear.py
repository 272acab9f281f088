"""The middle-ear space between labyrinth and eardrum, what of its floor is bone, and the bodies that hang in it.

The space is parted from the air without by a watershed on the distance from bone, from the roomiest place outward of
the oval window: in a dry skull, whose eardrum is gone, the two meet where the ear's own opening is narrowest. Where
bone walls the space on few sides there is no such place, and no volume is told.

The solid in the box is parted into rooms as the voids are (`labyrinth_rooms`). One from whose middle the middle-ear
space is met soon in nearly all directions hangs free in it; from within a wall, half of the ways lead elsewhere.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import edt
import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation, map_coordinates
from skimage.segmentation import watershed

from ..records import Side
from .braincase import sides_walled
from .labyrinth import Labyrinth
from .labyrinth_rooms import even_directions, rooms_of, walled_share
from .records import Opening
from .space import Block, Space, unit

__all__ = ["Bodies", "MiddleEar", "find_middle_ear", "free_bodies"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int32]

FARTHEST = 9.0
"""How far from the oval window the middle ear is looked for, in radii of the vestibule. Common practice, no source."""
MOST_CELLS = 1_200_000
LEAST_WALLED = 0.6
"""A space that bone walls in a smaller share of directions has no volume of its own."""
FLOOR = 0.5
"""Least downward part of a direction that leads to the floor: a cone of 60 degrees about straight down."""
FREE = 0.62
"""From a body that hangs free the middle-ear space is met soon in so large a share of directions."""
INSIDE, OUTSIDE = 1, 2


@dataclass(frozen=True)
class MiddleEar:
    """The box that was looked at, the cells of the space, the open cells near the oval window, the space's roomiest
    place (skull mm), the way out from the oval window, how far that place is from bone (mm), in what share of
    directions bone walls it, which share of its floor is bone (None where the scan ends before it), and whether the
    scan's edge cuts the space. Of a space that no bone walls in, no cell is told, and its place is where the ossicles
    hang."""

    block: Block
    within: BoolArray
    near: BoolArray
    middle: FloatArray
    outward: FloatArray
    depth_mm: float
    walled: float
    floor: float | None
    cut: bool

    @property
    def enclosed(self) -> bool:
        """Whether bone walls it enough for a volume of its own."""
        return self.depth_mm > 0 and self.walled >= LEAST_WALLED and not self.cut

    @property
    def volume_mm3(self) -> float:
        """Volume of the space's cells."""
        return float(self.within.sum()) * self.block.step**3


def find_middle_ear(
    space: Space, labyrinth: Labyrinth, inner: FloatArray, oval: Opening, side: Side, apart: Collection[int] = ()
) -> MiddleEar:
    """Find the middle-ear space outward of the oval window.

    ``inner`` (n, 3; skull mm) are the labyrinth's cells, which are shut off; ``apart`` are labels (dentaries) whose
    bone is none of the middle ear's.
    """
    out = _outward(oval, labyrinth, side)
    reach = FARTHEST * labyrinth.vestibule_mm
    centre = oval.centre + 0.35 * reach * out
    step = max(0.75 * space.voxel, float(np.cbrt((2 * reach) ** 3 / MOST_CELLS)))
    block = space.block(centre - reach, centre + reach, step, labels=True)
    assert block.labels is not None
    bone = (block.values > 0.5) & ~np.isin(block.labels, list(apart))
    solid = bone | _shut(block, inner, labyrinth.step)
    void = ~solid
    depth = edt.edt(void, anisotropy=(step,) * 3, black_border=False, parallel=1)
    walled = sides_walled(bone)
    near = _near(block, oval.centre, out, labyrinth.vestibule_mm) & void
    seat = _seat(block, bone, void, oval.centre, out, labyrinth.vestibule_mm)
    deep, within = 0.0, np.zeros_like(void)
    at = oval.centre + 2 * labyrinth.vestibule_mm * out
    if seat is not None:
        at, deep = block.point(seat), float(depth[seat])
        markers = np.zeros(solid.shape, np.int32)
        edge = np.ones(solid.shape, bool)
        edge[1:-1, 1:-1, 1:-1] = False
        markers[void & (edge | (walled <= 2))] = OUTSIDE
        markers[seat] = INSIDE
        within = watershed(-depth, markers, mask=void) == INSIDE
    rays = even_directions(400)
    far = np.arange(0.0, max(2.5 * deep, 4 * labyrinth.vestibule_mm), 0.5 * step)
    path = np.moveaxis(block.index(at) + rays[:, None] * far[None, :, None] / step, -1, 0)
    met = map_coordinates(bone.astype(np.float32), path, order=1, mode="constant").max(axis=1) > 0.5
    down = rays[:, 1] < -FLOOR
    held = space.inside(at + rays[down] * far[-1]) | met[down]
    floor = float(met[down].mean()) if held.all() else None
    rim = block.point(np.argwhere(within & binary_dilation(~within)))
    cut = bool(len(rim)) and not bool(space.inside(rim).all())
    return MiddleEar(block, within, near, at, out, deep, float(met.mean()), floor, cut)


def _outward(oval: Opening, labyrinth: Labyrinth, side: Side) -> FloatArray:
    """The oval window's normal, away from the vestibule."""
    normal = np.linalg.svd(oval.rim - oval.rim.mean(0), full_matrices=False)[2][2]
    away = unit(oval.centre - labyrinth.vestibule)
    return unit(normal * (1 if normal @ away >= 0 else -1) + away)


def _shut(block: Block, inner: FloatArray, step: float) -> BoolArray:
    """Cells of the box that hold points ``inner``, and those next to them."""
    out = np.zeros(block.values.shape, bool)
    index = np.rint(block.index(inner)).astype(int)
    fits = ((index >= 0) & (index < np.array(out.shape))).all(axis=1)
    out[tuple(index[fits].T)] = True
    # wide enough to hold at the coarser of the two grids; the windows' own canals go with it
    wide: BoolArray = binary_dilation(out, iterations=max(1, int(np.ceil(step / block.step))))
    return wide


def _near(block: Block, centre: FloatArray, out: FloatArray, radius: float) -> BoolArray:
    """Cells outward of the oval window where the ossicles hang and the roomiest place of the middle ear may be."""
    grid = np.stack(np.meshgrid(*(block.axis(i) for i in range(3)), indexing="ij"), axis=-1) - centre
    far = grid @ out
    aside = np.linalg.norm(grid - far[..., None] * out, axis=-1)
    near: BoolArray = (far > -0.3 * radius) & (far < 4.5 * radius) & (aside < np.maximum(far, 0) + 1.5 * radius)
    return near


def _seat(
    block: Block, bone: BoolArray, void: BoolArray, centre: FloatArray, out: FloatArray, radius: float
) -> tuple[int, ...] | None:
    """The roomiest of the places about the oval window that bone walls in most directions."""
    rooms = rooms_of(void, 1e9)
    best: tuple[float, tuple[int, ...]] | None = None
    for i in np.flatnonzero((rooms.volume > 0) & (rooms.depth >= 2)):
        off = block.point(rooms.seat[i]) - centre
        if np.linalg.norm(off) > 6 * radius or off @ out < -1.5 * radius:
            continue
        walled = walled_share(bone.astype(np.float32), rooms.seat[i], 2.5 * float(rooms.depth[i]))
        score = walled**3 * float(rooms.depth[i])
        if walled > 0.4 and (best is None or score > best[0]):
            best = (score, tuple(int(v) for v in rooms.seat[i]))
    return None if best is None else best[1]


@dataclass(frozen=True)
class Bodies:
    """Solid bodies that hang free: ``labels`` (cells of ``block``; 1 to n, stoutest first), half their thickness
    (``stout``, mm), their stoutest places (``seat``, n by 3; skull mm), volumes (mm3), which share of their faces
    touches other bone (``held``), and which share of the open cells beside them is of the middle ear's own space
    (``within``; 1 where that has no bounds)."""

    block: Block
    labels: IntArray
    stout: FloatArray
    seat: FloatArray
    volume: FloatArray
    held: FloatArray
    within: FloatArray

    def __len__(self) -> int:
        return len(self.stout)

    def points(self, body: int) -> FloatArray:
        """Cells of one body (from 1 on), skull mm."""
        return self.block.point(np.argwhere(self.labels == body))


def free_bodies(space: Space, ear: MiddleEar) -> Bodies:
    """The bodies that hang free in a middle ear, parted where they are narrowest.

    Rooms of solid that hang together by a neck more than four fifths as stout as the lesser of them are one body.
    """
    where = np.argwhere(ear.near)
    room = int(np.ceil(3 * space.voxel / ear.block.step))
    first, last = ear.block.point(where.min(0) - room), ear.block.point(where.max(0) + room)
    step = max(0.5 * space.voxel, float(np.cbrt(np.prod(last - first) / MOST_CELLS)))
    block = space.block(first, last, step)
    index = np.stack(np.meshgrid(*(np.arange(n) for n in block.values.shape), indexing="ij"))
    there = ear.block.index(np.moveaxis(block.point(np.moveaxis(index, 0, -1)), -1, 0).transpose(1, 2, 3, 0))
    there = np.moveaxis(there, -1, 0)
    free = map_coordinates(ear.near.astype(np.uint8), there, order=0, mode="constant") > 0
    solid = block.values > 0.5
    free &= ~solid
    rooms = rooms_of(solid, 1e9)
    kept = np.zeros(len(rooms) + 1, bool)
    ways = even_directions(160)
    for i in np.flatnonzero(rooms.volume > 0):
        deep = max(float(rooms.depth[i]), 1.0)
        far = np.arange(1.0, 2.0 * deep + 3.0 * space.voxel / step, 0.5)
        path = np.moveaxis(rooms.seat[i] + ways[:, None] * far[None, :, None], -1, 0)
        bone = map_coordinates(solid.astype(np.float32), path, order=1, mode="nearest") > 0.5
        leaves = np.where(bone.all(axis=1), -1, np.argmin(bone, axis=1))
        cell = np.rint(path).astype(int)
        cell = np.clip(cell, 0, np.array(solid.shape)[:, None, None] - 1)
        n = np.arange(len(ways))
        # the first cell out may be one that blur leaves between solid and space: look a cell farther too
        beyond = np.minimum(leaves + 2, len(far) - 1)
        met = [free[tuple(cell[:, n, k])] for k in (np.maximum(leaves, 0), beyond)]
        kept[i + 1] = float(((leaves >= 0) & (met[0] | met[1])).mean()) >= FREE
    inside = free
    if ear.enclosed:
        inside = free & (map_coordinates(ear.within.astype(np.uint8), there, order=0, mode="constant") > 0)
    return _bodies(block, np.where(kept[rooms.labels], rooms.labels, 0).astype(np.int32), solid, free, inside)


NECK = 0.8


def _bodies(block: Block, labels: IntArray, solid: BoolArray, free: BoolArray, inside: BoolArray) -> Bodies:
    """Free rooms joined into bodies."""
    depth = edt.edt(solid, parallel=1)
    count = int(labels.max())
    deepest = np.zeros(count + 1)
    np.maximum.at(deepest, labels.ravel(), depth.ravel())
    neck: dict[tuple[int, int], float] = {}
    for axis in range(3):
        a, d = np.moveaxis(labels, axis, 0), np.moveaxis(depth, axis, 0)
        touch = (a[:-1] != a[1:]) & (a[:-1] > 0) & (a[1:] > 0)
        for one, two, deep in zip(a[:-1][touch], a[1:][touch], np.minimum(d[:-1], d[1:])[touch], strict=True):
            key = (int(min(one, two)), int(max(one, two)))
            neck[key] = max(neck.get(key, 0.0), float(deep))
    owner = np.arange(count + 1)
    for (one, two), deep in sorted(neck.items(), key=lambda item: -item[1]):
        p, q = owner[one], owner[two]
        if p != q and deep > NECK * min(deepest[p], deepest[q]):
            deepest[p] = deepest[q] = max(deepest[p], deepest[q])
            owner[owner == q] = p
    joined = owner[labels]
    ids = [int(i) for i in np.unique(joined) if i > 0]
    ids.sort(key=lambda i: -deepest[i])
    out = np.zeros_like(labels)
    stout, seat, volume, held, within = [], [], [], [], []
    for n, i in enumerate(ids, 1):
        own = joined == i
        out[own] = n
        stout.append(float(deepest[i]) * block.step)
        seat.append(block.point(np.argwhere(own & (depth >= depth[own].max() - 1e-6))[0]))
        volume.append(float(own.sum()) * block.step**3)
        about = binary_dilation(own) & ~own
        held.append(float(solid[about].mean()) if about.any() else 1.0)
        beside = binary_dilation(own, iterations=3) & free
        within.append(float(inside[beside].mean()) if beside.any() else 0.0)
    places = np.array(seat).reshape(-1, 3)
    return Bodies(block, out, np.array(stout), places, np.array(volume), np.array(held), np.array(within))
