"""A first pass over a scan: voxels thinned out evenly, and lines along each axis, read slab by slab."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ossicle.scans.lazy import slabs
from ossicle.scans.model import ArrayLike3D

__all__ = ["Share", "Survey", "survey"]

FloatArray = npt.NDArray[np.float32]
Share = Callable[[float], None]
"""Called with the share of a step that is done; may raise to stop the work."""
GLANCE = 48
"""Voxels left along the shortest axis, about, where a scan is thinned out."""
LINES = 4_000_000
"""Voxels looked at along each axis, at most."""


@dataclass(frozen=True)
class Survey:
    """``glance`` float32 (z, y, x) has every ``step``-th voxel along each axis; ``lines`` float32 (z, y, x) has, for
    each axis, whole lines along it, thinned out across it alike."""

    glance: FloatArray
    step: int
    lines: tuple[FloatArray, FloatArray, FloatArray]


def survey(volume: ArrayLike3D, share: Share | None = None) -> Survey:
    """Look over a volume (z, y, x) once; no more than a slab of it is in memory."""
    shape = volume.shape
    step = max(1, min(shape) // GLANCE)
    thin = max(1, math.ceil(math.sqrt(math.prod(shape) / LINES)))
    wanted = [(step, step, step), *(tuple(1 if k == axis else thin for k in range(3)) for axis in range(3))]
    found = [np.empty([-(-n // s) for n, s in zip(shape, steps, strict=True)], np.float32) for steps in wanted]
    for first, slab in slabs(volume):
        for out, (dz, dy, dx) in zip(found, wanted, strict=True):
            begin = -(-first // dz)
            some = slab[begin * dz - first :: dz, ::dy, ::dx]
            out[begin : begin + len(some)] = some
        if share is not None:
            share((first + len(slab)) / shape[0])
    return Survey(found[0], step, (found[1], found[2], found[3]))
