"""The bony labyrinth as a cavity in dense bone.

It is the largest void in the dense bone beside the hind braincase that closes when bone is grown by less than half the
braincase's radius. Where it opens, floods from within and without meet at the narrowest place.
"""

from __future__ import annotations

from dataclasses import dataclass

import cc3d
import edt
import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation, map_coordinates
from scipy.spatial import cKDTree

from ..records import Side
from .braincase import Cavity
from .labyrinth_rooms import FULL, Rooms, even_directions, inner_rooms, rooms_of, walled_share
from .space import Block, Space, unit

__all__ = ["Labyrinth", "find_labyrinth", "labyrinth_in", "ways_out"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Labyrinth:
    """The bony labyrinth: cells of a box in skull pose, what lies about it, how dense its wall is, and the vestibule's
    middle (skull mm) and radius."""

    mask: BoolArray
    low: FloatArray
    step: float
    zones: npt.NDArray[np.int32]
    wall: float
    vestibule: FloatArray
    vestibule_mm: float

    def point(self, index: npt.ArrayLike) -> FloatArray:
        """Skull mm of cells (..., 3)."""
        out: FloatArray = self.low + np.asarray(index, float) * self.step
        return out


def find_labyrinth(space: Space, cavity: Cavity, side: Side) -> Labyrinth | None:
    """Find the labyrinth of one side; None where no void in dense bone lies beside the hind braincase."""
    within = cavity.block.point(np.argwhere(cavity.within))
    k = 1.0 if side == "left" else -1.0
    radius = cavity.depth_mm
    centre = within.mean(0)
    hind, front = np.quantile(within[:, 2], [0.0, 0.62])
    reach = float(np.quantile(np.abs(within[:, 0]), 0.995))
    floor = float(np.quantile(within[:, 1], 0.01))
    x = np.sort([k * 0.22 * reach, k * 1.5 * reach])
    low = np.array([x[0], floor - 0.75 * radius, hind])
    high = np.array([x[1], centre[1] + 0.35 * radius, front])
    step = max(0.5 * space.voxel, float(np.cbrt(np.prod(high - low) / MOST_CELLS)))
    block = space.block(low, high, step)
    return labyrinth_in(block, _of_cavity(cavity, block.low, block.step, block.values.shape), radius)


def labyrinth_in(block: Block, brain: BoolArray, radius: float) -> Labyrinth | None:
    """Find the labyrinth in a box that holds one ear; None where no room in dense bone is walled off nearly all round.

    ``brain`` marks cells of the braincase; ``radius`` (mm) is the braincase's, against which sizes are judged.
    """
    step, values = block.step, block.values
    solid = values > 0.5
    rooms = rooms_of(~solid & ~brain, MOST_RADIUS * radius / step)
    seat = _vestibule(values, ~solid, brain, rooms, radius / step)
    if seat is None:
        return None
    index, wall = seat
    deep = float(rooms.depth[index])
    reach = 2.4 * deep
    near = np.linalg.norm(rooms.seat - rooms.seat[index], axis=1) < FARTHEST * deep
    share = np.zeros(len(rooms))
    for i in np.flatnonzero(near & (rooms.volume > 0)):
        share[i] = walled_share(values, rooms.seat[i], reach)
    skin = rooms.volume ** (2 / 3)
    within = np.where(near, np.clip((share - 0.9) / 0.1, 0, 1), 0) * skin
    without = np.where(near, np.clip((0.8 - share) / 0.3, 0, 1), 1) * skin
    faced = _on_faces(rooms)
    within[faced], without[faced | (rooms.depth > 1.8 * deep)] = 0, FULL
    beside = np.bincount(rooms.labels[binary_dilation(brain)], minlength=len(rooms) + 1)[1:]
    without += beside  # faces that open into the braincase
    within[index], without[index] = FULL, 0
    kept = inner_rooms(rooms, within, without)
    own = np.concatenate([[False], kept])[rooms.labels]
    own = _joined(own, rooms.labels == index + 1, 6.0 * deep)
    volume = float(own.sum()) * step**3
    if not 2e-4 * radius**3 < volume < 0.12 * radius**3:
        return None
    zones = np.where(own, LABYRINTH, np.where(brain, BRAIN, np.where(solid, 0, OPEN))).astype(np.int32)
    middle = block.point(rooms.seat[index])
    return Labyrinth(own, block.low, step, zones, wall, middle, deep * step)


LABYRINTH, OPEN, BRAIN = 1, 2, 3
MOST_CELLS = 2_000_000
MOST_RADIUS = 0.3
"""No vestibule is so wide, against the braincase's radius. Common practice, no source."""
FARTHEST = 7.0
"""How far from the vestibule's middle parts of the labyrinth lie, in its radii. Common practice, no source."""


def _vestibule(
    values: npt.NDArray[np.float32], void: BoolArray, brain: BoolArray, rooms: Rooms, radius: float
) -> tuple[int, float] | None:
    """The room that bone walls off nearly all round and that has the most walled-off rooms about it in dense bone; with
    the bone's grey. What opens into the braincase by a way nearly as wide as itself (the internal meatus) is none.
    Sizes in cells."""
    depth = edt.edt(void, parallel=1)
    solid = values > 0.5
    walled = np.zeros(len(rooms))
    faced = _on_faces(rooms)
    some = np.flatnonzero((rooms.volume > 0) & ~faced & (rooms.depth < MOST_RADIUS * radius))
    for i in some:
        walled[i] = walled_share(values, rooms.seat[i], 2.6 * max(float(rooms.depth[i]), 2.0))
    best: tuple[float, int, float] | None = None
    for i in some:
        deep = float(rooms.depth[i])
        if walled[i] < 0.84 or deep < max(2.0, 0.035 * radius):
            continue
        around = np.linalg.norm(rooms.seat - rooms.seat[i], axis=1) < 4.0 * deep
        inner = float(np.where(around, np.clip((walled - 0.85) / 0.1, 0, 1) * rooms.volume, 0).sum())
        far = deep + np.array([1.5, 2.5, 3.5])
        ways = rooms.seat[i] + even_directions(200)[:, None] * far[None, :, None]
        seen = map_coordinates(values, np.moveaxis(ways, -1, 0), order=1, mode="nearest").max(axis=1)
        dense = float(np.quantile(seen, 0.7))
        thick = _thickness(solid, rooms.seat[i], deep)
        if thick < LEAST_THICK:
            continue
        score = inner**0.5 * deep * dense**4 * thick
        if best is not None and score <= best[0]:
            continue
        if not _opens_into(brain, depth, rooms.seat[i], deep):
            best = (score, int(i), dense)
    return None if best is None else best[1:]


def _opens_into(brain: BoolArray, depth: FloatArray, seat: npt.NDArray[np.intp], deep: float) -> bool:
    """Whether a way nearly as wide as a room leads from it straight into the braincase, within four of its radii (by
    way of the middle ear and the foramen magnum every room does)."""
    reach = int(4 * deep)
    first = np.maximum(seat - reach, 0)
    box = tuple(slice(a, b) for a, b in zip(first, seat + reach + 1, strict=True))
    wide = cc3d.connected_components(depth[box] > 0.6 * deep, connectivity=6)
    return bool((brain[box] & (wide == wide[tuple(seat - first)])).any())


LEAST_THICK = 0.6
"""The wall of a vestibule is on average at least so thick, counted up to ``THICK`` radii and as a share of that; that
of a bulla is thinner against its room. Common practice, no source."""
THICK = 0.6


def _thickness(solid: BoolArray, seat: npt.NDArray[np.intp], deep: float) -> float:
    """How thick bone is where ways out of a room meet it: the mean, as a share of ``THICK`` times the room's radius
    (``deep``, cells), at which it is cut off."""
    far = np.arange(0.0, (2.6 + 2 * THICK) * deep, 0.5)
    path = np.moveaxis(seat + even_directions(120)[:, None] * far[None, :, None], -1, 0)
    bone = map_coordinates(solid.astype(np.float32), path, order=1, mode="nearest") > 0.5
    first = bone.argmax(axis=1)
    met = bone.any(axis=1) & (far[first] < 2.6 * deep)
    if not met.any():
        return 0.0
    after = np.arange(len(far))[None] >= first[:, None]
    ends = after & ~bone
    last = np.where(ends.any(axis=1), ends.argmax(axis=1), len(far))
    thick = (last - first) * 0.5
    return float(np.minimum(thick[met] / (THICK * deep), 1.0).mean())


def _on_faces(rooms: Rooms) -> BoolArray:
    """Which rooms reach the faces of the box."""
    a = rooms.labels
    met = np.unique(np.concatenate([f.ravel() for f in (a[0], a[-1], a[:, 0], a[:, -1], a[:, :, 0], a[:, :, -1])]))
    out = np.zeros(len(rooms) + 1, bool)
    out[met] = True
    return out[1:]


def _joined(own: BoolArray, vestibule: BoolArray, reach: float) -> BoolArray:
    """What hangs together with the vestibule, and pieces wholly within ``reach`` cells of it: ends of canals that are
    thinner than a voxel where they leave it."""
    pieces, count = cc3d.connected_components(own, connectivity=26, return_N=True)
    far = edt.edt(~vestibule, parallel=1)
    most = np.zeros(count + 1)
    np.maximum.at(most, pieces.ravel(), far.ravel())
    held = most < reach
    held[np.unique(pieces[vestibule])] = True
    held[0] = False
    out: BoolArray = held[pieces]
    return out


def _of_cavity(cavity: Cavity, low: FloatArray, step: float, shape: tuple[int, ...]) -> BoolArray:
    """The braincase's cells on another grid."""
    index = [
        np.rint(cavity.block.index(low)[i] + np.arange(n) * step / cavity.block.step).astype(int)
        for i, n in enumerate(shape)
    ]
    fits = [(i >= 0) & (i < n) for i, n in zip(index, cavity.zones.shape, strict=True)]
    held = [np.clip(i, 0, n - 1) for i, n in zip(index, cavity.zones.shape, strict=True)]
    # only its roomy part: narrow ways off it (meatus, canals) are not brain
    core = edt.edt(cavity.within, parallel=1) > 1.5
    roomy = cavity.within & binary_dilation(core, iterations=2)
    inside = fits[0][:, None, None] & fits[1][None, :, None] & fits[2][None, None, :]
    out: BoolArray = roomy[np.ix_(*held)] & inside
    return out


def ways_out(labyrinth: Labyrinth) -> list[tuple[FloatArray, FloatArray, int]]:
    """Where the labyrinth opens, away from the brain: middle, way out, and cells of each."""
    seam = (labyrinth.zones == OPEN) & binary_dilation(labyrinth.mask)
    pieces = cc3d.connected_components(seam, connectivity=26)
    inner = np.argwhere(labyrinth.mask)
    tree = cKDTree(inner)
    out = []
    for k in range(1, int(pieces.max()) + 1):
        at = np.argwhere(pieces == k)
        if len(at) < 4:
            continue
        middle = at.mean(0)
        near = inner[tree.query_ball_point(middle, 8.0)]
        if len(near) < 4:
            near = inner[tree.query(middle, 8)[1]]
        out.append((labyrinth.point(middle), unit(middle - near.mean(0)), len(at)))
    return sorted(out, key=lambda w: -w[2])
