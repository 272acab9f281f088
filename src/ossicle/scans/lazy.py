"""Volumes that are worked out where they are asked for, so that none is held whole."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

from ossicle.scans.model import ArrayLike3D, Scan

__all__ = ["Enlarged", "LazyVolume", "Mapped", "greys_of", "inside", "least_and_greatest", "slab_bytes", "slabs"]

Ranges = tuple[range, range, range]


class LazyVolume(ABC):
    """A volume (z, y, x) of which parts are had by whole numbers and slices, as numpy takes them."""

    ndim = 3
    shape: tuple[int, int, int]
    dtype: np.dtype[Any]

    @abstractmethod
    def _part(self, ranges: Ranges) -> NDArray[Any]:
        """Return the voxels of three rising ranges of indices."""

    @property
    def size(self) -> int:
        """Number of voxels."""
        return math.prod(self.shape)

    def __getitem__(self, key: Any) -> Any:
        """Return a part of the volume, named by whole numbers and slices as numpy takes them."""
        keys = key if isinstance(key, tuple) else (key,)
        if any(k is Ellipsis for k in keys):
            at = next(i for i, k in enumerate(keys) if k is Ellipsis)
            keys = (*keys[:at], *[slice(None)] * (4 - len(keys)), *keys[at + 1 :])
        keys = (*keys, *[slice(None)] * (3 - len(keys)))
        ranges = []
        for k, n in zip(keys, self.shape, strict=True):
            if isinstance(k, slice):
                ranges.append(range(*k.indices(n)))
            else:
                at = range(n)[int(k)]
                ranges.append(range(at, at + 1))
        if any(r.step < 1 for r in ranges):
            raise IndexError("a volume that is not in memory is read forwards")
        out = self._part((ranges[0], ranges[1], ranges[2]))
        return out[tuple(0 if not isinstance(k, slice) else slice(None) for k in keys)]

    def __array__(self, dtype: DTypeLike | None = None, copy: bool | None = None) -> NDArray[Any]:
        """Return the whole volume in memory."""
        if copy is False:
            raise ValueError("a volume that is not in memory cannot be had without reading it")
        whole: NDArray[Any] = self[...]
        return whole if dtype is None else whole.astype(dtype, copy=False)


class Mapped(LazyVolume):
    """A volume with a function laid over its values, or a box of it.

    Parameters
    ----------
    base
        In memory or on disk.
    function
        From an array to one of the same shape and of type ``dtype``, voxel by voxel.
    dtype
        Of what the function gives.
    box
        Half-open ranges (z, y, x) of ``base`` that alone are shown; the whole where None.
    """

    def __init__(
        self,
        base: ArrayLike3D,
        function: Callable[[NDArray[Any]], NDArray[Any]],
        dtype: DTypeLike,
        box: Sequence[Sequence[int]] | None = None,
    ) -> None:
        self.base, self._function, self.dtype = base, function, np.dtype(dtype)
        ends = [(0, n) for n in base.shape] if box is None else [(int(a), int(b)) for a, b in box]
        self._start = [a for a, _ in ends]
        z, y, x = (b - a for a, b in ends)
        self.shape = (z, y, x)
        thick = int(getattr(base, "chunks", (64,))[0])
        self.chunks = (min(thick, z), y, x)

    def _part(self, ranges: Ranges) -> NDArray[Any]:
        key = tuple(slice(r.start + s, r.stop + s, r.step) for r, s in zip(ranges, self._start, strict=True))
        return self._function(np.asarray(self.base[key]))


class Enlarged(LazyVolume):
    """Labels of a coarser grid on a scan's own: each of their voxels stands for ``factor`` voxels along each axis.

    Parameters
    ----------
    base
        The labels (z, y, x), in memory.
    factor
        Whole, from 1 up.
    start
        The scan's voxel (z, y, x) at which the labels begin; outside them all is 0.
    shape
        Of the scan; what overhangs it is left out.
    """

    def __init__(self, base: NDArray[Any], factor: int, start: Sequence[int], shape: Sequence[int]) -> None:
        (a, b, c), (z, y, x) = start, shape
        inner = tuple(slice(0, max(0, -(-(n - int(s)) // factor))) for s, n in zip(start, shape, strict=True))
        self.base, self.factor, self.dtype = base[inner], factor, base.dtype
        self.start, self.shape = (int(a), int(b), int(c)), (int(z), int(y), int(x))
        self.chunks = (min(64, self.shape[0]), min(64, self.shape[1]), min(64, self.shape[2]))

    def spans(self, axis: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return where along an axis each voxel of ``base`` begins and ends in the scan (half-open)."""
        first = self.start[axis] + self.factor * np.arange(self.base.shape[axis], dtype=np.int64)
        top = self.shape[axis]
        return np.minimum(first, top), np.minimum(first + self.factor, top)

    def _part(self, ranges: Ranges) -> NDArray[Any]:
        out = np.zeros([len(r) for r in ranges], self.dtype)
        index, place = [], []
        for axis, r in enumerate(ranges):
            at = (np.arange(r.start, r.stop, r.step, dtype=np.int64) - self.start[axis]) // self.factor
            held = np.flatnonzero((at >= 0) & (at < self.base.shape[axis]))
            if not len(held):
                return out
            place.append(slice(int(held[0]), int(held[-1]) + 1))
            index.append(at[held])
        first = [int(i[0]) for i in index]
        coarse = self.base[tuple(slice(int(i[0]), int(i[-1]) + 1) for i in index)]
        if not coarse.any():
            return out
        for axis, (i, low) in enumerate(zip(index, first, strict=True)):
            if len(i) != coarse.shape[axis] or (np.diff(i) != 1).any():
                coarse = np.take(coarse, i - low, axis=axis)
        out[tuple(place)] = coarse
        return out


def greys_of(scan: Scan, box_zyx: Sequence[Sequence[int]] | None = None) -> ArrayLike3D:
    """Return a scan's grey values, or those of a box (half-open ranges along z, y, x), read when asked for."""
    plain = scan.slope == 1.0 and scan.intercept == 0.0
    if plain and box_zyx is None:
        return scan.values
    return Mapped(scan.values, scan.grey, scan.values.dtype if plain else np.float32, box_zyx)


def slabs(volume: ArrayLike3D, box: Sequence[slice] | None = None) -> Iterator[tuple[int, NDArray[Any]]]:
    """Yield a volume, or a box of it, in slabs that lie on disk as pieces do: the first slice of each, and its voxels.

    A volume in memory is one slab.
    """
    whole = [slice(0, n) for n in volume.shape] if box is None else list(box)
    thick = _thick(volume)
    z = whole[0].start
    while z < whole[0].stop:
        stop = min((z // thick + 1) * thick, whole[0].stop)
        yield z, np.asarray(volume[slice(z, stop), whole[1], whole[2]])
        z = stop


def slab_bytes(volume: ArrayLike3D) -> int:
    """Return the size of the largest slab that `slabs` yields of a volume; 0 of one in memory, which is not copied."""
    if isinstance(volume, np.ndarray):
        return 0
    return min(_thick(volume), volume.shape[0]) * volume.shape[1] * volume.shape[2] * volume.dtype.itemsize


def _thick(volume: ArrayLike3D) -> int:
    return volume.shape[0] if isinstance(volume, np.ndarray) else int(getattr(volume, "chunks", (64,))[0])


def inside(labels: ArrayLike3D, corner: Sequence[int], shape: Sequence[int]) -> Enlarged:
    """Return labels in a larger volume of that shape, in which their first voxel has the index ``corner``."""
    if isinstance(labels, Enlarged):
        start = [s + int(c) for s, c in zip(labels.start, corner, strict=True)]
        return Enlarged(labels.base, labels.factor, start, shape)
    return Enlarged(np.asarray(labels), 1, corner, shape)


def least_and_greatest(labels: ArrayLike3D) -> tuple[int, int]:
    """Return the least and the greatest of a volume of whole numbers, and of 0."""
    low, high = 0, 0
    for _, slab in slabs(labels.base if isinstance(labels, Enlarged) else labels):
        low, high = min(low, int(slab.min(initial=0))), max(high, int(slab.max(initial=0)))
    return low, high
