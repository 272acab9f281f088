"""Triangles into a depth buffer, in NumPy alone: which is foremost at each pixel of a parallel projection.

Triangles of like size are filled together: their weights and depth are linear over the pixels of a box, so that one
product serves all (the half-plane test of Pineda 1988, Computer Graphics 22(4):17).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["rasterise", "weights_in"]

FloatArray = npt.NDArray[np.float64]
_Planes = npt.NDArray[np.float32]
_HAIR = 1e-5
_FRAGMENTS = 3_000_000
"""Candidate pixels of triangles that are held at once."""


def weights_in(
    points: FloatArray, corners: npt.NDArray[np.int64], x: FloatArray, y: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Barycentric weights (n, 3) of places (n,) in triangles (n, 3); twice their area as seen, positive in front."""
    a, b, c = (points[corners[:, k], :2] for k in range(3))
    # Rows run down the page, so a triangle that faces the eye turns the other way round in pixels.
    area = (c[:, 0] - a[:, 0]) * (b[:, 1] - a[:, 1]) - (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1])
    size = np.where(area == 0, 1.0, area)
    dx, dy = x - a[:, 0], y - a[:, 1]
    w1 = ((c[:, 0] - a[:, 0]) * dy - dx * (c[:, 1] - a[:, 1])) / size
    w2 = (dx * (b[:, 1] - a[:, 1]) - (b[:, 0] - a[:, 0]) * dy) / size
    return np.stack([1 - w1 - w2, w1, w2], axis=-1), area


def rasterise(
    points: FloatArray,
    corners: npt.NDArray[np.int64],
    nearer: npt.NDArray[np.float32],
    cut: npt.NDArray[np.float32] | None,
    before: npt.NDArray[np.float32] | None,
    depth: npt.NDArray[np.float32],
    triangle: npt.NDArray[np.int64],
    size_px: tuple[int, int],
) -> None:
    """Fill ``depth`` and ``triangle`` in place with the foremost triangle of each pixel.

    Parameters
    ----------
    points
        (n, 3): column, row, mm towards the eye.
    corners
        (m, 3) indices of triangles into ``points``; ``nearer`` (m,) is how much nearer each is drawn, mm.
    cut
        (n,) values of the points; where they are above 0 is cut away. None: nothing is.
    before
        Flat depth, mm towards the eye, that hides what lies behind it.
    depth, triangle
        Flat, height times width; the number of the triangle is its place in ``corners``.
    size_px
        Width and height of the picture.
    """
    width, height = size_px
    place = points[corners]
    a, b, c = place[:, 0], place[:, 1], place[:, 2]
    area = (c[:, 0] - a[:, 0]) * (b[:, 1] - a[:, 1]) - (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1])
    # Closed surfaces show their insides only where they are cut open.
    chosen = np.flatnonzero((area > 0) if cut is None else (area != 0) & (cut[corners] <= 0).any(axis=1))
    place, area = place[chosen], area[chosen]
    low = np.maximum(np.ceil(place[:, :, :2].min(axis=1) - 1e-9), 0).astype(np.int64)
    high = np.floor(place[:, :, :2].max(axis=1) + 1e-9).astype(np.int64)
    size = np.minimum(high, [width - 1, height - 1]) - low + 1
    kept = (size > 0).all(axis=1)
    chosen, place, area, low, size = chosen[kept], place[kept], area[kept], low[kept], size[kept]
    # Weights, depth and the cut are linear over a triangle: value at its first pixel, steps to the right and down.
    one, two, far, open_ = _planes(place, area, low, None if cut is None else cut[corners[chosen]])
    step = _rounded(size)
    kinds, kind = np.unique(step[:, 0] * 65536 + step[:, 1], return_inverse=True)
    order = np.argsort(kind.ravel(), kind="stable")
    ends = np.searchsorted(kind.ravel()[order], np.arange(len(kinds) + 1))
    for number, code in enumerate(kinds):
        wide, tall = int(code) // 65536, int(code) % 65536
        mine = order[ends[number] : ends[number + 1]]
        right = np.arange(wide, dtype=np.float32)[:, None, None]
        down = np.arange(tall, dtype=np.float32)[None, :, None]
        most = max(1, _FRAGMENTS // (wide * tall))
        for start in range(0, len(mine), most):
            t = mine[start : start + most]
            w1, w2 = (w[t, 0] + w[t, 1] * right + w[t, 2] * down for w in (one, two))
            inside = (w1 >= -_HAIR) & (w2 >= -_HAIR) & (w1 + w2 <= 1 + _HAIR)
            i, j, n = np.nonzero(inside)
            n = t[n]
            keep = (i < size[n, 0]) & (j < size[n, 1])
            if open_ is not None:
                keep &= open_[n, 0] + open_[n, 1] * i + open_[n, 2] * j <= 0
            i, j, n = i[keep], j[keep], n[keep]
            at = (low[n, 1] + j) * width + low[n, 0] + i
            z = far[n, 0] + far[n, 1] * i.astype(np.float32) + far[n, 2] * j.astype(np.float32)
            if before is not None:
                keep = z > before[at]
                at, z, n = at[keep], z[keep], n[keep]
            z = z + nearer[chosen[n]]
            np.maximum.at(depth, at, z)
            best = z == depth[at]
            triangle[at[best]] = chosen[n[best]]


def _rounded(size: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Sizes of boxes rounded up to few kinds: exact to 8 pixels, then in steps of an eighth."""
    grain = np.int64(1) << np.maximum(np.floor(np.log2(np.maximum(size, 1))).astype(np.int64) - 3, 0)
    return np.asarray(-(-size // grain) * grain, np.int64)


def _planes(
    place: FloatArray, area: FloatArray, low: npt.NDArray[np.int64], cut: npt.NDArray[np.float32] | None
) -> tuple[_Planes, _Planes, _Planes, _Planes | None]:
    """Return weights of the second and third corner, depth and cut as (n, 3): at ``low``, per column, per row."""
    a, b, c = place[:, 0], place[:, 1], place[:, 2]
    first = np.stack([(c[:, 1] - a[:, 1]) * -1, c[:, 0] - a[:, 0]], axis=1) / area[:, None]
    second = np.stack([b[:, 1] - a[:, 1], -(b[:, 0] - a[:, 0])], axis=1) / area[:, None]
    off = low - a[:, :2]

    def plane(at_a: FloatArray, slope: FloatArray) -> _Planes:
        return np.stack([at_a + (slope * off).sum(axis=1), slope[:, 0], slope[:, 1]], axis=1).astype(np.float32)

    def mixed(values: FloatArray) -> _Planes:
        slope = (values[:, 1] - values[:, 0])[:, None] * first + (values[:, 2] - values[:, 0])[:, None] * second
        return plane(values[:, 0], slope)

    zero = np.zeros(len(a))
    return (
        plane(zero, first),
        plane(zero, second),
        mixed(place[:, :, 2]),
        None if cut is None else mixed(cut.astype(float)),
    )
