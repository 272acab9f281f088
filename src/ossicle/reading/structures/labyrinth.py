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
from scipy.ndimage import binary_dilation, map_coordinates, maximum_filter
from scipy.spatial import cKDTree
from skimage.segmentation import watershed

from ..records import Side
from .braincase import Cavity
from .space import Block, Space, unit

__all__ = ["Labyrinth", "find_labyrinth", "labyrinth_in", "ways_out"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Labyrinth:
    """The bony labyrinth: cells of a box in skull pose, its way out, and how dense its wall is."""

    mask: BoolArray
    low: FloatArray
    step: float
    zones: npt.NDArray[np.int32]
    wall: float

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
    x = np.sort([k * 0.22 * reach, k * 1.25 * reach])
    low = np.array([x[0], floor - 0.6 * radius, hind])
    high = np.array([x[1], centre[1] + 0.35 * radius, front])
    step = max(0.5 * space.voxel, float(np.cbrt(np.prod(high - low) / 1_200_000)))
    block = space.block(low, high, step)
    return labyrinth_in(block, _of_cavity(cavity, block.low, block.step, block.values.shape), radius)


def labyrinth_in(block: Block, brain: BoolArray, radius: float) -> Labyrinth | None:
    """Find the labyrinth in a box that holds one ear; None where no void in dense bone closes.

    ``brain`` marks cells of the braincase; ``radius`` (mm) is the braincase's, against which sizes are judged.
    """
    step = block.step
    solid = block.values > 0.5
    void = ~solid
    best: tuple[float, BoolArray, float] | None = None
    for size in (0.05, 0.075, 0.1):
        closed = _closed(solid, size * radius / step)
        pieces, count = cc3d.connected_components(closed & void & ~brain, connectivity=6, return_N=True)
        if not count:
            continue
        volume = np.bincount(pieces.ravel(), minlength=count + 1)[1:] * step**3
        for n in np.argsort(-volume)[:4]:
            mask = pieces == n + 1
            if not 2e-4 * radius**3 < volume[n] < 0.12 * radius**3 or _on_face(mask):
                continue
            shell = binary_dilation(mask, iterations=3) & ~binary_dilation(mask, iterations=1) & solid
            wall = float(np.median(block.values[shell])) if shell.any() else 0.0
            score = float(volume[n] ** 0.5 * wall**4)
            if best is None or score > best[0]:
                best = (score, mask, wall)
    if best is None:
        return None
    vestibule = _vestibule(block.values, solid, best[1], radius / step)
    zones = _zones(void, brain, best[1], vestibule, _closed(solid, 0.11 * radius / step))
    return Labyrinth(zones == LABYRINTH, block.low, step, zones, best[2])


LABYRINTH, OPEN, BRAIN = 1, 2, 3


def _vestibule(values: npt.NDArray[np.float32], solid: BoolArray, core: BoolArray, radius: float) -> BoolArray:
    """The roomiest place beside the core that bone walls off nearly all round: where the windows are as wide as the
    vestibule, closing does not seal it. Distances in cells; ``radius`` is the braincase's. Empty where there is none.
    """
    depth = edt.edt(~solid, parallel=1)
    near = edt.edt(~core, parallel=1) < 0.3 * radius
    top = (depth == maximum_filter(depth, 3)) & near & ~core & (depth > max(2.0, 0.04 * radius))
    seats = np.argwhere(top & (depth < 0.22 * radius))
    for seat in seats[np.argsort(-depth[tuple(seats.T)])]:
        deep = float(depth[tuple(seat)])
        if _walled_share(values, seat, 2.6 * deep) < 0.84:
            continue
        for level in (0.8, 0.88, 0.95):
            room = cc3d.connected_components(depth > level * deep, connectivity=6)
            own: BoolArray = room == room[tuple(seat)]
            if float(depth[own].max()) <= 1.1 * deep:
                return own
    return np.zeros(solid.shape, bool)


def _walled_share(values: npt.NDArray[np.float32], seat: npt.NDArray[np.intp], reach: float) -> float:
    """Of how many of 120 even directions (a spiral on the sphere) from a cell bone is met within ``reach`` cells."""
    n = np.arange(120) + 0.5
    polar, turn = np.arccos(1 - 2 * n / 120), np.pi * (1 + 5**0.5) * n
    way = np.stack([np.cos(turn) * np.sin(polar), np.sin(turn) * np.sin(polar), np.cos(polar)], axis=1)
    far = np.arange(1.0, reach, 0.5)
    path = seat + way[:, None, :] * far[None, :, None]
    seen = map_coordinates(values, np.moveaxis(path, -1, 0), order=1, mode="nearest")
    return float((seen > 0.5).any(axis=1).mean())


def _zones(
    void: BoolArray, brain: BoolArray, core: BoolArray, vestibule: BoolArray, closed: BoolArray
) -> npt.NDArray[np.int32]:
    """Air shared out between labyrinth, what lies open to the outside, and the braincase: floods meet where a way is
    narrowest. Small voids that nothing reaches but that lie by the labyrinth's core (ends of its canals) are its
    own."""
    depth = edt.edt(void, parallel=1)
    markers = np.zeros(void.shape, np.int32)
    free = void & ~closed & ~brain
    if vestibule.any():  # its own middle is too roomy to close: what is open begins beyond its walls
        free &= edt.edt(~vestibule, parallel=1) > 1.5 * float(depth[vestibule].max())
    markers[free] = OPEN
    markers[brain] = BRAIN
    markers[core | vestibule] = LABYRINTH
    zones: npt.NDArray[np.int32] = watershed(-depth, markers, mask=void).astype(np.int32)
    lone, count = cc3d.connected_components(void & (zones == 0), connectivity=26, return_N=True)
    if count:
        far = edt.edt(~core, parallel=1)
        reach = 1.5 * float(np.cbrt(core.sum()))
        most = np.zeros(count + 1)
        np.maximum.at(most, lone.ravel(), far.ravel())
        near = np.flatnonzero(most < reach)
        zones[np.isin(lone, near[near > 0])] = LABYRINTH
    return zones


def _closed(solid: BoolArray, cells: float) -> BoolArray:
    """Bone closed by a ball of so many cells."""
    pad = int(np.ceil(cells)) + 1
    wide = np.pad(solid, pad)
    grown = edt.edt(~wide, parallel=1) <= cells
    back = edt.edt(grown, parallel=1) > cells
    out: BoolArray = (back | wide)[pad:-pad, pad:-pad, pad:-pad]
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


def _on_face(mask: BoolArray) -> bool:
    return any(bool(f.any()) for f in (mask[0], mask[-1], mask[:, 0], mask[:, -1], mask[:, :, 0], mask[:, :, -1]))


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
