"""Points on the surface of a part, finer than voxels: where the grey crosses half-way between bone and surround."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..boxes import Box, grown
from .space import Space

__all__ = ["extent", "surface_points", "tip"]

FloatArray = npt.NDArray[np.float64]


def surface_points(space: Space, parts: int | list[int], within: Box | None = None) -> FloatArray:
    """Return points (n, 3) in skull mm on the outer and inner surface of parts, or of what of them lies in a box.

    Voxels of the parts that touch what is not solid are moved along the slope of the grey to its half level, by one
    voxel at most; those without a clear slope are left out.
    """
    some = [parts] if isinstance(parts, int) else parts
    held = [b for b in (space.box(p) for p in some) if b is not None]
    if not held:
        return np.zeros((0, 3))
    tight = within or tuple(slice(min(b[a].start for b in held), max(b[a].stop for b in held)) for a in range(3))
    box = grown(tight, space.labels.shape, 2)
    values = space.values[box]
    labels = space.labels[box]
    mark = (labels == some[0] if len(some) == 1 else np.isin(labels, some)) & (values > 0.5)
    if not mark.any():
        return np.zeros((0, 3))
    inner = np.ones(mark.shape, bool)
    solid = values > 0.5
    for axis in range(3):
        for way in (1, -1):
            inner &= np.roll(solid, way, axis)
    at = np.argwhere(mark & ~inner)
    top = np.array(values.shape) - 2
    at = at[((at > 0) & (at <= top)).all(axis=1)]
    z, y, x = at.T
    slope = (
        np.stack(
            [
                values[z + 1, y, x] - values[z - 1, y, x],
                values[z, y + 1, x] - values[z, y - 1, x],
                values[z, y, x + 1] - values[z, y, x - 1],
            ],
            axis=1,
        )
        / 2
    )
    steep = np.linalg.norm(slope, axis=1)
    kept = steep > 0.08
    at, slope, steep = at[kept], slope[kept], steep[kept]
    rest = 0.5 - values[tuple(at.T)]
    move = np.clip(rest / steep, -1.0, 1.0)[:, None] * slope / steep[:, None]
    start = np.array([s.start for s in box])
    return space.skull_mm(at + move + start)


def tip(points: FloatArray, axis: int, sign: int, space: Space) -> FloatArray | None:
    """The farthest point of a surface along an axis, as a fit of the surface about it gives it.

    A paraboloid is fitted to the points near the farthest one, so that noise in one decides little. Blur draws a
    rounded end in by its variance times the mean curvature; that is given back, up to half the blur. None where there
    are too few points.
    """
    if len(points) < 12:
        return None
    reach = sign * points[:, axis]
    top = points[int(np.argmax(reach))]
    others = [a for a in range(3) if a != axis]
    flat = points[:, others] - top[others]
    near = (np.hypot(*flat.T) < 3.0 * space.voxel) & (reach > sign * top[axis] - 2.5 * space.voxel)
    out: FloatArray = top.copy()
    if near.sum() < 10:
        return out
    u, v = flat[near].T
    basis = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=1)
    fit = np.linalg.lstsq(basis, reach[near], rcond=1e-6)[0]
    bend = -2 * (fit[3] + fit[5])
    apex = float(fit[0])
    matrix = -np.array([[2 * fit[3], fit[4]], [fit[4], 2 * fit[5]]])
    if np.linalg.eigvalsh(matrix)[0] > 1e-3:
        at = np.linalg.solve(matrix, fit[1:3])
        if np.hypot(*at) < 3.0 * space.voxel:
            apex += 0.5 * float(fit[1:3] @ at)
    # no farther out than the surface itself shows by more than half a voxel
    apex = float(np.clip(apex, sign * top[axis] - space.voxel, sign * top[axis] + 0.25 * space.voxel))
    out[axis] = sign * (apex + float(np.clip(space.blur_mm**2 * bend / 2, 0.0, 0.5 * space.blur_mm)))
    return out


def extent(values: FloatArray, few: int = 4) -> tuple[float, float]:
    """Least and greatest of coordinates, each the mean of the ``few`` farthest less the very farthest, so that one
    stray point decides nothing."""
    ordered = np.sort(values)
    if len(ordered) < 3 * few:
        return float(ordered[0]), float(ordered[-1])
    return float(ordered[1:few].mean()), float(ordered[-few:-1].mean())
