"""The grid a reading works on: the solid part of the scan, made coarser where the scan is finer than the work needs,
and drawn finer where it is so coarse that teeth would be a few voxels."""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.ndimage import find_objects, gaussian_filter, zoom
from scipy.sparse import csr_array
from skimage.filters import threshold_otsu

from ossicle.scans.lazy import Enlarged, slabs
from ossicle.scans.model import ArrayLike3D

from .survey import Share, Survey, survey

__all__ = ["WorkingGrid", "means", "working_grid"]

FloatArray = npt.NDArray[np.float32]
LARGEST = 40_000_000
"""Voxels beyond which the working grid takes every second voxel (mean of eight)."""
FINER = ((190, 2, 1), (240, 3, 2))
"""A specimen of fewer voxels along its longest side than the first number is drawn finer (cubic splines), as many
voxels to as many of the scan's as the other two say, where that stays within `LARGEST`: nothing is resolved better, but
what tells teeth apart has learned on teeth of more voxels. Found on specimens of some 145 and 215 voxels: twice as fine
serves the first best, one and a half times the second (drawn twice as fine, papilla and dentine look like teeth)."""


IN_MEMORY = 64_000_000
"""Voxels of a scan up to which labels on its own grid are held in memory."""


@dataclass(frozen=True)
class WorkingGrid:
    """``grey`` float32 (z, y, x) is the scan from voxel ``start`` on, in means of ``factor`` voxels a side; a factor
    under 1 says that it is drawn finer.

    ``offset_mm_xyz`` is the place of its first voxel's centre in scan mm.
    """

    grey: FloatArray
    spacing_mm_zyx: tuple[float, float, float]
    start: tuple[int, int, int]
    factor: float
    scan_shape: tuple[int, int, int]
    scan_spacing: tuple[float, float, float]

    @property
    def offset_mm_xyz(self) -> npt.NDArray[np.float64]:
        """Where the middle of the first voxel lies in the scan, mm (x, y, z)."""
        first = np.array(self.start) + (self.factor - 1) / 2
        offset: npt.NDArray[np.float64] = (first * np.array(self.scan_spacing))[::-1].copy()
        return offset

    def full_size(self, labels: npt.NDArray[np.int32]) -> npt.NDArray[np.int32]:
        """Return labels of the working grid on the scan's own grid (nearest voxel)."""
        if self.factor < 1:
            count = tuple(round(n * self.factor) for n in labels.shape)
            grown = _commonest(_nearest(labels, tuple(2 * n for n in count), 2 * self.factor))
        elif self.factor == 1:
            grown = labels
        else:
            grown = zoom(labels, self.factor, order=0, grid_mode=True, mode="nearest")
        out = np.zeros(self.scan_shape, np.int32)
        box = tuple(slice(a, min(a + n, m)) for a, n, m in zip(self.start, grown.shape, self.scan_shape, strict=True))
        out[box] = grown[tuple(slice(0, b.stop - b.start) for b in box)]
        return out

    def on_scan(self, labels: npt.NDArray[Any]) -> ArrayLike3D:
        """Return labels of the working grid on the scan's own, as `full_size`; of a large scan they are worked out when
        they are asked for."""
        if self.factor < 1 or math.prod(self.scan_shape) <= IN_MEMORY:
            return self.full_size(labels.astype(np.int32)).astype(labels.dtype, copy=False)
        return Enlarged(labels, int(self.factor), self.start, self.scan_shape)

    def of_scan(self, labels: npt.NDArray[np.generic]) -> npt.NDArray[np.generic]:
        """Return what the scan's own grid (labels, a truth) holds at each voxel of the working grid: the nearest."""
        if self.factor < 1:
            box = tuple(slice(a, None) for a in self.start)
            return _nearest(labels[box], self.grey.shape, 1 / self.factor)
        step = int(self.factor)
        return labels[
            tuple(slice(a + step // 2, a + n * step, step) for a, n in zip(self.start, self.grey.shape, strict=True))
        ]

    def about(self, volume: ArrayLike3D, solid: npt.NDArray[np.bool_], *, threads: int = 1) -> WorkingGrid:
        """Return a grid of the same scan about what is ``solid`` in this one, as fine as `LARGEST` voxels allow. Only
        of a grid that is no finer than the scan."""
        step = int(self.factor)
        box = [slice(0, n) for n in self.scan_shape]
        for axis, (low, high) in _ends(solid).items():
            first = self.start[axis]
            box[axis] = slice(max(0, first + (low - 3) * step), min(box[axis].stop, first + (high + 4) * step))
        return _in_means(volume, box, self.scan_spacing, threads=threads)

    def of_coarser(self, mask: npt.NDArray[np.bool_], other: WorkingGrid) -> npt.NDArray[np.bool_]:
        """Return what a mask of a coarser grid of the same scan says at each voxel of this one."""
        here = [
            np.clip(((a + self.factor * (np.arange(n) + 0.5) - first) / other.factor).astype(int), 0, most - 1)
            for a, n, first, most in zip(self.start, self.grey.shape, other.start, mask.shape, strict=True)
        ]
        return mask[np.ix_(*here)]

    def at_scan_edge(self, labels: npt.NDArray[np.int32], part: int) -> bool:
        """Whether a part reaches the edge of the scan itself (not merely of the working grid)."""
        where = np.argwhere(labels == part)
        if not len(where):
            return False
        low = where.min(0) * self.factor + np.array(self.start)
        high = (where.max(0) + 1) * self.factor + np.array(self.start)
        return bool((low <= 1).any() or (high >= np.array(self.scan_shape) - 1).any())


def working_grid(
    volume: ArrayLike3D,
    spacing_mm_zyx: tuple[float, float, float],
    seen: Survey | None = None,
    *,
    threads: int = 1,
    share: Share | None = None,
) -> WorkingGrid:
    """Crop ``volume`` to what is solid, with a margin, and coarsen it while it has more than `LARGEST` voxels.

    ``seen`` is its survey, made where it is None. The volume is read slab by slab; what is kept is the working grid.
    """
    seen = survey(volume) if seen is None else seen
    shape = (int(volume.shape[0]), int(volume.shape[1]), int(volume.shape[2]))
    step = seen.step
    glance = gaussian_filter(seen.glance, 0.8)
    low, high = np.quantile(glance, [0.001, 0.999])
    box = [slice(0, n) for n in shape]
    if high > low:
        solid = glance > threshold_otsu(np.clip(glance, low, high))
        for axis, (first, last) in _ends(solid).items():
            box[axis] = slice(max(0, (first - 3) * step - 4), min(shape[axis], (last + 4) * step + 4))
    sides = [s.stop - s.start for s in box]
    z, y, x = spacing_mm_zyx
    longest = max(n * s for n, s in zip(sides, spacing_mm_zyx, strict=True)) / max(z, y, x)
    for short, many, few in FINER:
        if longest < short and math.prod(sides) * (many / few) ** 3 <= LARGEST:
            cut = np.asarray(volume[tuple(box)]).astype(np.float32)
            whole = np.pad(cut, [(0, -n % few) for n in sides], mode="edge")
            ratio = few / many
            start = (box[0].start, box[1].start, box[2].start)
            return WorkingGrid(
                _finer(whole, many / few), (z * ratio, y * ratio, x * ratio), start, ratio, shape, (z, y, x)
            )
    return _in_means(volume, box, (z, y, x), threads=threads, share=share)


def _ends(solid: npt.NDArray[np.bool_]) -> dict[int, tuple[int, int]]:
    """Return the first and last index along each axis at which something is solid; nothing where all is empty."""
    box = find_objects(solid.astype(np.uint8))
    return {axis: (s.start, s.stop - 1) for axis, s in enumerate(box[0])} if box else {}


def _in_means(
    volume: ArrayLike3D,
    box: Sequence[slice],
    spacing_mm_zyx: tuple[float, float, float],
    *,
    threads: int,
    share: Share | None = None,
) -> WorkingGrid:
    """Return a box of a scan in means of as many voxels a side as keep it within `LARGEST`."""
    size, factor = math.prod(s.stop - s.start for s in box), 1
    while size / factor**3 > LARGEST:
        factor += 1
    z, y, x = spacing_mm_zyx
    shape = (int(volume.shape[0]), int(volume.shape[1]), int(volume.shape[2]))
    start = (box[0].start, box[1].start, box[2].start)
    grey = means(volume, factor, box, threads=threads, share=share)
    return WorkingGrid(grey, (z * factor, y * factor, x * factor), start, factor, shape, (z, y, x))


def _finer(volume: FloatArray, times: float) -> FloatArray:
    """``scipy.ndimage.zoom`` by cubic splines, as one sparse matrix along each axis (some ten times as fast)."""
    for _ in range(3):
        rule = zoom(np.eye(volume.shape[0]), (times, 1), order=3, grid_mode=True, mode="nearest")
        rule[np.abs(rule) < 1e-8] = 0
        drawn = csr_array(rule.astype(np.float32)) @ volume.reshape(volume.shape[0], -1)
        volume = np.moveaxis(drawn.reshape(-1, *volume.shape[1:]), 0, 2)
    return np.ascontiguousarray(volume, np.float32)


def _nearest(values: npt.NDArray[Any], shape: tuple[int, ...], finer: float) -> npt.NDArray[Any]:
    """What ``values`` hold nearest to each voxel of a grid of that shape that is ``finer`` times as fine (or less than
    one time: coarser); both begin at the same outer face. Beyond the last voxel, the last."""
    for axis, count in enumerate(shape):
        at = np.floor((np.arange(count) + 0.5) / finer).astype(int)
        values = np.take(values, np.minimum(at, values.shape[axis] - 1), axis=axis)
    return values


def _commonest(labels: npt.NDArray[np.int32]) -> npt.NDArray[np.int32]:
    """Of each cube of eight voxels the label that most of them carry (the lower one where two share them)."""
    nz, ny, nx = (n // 2 for n in labels.shape)
    eight = labels.reshape(nz, 2, ny, 2, nx, 2).transpose(0, 2, 4, 1, 3, 5).reshape(-1, 8)
    out = eight[:, 0].copy()
    mixed = np.flatnonzero((eight != eight[:, :1]).any(axis=1))
    rows = np.sort(eight[mixed], axis=1)
    count = (rows[:, :, None] == rows[:, None, :]).sum(axis=2)
    out[mixed] = rows[np.arange(len(rows)), count.argmax(axis=1)]
    return out.reshape(nz, ny, nx)


def means(
    volume: ArrayLike3D,
    factor: int,
    box: Sequence[slice] | None = None,
    *,
    threads: int = 1,
    share: Share | None = None,
) -> FloatArray:
    """Return ``volume`` (z, y, x), or a box of it, in means of ``factor`` voxels a side, float32.

    What is left at the end is cut. The volume is read slab by slab; each mean is summed in one order (z, y, x),
    whatever the slabs and threads.
    """
    whole = [slice(0, n) for n in volume.shape] if box is None else list(box)
    nz, ny, nx = ((s.stop - s.start) // factor for s in whole)
    out = np.zeros((nz, ny, nx), np.float32)

    def add(plane: int, first: int, slab: npt.NDArray[Any]) -> None:
        for z in range(max(plane * factor, first), min((plane + 1) * factor, first + len(slab))):
            one = slab[z - first]
            for dy in range(factor):
                for dx in range(factor):
                    out[plane] += one[dy : ny * factor : factor, dx : nx * factor : factor]

    with ThreadPoolExecutor(max(1, threads)) as pool:
        for begin, slab in slabs(volume, whole):
            first = begin - whole[0].start
            planes = range(first // factor, min(-(-(first + len(slab)) // factor), nz))
            list(pool.map(partial(add, first=first, slab=slab), planes))
            if share is not None:
                share((first + len(slab)) / max(1, whole[0].stop - whole[0].start))
    out /= factor**3
    return out
