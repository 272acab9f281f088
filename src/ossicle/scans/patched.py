"""A volume with some boxes of it replaced, the rest left where it lies."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ossicle.scans.lazy import LazyVolume
from ossicle.scans.model import ArrayLike3D

__all__ = ["PatchedVolume"]

Box = tuple[slice, slice, slice]


class PatchedVolume(LazyVolume):
    """A volume (z, y, x) as ``base`` has it, but for the patches laid over it in order. Slices are read when asked for.

    Parameters
    ----------
    base
        In memory or on disk.
    patches
        Boxes with start and stop, each with its values.
    """

    def __init__(self, base: ArrayLike3D, patches: Sequence[tuple[Box, NDArray[Any]]]) -> None:
        laid: list[tuple[Box, NDArray[Any]]] = list(patches)
        if isinstance(base, PatchedVolume):
            laid, base = [*base.patches, *laid], base.base
        self.base: ArrayLike3D = base
        self.patches: tuple[tuple[Box, NDArray[Any]], ...] = tuple(laid)
        z, y, x = base.shape
        self.shape = (int(z), int(y), int(x))
        self.dtype = np.result_type(base.dtype, *(patch.dtype for _, patch in laid))

    @property
    def chunks(self) -> tuple[int, int, int]:
        """Shape of the pieces in which the base lies on disk, or of the whole."""
        z, y, x = getattr(self.base, "chunks", None) or self.shape
        return int(z), int(y), int(x)

    def _part(self, ranges: tuple[range, range, range]) -> NDArray[Any]:
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
        return out
