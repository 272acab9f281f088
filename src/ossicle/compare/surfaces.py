"""Surfaces of labelled parts in skull coordinates, finer than voxels, and how far apart two of them lie.

A surface is that of the part's mask blurred by 0.7 voxel (standard deviation), at half level: marching cubes on the
mask itself would give stairs (Lorensen & Cline 1987, Comput. Graph. 21:163; figures in the project's methods).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cc3d
import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree
from skimage.measure import marching_cubes

from ossicle.errors import OssicleError

from .specimens import Compared

__all__ = ["Apart", "Surface", "apart", "surface_of"]

FloatArray = npt.NDArray[np.float64]
BLUR = 0.7
MARGIN = 4
MOST_VERTICES = 60_000
"""A larger part is taken at a coarser step: distances of a whole cranium do not need every voxel."""


@dataclass(frozen=True)
class Surface:
    """Triangles in mm: ``vertices`` (n, 3), ``faces`` (m, 3) counter-clockwise seen from outside, ``normals`` (n, 3) of
    unit length, outward. ``step_mm`` is the edge of the cells that it was made with.
    """

    vertices: FloatArray
    faces: npt.NDArray[np.int64]
    normals: FloatArray
    step_mm: float

    def moved(self, matrix: npt.ArrayLike) -> Surface:
        """Return the surface moved by a 4x4 matrix (turn, scale, shift, mirror)."""
        m = np.asarray(matrix, float)
        linear = m[:3, :3]
        normals = self.normals @ np.linalg.inv(linear)
        normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
        flip = np.linalg.det(linear) < 0
        faces = self.faces[:, ::-1] if flip else self.faces
        scale = float(np.cbrt(abs(np.linalg.det(linear))))
        return Surface(self.vertices @ linear.T + m[:3, 3], faces, normals, self.step_mm * scale)

    @property
    def areas(self) -> FloatArray:
        """Area (n,) that each vertex stands for, mm2: a third of its triangles."""
        a, b, c = (self.vertices[self.faces[:, i]] for i in range(3))
        area = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2
        out = np.zeros(len(self.vertices))
        for i in range(3):
            np.add.at(out, self.faces[:, i], area / 3)
        return out


def surface_of(s: Compared, parts: Iterable[int], *, crown: bool = False) -> Surface:
    """Return the surface of some parts of a specimen taken together, skull mm.

    ``crown`` takes only their enamel-covered portion: what of each tooth lies on the crown's side of the plane that
    best parts its enamel's lower tenth from the rest. Without enamel labels it raises.

    Raises
    ------
    OssicleError
        The labels are not at hand, or hold none of the parts.
    """
    wanted = sorted({int(p) for p in parts})
    labels = s.parts
    if labels is None:
        raise OssicleError(
            "the labels of its parts are not at hand, so it has no surfaces",
            where=s.name,
            mend="keep parts.nii.gz beside account.json",
        )
    low, high = _box(s, wanted)
    box = tuple(slice(a, b) for a, b in zip(low, high, strict=True))
    mask = np.isin(labels[box], wanted)
    mask = _whole(mask)
    if crown:
        mask = _crown(s, mask, box)
    step = 1
    while mask.sum() ** (2 / 3) * 9 / step**2 > MOST_VERTICES:
        step += 1
    padded = np.pad(mask.astype(np.float32), MARGIN)
    field = gaussian_filter(padded, BLUR * step)
    if float(field.max()) <= 0.5:
        raise OssicleError(f"part {wanted[0]} is too small for a surface", where=s.name, mend="leave it out")
    vertices, faces, _, _ = marching_cubes(field, 0.5, step_size=step, allow_degenerate=False)
    index = (vertices - MARGIN + np.asarray(low))[:, ::-1]
    m = s.index_to_skull
    points = index @ m[:3, :3].T + m[:3, 3]
    faces = faces.astype(np.int64)
    if _signed_volume(points, faces) < 0:
        faces = faces[:, ::-1]
    return Surface(points, np.ascontiguousarray(faces), _normals(points, faces), s.voxel_mm * step)


def _box(s: Compared, wanted: list[int]) -> tuple[list[int], list[int]]:
    boxes = s.boxes
    found = [b for p in wanted if 0 < p <= len(boxes) and (b := boxes[p - 1]) is not None]
    if not found:
        raise OssicleError(
            f"its labels hold no part {', '.join(map(str, wanted)) or 'that was asked for'}",
            where=s.name,
            mend="choose parts that its account lists",
        )
    return [min(b[i].start for b in found) for i in range(3)], [max(b[i].stop for b in found) for i in range(3)]


def _whole(mask: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Without specks: pieces of less than a fiftieth of the largest are left out."""
    pieces = cc3d.connected_components(mask, connectivity=26)
    sizes = np.bincount(pieces.ravel())
    sizes[0] = 0
    kept: npt.NDArray[np.bool_] = (sizes >= 0.02 * sizes.max())[pieces] & mask
    return kept


def _crown(s: Compared, mask: npt.NDArray[np.bool_], box: tuple[slice, ...]) -> npt.NDArray[np.bool_]:
    if s.enamel is None:
        raise OssicleError(
            "its enamel is not at hand, so its crowns cannot be told from the roots",
            where=s.name,
            mend="keep enamel.nii.gz beside account.json",
        )
    enamel = np.asarray(s.enamel[box]).astype(bool) & mask
    if enamel.sum() < 50:
        raise OssicleError("too little enamel was found to lay crowns over one another", where=s.name)
    solid, cap = np.argwhere(mask).astype(float), np.argwhere(enamel).astype(float)
    axis = cap.mean(axis=0) - solid.mean(axis=0)
    if np.linalg.norm(axis) < 0.3:  # all crown: nothing to cut off
        return mask
    axis /= np.linalg.norm(axis)
    out = np.zeros_like(mask)
    kept = solid @ axis >= np.quantile(cap @ axis, 0.1)
    out[tuple(solid[kept].astype(int).T)] = True
    return out


def _signed_volume(v: FloatArray, f: npt.NDArray[np.int64]) -> float:
    a, b, c = v[f[:, 0]], v[f[:, 1]], v[f[:, 2]]
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)


def _normals(v: FloatArray, f: npt.NDArray[np.int64]) -> FloatArray:
    way = np.cross(v[f[:, 1]] - v[f[:, 0]], v[f[:, 2]] - v[f[:, 0]])
    out = np.zeros_like(v)
    for i in range(3):
        np.add.at(out, f[:, i], way)
    unit: FloatArray = out / np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-12)
    return unit


@dataclass(frozen=True)
class Apart:
    """How far one surface lies from another, mm. ``signed`` (n,) belongs to the first one's vertices, positive where
    the first lies outside the second. Means and shares weigh vertices by the area that they stand for.
    """

    signed: FloatArray
    mean: float
    rms: float
    p95: float
    greatest: float
    both_ways_rms: float


def apart(first: Surface, second: Surface) -> Apart:
    """Return the distances of the first surface's vertices from the second, along its nearest vertex's normal plane.

    The distance to the tangent plane at the nearest vertex, never more than that to the vertex itself; its error is of
    the second order in the cell's edge. ``both_ways_rms`` takes the second's vertices too.
    """
    one, other = _signed(first, second), _signed(second, first)
    weights, back = first.areas, second.areas
    weights = weights / weights.sum()
    size = np.abs(one)
    order = np.argsort(size)
    p95 = float(size[order][np.searchsorted(np.cumsum(weights[order]), 0.95)])
    rms = float(np.sqrt((weights * one**2).sum()))
    other_rms = float(np.sqrt((back * other**2).sum() / back.sum()))
    return Apart(
        one,
        float((weights * one).sum()),
        rms,
        p95,
        float(size.max()),
        float(np.sqrt((rms**2 + other_rms**2) / 2)),
    )


def _signed(first: Surface, second: Surface) -> FloatArray:
    gap, near = cKDTree(second.vertices).query(first.vertices)
    off = np.einsum("ij,ij->i", first.vertices - second.vertices[near], second.normals[near])
    # beyond a few cells the tangent plane says nothing: the distance to the vertex does
    far = gap > 3 * second.step_mm
    out: FloatArray = np.where(far, np.copysign(gap, off), off)
    return out
