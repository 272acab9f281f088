"""A volume with some boxes of it replaced, the rest left where it lies."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

from ossicle.scans.model import ArrayLike3D

__all__ = ["PatchedVolume"]

Box = tuple[slice, slice, slice]


class PatchedVolume:
    """A volume (z, y, x) as ``base`` has it, but for the patches laid over it in order. Slices are read when asked for.

    Parameters
    ----------
    base
        In memory or on disk.
    patches
        Boxes with start and stop, each with its values.
    """

    ndim = 3

    def __init__(self, base: ArrayLike3D, patches: Sequence[tuple[Box, NDArray[Any]]]) -> None:
        laid: list[tuple[Box, NDArray[Any]]] = list(patches)
        if isinstance(base, PatchedVolume):
            laid, base = [*base.patches, *laid], base.base
        self.base: ArrayLike3D = base
        self.patches: tuple[tuple[Box, NDArray[Any]], ...] = tuple(laid)

    @property
    def shape(self) -> tuple[int, int, int]:
        """Number of voxels along z, y, x."""
        z, y, x = self.base.shape
        return int(z), int(y), int(x)

    @property
    def dtype(self) -> np.dtype[Any]:
        """Type of a voxel: one that holds base and patches."""
        return np.result_type(self.base.dtype, *(patch.dtype for _, patch in self.patches))

    @property
    def chunks(self) -> tuple[int, int, int]:
        """Shape of the pieces in which the base lies on disk, or of the whole."""
        z, y, x = getattr(self.base, "chunks", None) or self.shape
        return int(z), int(y), int(x)

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
            raise IndexError("a patched volume is read forwards")
        wanted = tuple(slice(r.start, r.stop, r.step) for r in ranges)
        out = np.array(self.base[wanted], dtype=self.dtype)
        for box, patch in self.patches:
            inner, outer = [], []
            for r, b in zip(ranges, box, strict=True):
                first = max(0, -(-(b.start - r.start) // r.step))
                last = min(len(r), -(-(b.stop - r.start) // r.step))
                outer.append(slice(first, max(first, last)))
                start = r.start + first * r.step - b.start
                inner.append(slice(start, start + max(0, last - first) * r.step, r.step))
            if all(s.stop > s.start for s in outer):
                out[tuple(outer)] = patch[tuple(inner)]
        return out[tuple(0 if not isinstance(k, slice) else slice(None) for k in keys)]

    def __array__(self, dtype: DTypeLike | None = None, copy: bool | None = None) -> NDArray[Any]:
        """Return the whole volume in memory."""
        if copy is False:
            raise ValueError("a patched volume cannot be had without reading it")
        whole: NDArray[Any] = self[...]
        return whole if dtype is None else whole.astype(dtype, copy=False)
