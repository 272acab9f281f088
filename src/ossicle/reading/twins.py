"""What of a dentary its mirror image tells: bone that lies within the other side's dentary, mirrored and laid on it."""

from __future__ import annotations

import edt
import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates
from scipy.spatial import cKDTree

from .boxes import box_of, grown

__all__ = ["mirrored_dentaries"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

POINTS = 3000
ROUNDS = 25
TRIM = 0.6
"""Share of the nearest points that the fit goes by, since one side may be cut short."""
MOST_APART = 2.5
"""Voxels by which the trimmed points of the two sides may be apart for the mirror image to be trusted."""
INNER = 1.5
"""Voxels from the mirrored dentary's surface at which bone is taken for the dentary's."""


def mirrored_dentaries(
    dentaries: BoolArray, bone: BoolArray, left: BoolArray, spacing_mm_zyx: npt.ArrayLike, scan_to_skull: FloatArray
) -> BoolArray:
    """Find bone outside ``dentaries`` that lies within the mirror image of the other side's.

    ``dentaries`` and ``bone`` are masks (z, y, x), ``left`` the voxels left of the midplane. Each side is mirrored at
    the midplane of the pose and fitted on the other as a rigid body (trimmed iterative closest points: Chetverikov et
    al. 2005, Image Vis. Comput. 23:299). Nothing is returned where a side is missing or the two do not fit.
    """
    spacing = np.asarray(spacing_mm_zyx, float)
    out = np.zeros(bone.shape, bool)
    masks = (dentaries & left, dentaries & ~left)
    sizes = [int(m.sum()) for m in masks]
    if min(sizes) < 200 or min(sizes) < 0.15 * max(sizes):
        return out
    for source, target in (masks, masks[::-1]):
        fit = _fit(_points(source, spacing, scan_to_skull), _points(target, spacing, scan_to_skull))
        if fit is None or fit[2] > MOST_APART * float(np.cbrt(spacing.prod())):
            continue
        turn, move, _ = fit
        side = left if target is masks[0] else ~left
        at = np.argwhere(bone & ~dentaries & side)
        points = _skull(at, spacing, scan_to_skull)
        back = ((points - move) @ turn) * np.array([-1.0, 1.0, 1.0])
        tight = box_of(source)
        assert tight is not None  # it holds 200 voxels at least
        box = grown(tight, source.shape, 1)
        index = _index(back, spacing, scan_to_skull) - np.array([s.start for s in box])
        deep = edt.edt(source[box], parallel=1)
        out[tuple(at.T)] |= map_coordinates(deep, index.T, order=1, mode="constant") > INNER
    return out


def _points(mask: BoolArray, spacing: FloatArray, matrix: FloatArray) -> FloatArray:
    at = np.argwhere(mask)
    return _skull(at[:: max(1, len(at) // POINTS)], spacing, matrix)


def _skull(index: npt.NDArray[np.intp], spacing: FloatArray, matrix: FloatArray) -> FloatArray:
    out: FloatArray = (index * spacing)[:, ::-1] @ matrix[:3, :3].T + matrix[:3, 3]
    return out


def _index(points: FloatArray, spacing: FloatArray, matrix: FloatArray) -> FloatArray:
    back = np.linalg.inv(matrix)
    out: FloatArray = (points @ back[:3, :3].T + back[:3, 3])[:, ::-1] / spacing
    return out


def _fit(source: FloatArray, target: FloatArray) -> tuple[FloatArray, FloatArray, float] | None:
    """Turn and move that lay the mirrored source on the target, and how far (mm) the trimmed points stay apart."""
    flipped = source * np.array([-1.0, 1.0, 1.0])
    tree = cKDTree(target)
    turn, move = np.eye(3), np.zeros(3)
    apart = np.inf
    for _ in range(ROUNDS):
        laid = flipped @ turn.T + move
        gap, near = tree.query(laid)
        kept = gap <= np.quantile(gap, TRIM)
        a, b = flipped[kept], target[near[kept]]
        u, _, v = np.linalg.svd((b - b.mean(0)).T @ (a - a.mean(0)))
        turn = u @ np.diag([1.0, 1.0, float(np.sign(np.linalg.det(u @ v)))]) @ v
        move = b.mean(0) - turn @ a.mean(0)
        apart = float(np.sqrt((gap[kept] ** 2).mean()))
    # a mirror image that had to turn far is no counterpart
    if np.trace(turn) < 1 + 2 * np.cos(np.deg2rad(20.0)):
        return None
    return turn, move, apart
