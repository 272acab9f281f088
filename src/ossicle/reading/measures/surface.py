"""The surface of one tooth, finer than voxels.

The label says which voxels are the tooth's; the grey values say where between two voxels its surface runs. At
a blurred edge it lies where the grey is about half way to the tissue behind it; thin layers shift that level,
see `sharpening`.
"""

from __future__ import annotations

from dataclasses import dataclass

import cc3d
import edt
import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation, gaussian_filter, grey_dilation, map_coordinates
from skimage.measure import marching_cubes

from .sharpening import Layers

__all__ = ["ToothSurface", "tooth_surface"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
Volume = npt.NDArray[np.float32]


@dataclass(frozen=True)
class ToothSurface:
    """Surface of one tooth as triangles' vertices, in voxel indices (z, y, x) of the box.

    ``area`` is each vertex's share of the surface in mm2, ``normal`` points outwards (unit vectors in mm,
    axis order z, y, x), ``peak`` is the greatest grey within three voxels beneath, ``thickness_mm`` the
    enamel there, ``free`` tells that the grey falls off outside (no contact). ``volume_mm3`` is what the
    surface holds.
    """

    vertices: FloatArray
    normal: FloatArray
    area: FloatArray
    peak: FloatArray
    thickness_mm: FloatArray
    free: BoolArray
    volume_mm3: float


def tooth_surface(
    own: BoolArray, other: BoolArray, sharp: Volume, layers: Layers, noise: float, spacing: FloatArray
) -> ToothSurface | None:
    """Draw the surface of the tooth ``own`` (z, y, x) in its box; ``other`` marks other teeth, ``sharp`` the
    sharpened greys.

    Outside the label the greys decide within one voxel, where they fall off outwards; at a contact (other
    tooth, bone grown on) the label's own border is taken. ``noise`` is that of ``sharp``. Returns None where
    there is too little of a tooth.
    """
    if int(own.sum()) < 8:
        return None
    depth = edt.edt(own, parallel=1)
    level = layers.level_of(np.maximum(_peak_near(own, sharp) - noise, 0.3)).astype(np.float32)
    relative = np.asarray(sharp / np.maximum(level, np.float32(0.15)), np.float32)
    field = np.where(own, np.maximum(relative, np.where(depth > 1.8, 1.5, 0.0)), 0.0).astype(np.float32)
    rim = binary_dilation(own, np.ones((3, 3, 3), bool)) & ~own
    falls = rim & ~other & (_outward_slope(own, relative) > 0.12)
    field[falls] = relative[falls]
    pieces = cc3d.connected_components(field > 1.0, connectivity=6)
    if pieces.max() == 0:
        return None
    main = np.bincount(pieces.ravel())[1:].argmax() + 1
    field[(pieces != main) & (field > 1.0)] = 0.0
    vertices, faces, _, _ = marching_cubes(np.pad(field, 1), 1.0)
    vertices = vertices.astype(float) - 1
    normal, area, volume = _geometry(vertices * spacing, faces)
    inward = -(normal / spacing) * spacing.min()
    peak, thickness = _beneath(vertices, inward, own, sharp, layers, noise)
    outside = np.rint(vertices - 0.6 * inward).astype(int)
    outside = np.clip(outside, 0, np.array(own.shape) - 1)
    free = falls[tuple(outside.T)]
    return ToothSurface(vertices, normal, area, peak, thickness * float(spacing.min()), free, volume)


def _peak_near(own: BoolArray, sharp: Volume) -> Volume:
    """Greatest grey of the tooth within a ball of a little over two voxels."""
    z, y, x = np.indices((5, 5, 5)) - 2
    ball = z * z + y * y + x * x <= 5
    return np.asarray(grey_dilation(np.where(own, sharp, np.float32(0)), footprint=ball), np.float32)


def _outward_slope(own: BoolArray, relative: Volume) -> Volume:
    """How fast the grey falls off away from the tooth, per voxel."""
    towards = gaussian_filter(own.astype(np.float32), 1.0)
    slope = np.zeros(own.shape, np.float32)
    steepness = np.zeros(own.shape, np.float32)
    for axis in range(3):
        step = np.gradient(towards, axis=axis)
        slope += np.gradient(relative, axis=axis) * step
        steepness += step * step
    return np.asarray(slope / np.maximum(np.sqrt(steepness), 1e-6), np.float32)


def _geometry(points: FloatArray, faces: npt.NDArray[np.integer]) -> tuple[FloatArray, FloatArray, float]:
    """Outward unit normals and shares of area of the vertices, and the volume held, from triangles."""
    corner = points[faces]
    cross = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    volume = float(np.einsum("ij,ij->i", corner[:, 0] - points.mean(axis=0), cross).sum() / 6)
    if volume < 0:
        cross, volume = -cross, -volume
    flat, count = faces.ravel(), len(points)
    area = np.bincount(flat, np.repeat(np.linalg.norm(cross, axis=1) / 6, 3), count)
    normal = np.stack([np.bincount(flat, np.repeat(cross[:, k], 3), count) for k in range(3)], axis=1)
    normal = normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
    return np.asarray(normal, float), np.asarray(area, float), volume


def _beneath(
    vertices: FloatArray, inward: FloatArray, own: BoolArray, sharp: Volume, layers: Layers, noise: float
) -> tuple[FloatArray, FloatArray]:
    """Peak grey and enamel thickness (voxels) beneath each vertex.

    A layer thick enough to reach its own grey is measured to where the grey falls below the middle between
    enamel and dentine.
    """
    depths = np.arange(0.0, 6.01, 0.5)
    inside = own.astype(np.float32)
    profile = np.full((len(depths), len(vertices)), -1.0)
    for i, depth in enumerate(depths):
        at = (vertices + depth * inward).T
        value = map_coordinates(sharp, at, order=1, mode="nearest")
        within = map_coordinates(inside, at, order=1, mode="nearest") > 0.4
        profile[i] = np.where(within | (depth == 0.0), value, -1.0)
    peak = profile[depths <= 3.0].max(axis=0)
    thickness = layers.thickness_of(peak - 0.6 * noise)
    thick = peak - noise >= layers.full
    if thick.any():
        middle = layers.middle
        first = np.argmax(profile[:, thick] >= middle, axis=0)
        beyond = (profile[:, thick] < middle) & (np.arange(len(depths))[:, None] > first[None, :])
        end = np.where(beyond.any(axis=0), np.argmax(beyond, axis=0), len(depths) - 1)
        column = np.arange(int(thick.sum()))
        high, low = profile[end - 1, np.flatnonzero(thick)], profile[end, np.flatnonzero(thick)]
        part = np.clip((high - middle) / np.maximum(high - low, 1e-6), 0.0, 1.0)
        reach = depths[end - 1] + part * 0.5
        thickness[thick] = np.maximum(thickness[thick], reach[column])
    return peak, thickness
