"""How many voxels each label has, where their middle lies, and the least box of each: counted slab by slab."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from ossicle.scans.lazy import Enlarged, slabs
from ossicle.scans.model import ArrayLike3D

from .boxes import Box

__all__ = ["boxes_of", "tally"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
THIN = 16
"""Slices counted at once."""


def tally(labels: ArrayLike3D, top: int) -> tuple[IntArray, tuple[FloatArray, FloatArray, FloatArray]]:
    """Return for each label from 0 to ``top`` - 1, or to the greatest there is, its voxels and the sums of their
    indices along z, y, x; those of label 0 are not counted.

    All sums are of whole numbers, so they are exact whatever the order (up to 2^53).
    """
    base: ArrayLike3D = labels.base if isinstance(labels, Enlarged) else labels
    if isinstance(labels, Enlarged):
        spans = [labels.spans(axis) for axis in range(3)]
        wide = [(b - a) for a, b in spans]
        first = [(b * (b - 1) - a * (a - 1)) // 2 for a, b in spans]  # sum of the indices from a to b - 1
    else:
        wide = [np.ones(n, np.int64) for n in base.shape]
        first = [np.arange(n, dtype=np.int64) for n in base.shape]
    count, sums = np.zeros(top), [np.zeros(top) for _ in range(3)]
    for begin, slab in slabs(base):
        for z in range(0, len(slab), THIN):
            some = np.asarray(slab[z : z + THIN])
            index = np.flatnonzero(some)
            label = some.ravel()[index].astype(np.int64)
            if not len(label):
                continue
            top = max(top, int(label.max()) + 1)
            at = list(np.unravel_index(index, some.shape))
            at[0] = at[0] + begin + z
            w = [v[i].astype(np.float64) for v, i in zip(wide, at, strict=True)]
            f = [v[i].astype(np.float64) for v, i in zip(first, at, strict=True)]
            count = _plus(count, label, w[0] * w[1] * w[2], top)
            sums = [
                _plus(sums[0], label, f[0] * w[1] * w[2], top),
                _plus(sums[1], label, w[0] * f[1] * w[2], top),
                _plus(sums[2], label, w[0] * w[1] * f[2], top),
            ]
    return count.astype(np.int64), (sums[0], sums[1], sums[2])


def _plus(total: FloatArray, label: IntArray, weight: FloatArray, top: int) -> FloatArray:
    out = np.asarray(np.bincount(label, weight, minlength=top), np.float64)
    out[: len(total)] += total
    return out


def boxes_of(labels: ArrayLike3D) -> dict[int, Box]:
    """Return the least box of each label, read slab by slab."""
    from scipy.ndimage import find_objects

    if isinstance(labels, Enlarged):
        spans = [labels.spans(axis) for axis in range(3)]
        return {
            part: _box([(int(a[s.start]), int(b[s.stop - 1])) for s, (a, b) in zip(box, spans, strict=True)])
            for part, box in boxes_of(labels.base).items()
            if all(int(b[s.stop - 1]) > int(a[s.start]) for s, (a, b) in zip(box, spans, strict=True))
        }
    ends: dict[int, list[tuple[int, int]]] = {}
    for begin, slab in slabs(labels):
        for part, box in enumerate(find_objects(_whole(slab)), start=1):
            if box is None:
                continue
            here = [(s.start + o, s.stop + o) for s, o in zip(box, (begin, 0, 0), strict=True)]
            known = ends.get(part, here)
            ends[part] = [(min(a, c), max(b, d)) for (a, b), (c, d) in zip(known, here, strict=True)]
    return {part: _box(at) for part, at in sorted(ends.items())}


def _whole(labels: npt.NDArray[Any]) -> npt.NDArray[Any]:
    return labels.view(np.uint8) if labels.dtype == np.bool_ else labels


def _box(ends: Sequence[tuple[int, int]]) -> Box:
    z, y, x = (slice(a, b) for a, b in ends)
    return z, y, x
