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
from scipy.ndimage import gaussian_filter, grey_dilation, map_coordinates, maximum_filter
from skimage.measure import marching_cubes

from .sharpening import Layers

__all__ = ["ToothSurface", "tooth_surface"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
Volume = npt.NDArray[np.float32]

DRAWN = 0.7
"""Share of a label that the surface must hold if its greys are to draw it."""


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
    middle_area: FloatArray
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
    rim = maximum_filter(own, 3) & ~own
    falls = rim & ~other & (_outward_slope(own, relative) > 0.12)
    field[falls] = relative[falls]
    drawn = _main_piece(field > 1.0)
    if int((drawn & own).sum()) < DRAWN * int(own.sum()):
        # Too faint to be drawn by its greys (a young cap): the label's own border, a little smoothed, serves.
        field = 2 * gaussian_filter(own.astype(np.float32), 0.6)
        drawn = _main_piece(field > 1.0)
    if not drawn.any():
        return None
    field[~drawn & (field > 1.0)] = 0.0
    vertices, faces, _, _ = marching_cubes(np.pad(field, 1), 1.0)
    vertices = vertices.astype(float) - 1
    normal, _, _ = _geometry(vertices * spacing, faces)
    inward = -(normal / spacing) * spacing.min()
    vertices = vertices + _settle(vertices, inward, faces, own, sharp, layers, noise)[:, None] * inward
    normal, area, volume = _geometry(vertices * spacing, faces)
    inward = -(normal / spacing) * spacing.min()
    peak, thickness = _beneath(vertices, inward, faces, own, sharp, layers, noise)
    outside = np.rint(vertices - 0.6 * inward).astype(int)
    outside = np.clip(outside, 0, np.array(own.shape) - 1)
    free = falls[tuple(outside.T)]
    thickness = thickness * float(spacing.min())
    middle = _middle_area(vertices * spacing, normal, faces, thickness)
    return ToothSurface(vertices, normal, area, peak, thickness, middle, free, volume)


def _main_piece(mask: BoolArray) -> BoolArray:
    """The largest piece of a mask joined by faces."""
    pieces = cc3d.connected_components(mask, connectivity=6)
    if pieces.max() == 0:
        return np.zeros_like(mask)
    return np.asarray(pieces == np.bincount(pieces.ravel())[1:].argmax() + 1)


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


def _settle(
    vertices: FloatArray,
    inward: FloatArray,
    faces: npt.NDArray[np.integer],
    own: BoolArray,
    sharp: Volume,
    layers: Layers,
    noise: float,
) -> FloatArray:
    """How far (voxels, inwards) each vertex should move to where the grey passes the level that fits the peak
    beneath it.

    The first drawing takes the greatest grey near by, which noise lifts; here it is averaged over the
    surface. Vertices at which the grey passes no such level within a voxel (contacts) stay.
    """
    steps = np.arange(-1.0, 3.01, 0.25)
    at = vertices[:, None, :] + steps[None, :, None] * inward[:, None, :]
    grey = map_coordinates(sharp, at.reshape(-1, 3).T, order=1, mode="nearest").reshape(len(vertices), -1)
    index = np.clip(np.rint(at[:, ::2]).astype(int), 0, np.array(own.shape) - 1)
    within = own[index[..., 0], index[..., 1], index[..., 2]]
    peak = _spread(np.where(within, grey[:, ::2], 0.0).max(axis=1), faces)
    level = layers.level_of(np.maximum(peak - 0.6 * noise, 0.3))
    beyond = vertices[:, None, :] - np.array([1.0, 1.5, 2.0, 2.5])[None, :, None] * inward[:, None, :]
    ground = map_coordinates(sharp, beyond.reshape(-1, 3).T, order=1, mode="nearest").reshape(len(vertices), -1)
    level = level + 0.4 * np.clip(_spread(ground.min(axis=1), faces) - 0.02, 0.0, 0.5 * level)
    over = grey[:, :9] >= level[:, None]
    crosses = ~over[:, :-1] & over[:, 1:]
    place = np.where(crosses, np.abs(steps[:8] + 0.125)[None, :], np.inf)
    best = place.argmin(axis=1)
    row = np.arange(len(vertices))
    low, high = grey[row, best], grey[row, best + 1]
    move = steps[best] + 0.25 * np.clip((level - low) / np.maximum(high - low, 1e-6), 0.0, 1.0)
    return _spread(np.where(crosses.any(axis=1), np.clip(move, -0.75, 0.75), 0.0), faces)


def _middle_area(
    points: FloatArray, normal: FloatArray, faces: npt.NDArray[np.integer], thickness: FloatArray
) -> FloatArray:
    """Shares of area (mm2) of the surface half way through the enamel: smaller than outside, as crowns
    bulge."""
    even = np.stack([_spread(normal[:, k], faces, 3) for k in range(3)], axis=1)
    even = even / np.maximum(np.linalg.norm(even, axis=1, keepdims=True), 1e-9)
    inner = points - 0.5 * _spread(thickness, faces, 2)[:, None] * even

    def cross(p: FloatArray) -> FloatArray:
        corner = p[faces]
        return np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])

    outside, inside = cross(points), cross(inner)
    size = np.linalg.norm(outside, axis=1)
    share = np.clip(np.einsum("ij,ij->i", outside, inside) / np.maximum(size, 1e-18), 0.0, 2 * size) / 2
    return np.asarray(np.bincount(faces.ravel(), np.repeat(share / 3, 3), len(points)), float)


def _spread(values: FloatArray, faces: npt.NDArray[np.integer], rounds: int = 1) -> FloatArray:
    """Average values of vertices over their triangles, ``rounds`` times."""
    flat = faces.ravel()
    count = np.maximum(np.bincount(flat, minlength=len(values)), 1)
    for _ in range(rounds):
        mean = values[faces].mean(axis=1)
        values = np.bincount(flat, np.repeat(mean, 3), len(values)) / count
    return np.asarray(values, float)


def _beneath(
    vertices: FloatArray,
    inward: FloatArray,
    faces: npt.NDArray[np.integer],
    own: BoolArray,
    sharp: Volume,
    layers: Layers,
    noise: float,
) -> tuple[FloatArray, FloatArray]:
    """Peak grey and enamel thickness (voxels) beneath each vertex.

    A layer thick enough to reach its own grey is measured to where the grey falls below the middle between
    enamel and dentine.
    """
    inside = own.astype(np.float32)

    def greys(which: npt.NDArray[np.intp], depths: FloatArray) -> FloatArray:
        at = vertices[which][:, None, :] + depths[None, :, None] * inward[which][:, None, :]
        at = at.reshape(-1, 3).T
        value = map_coordinates(sharp, at, order=1, mode="nearest")
        within = map_coordinates(inside, at, order=1, mode="nearest") > 0.4
        return np.where(within, value, -1.0).reshape(len(which), len(depths))

    everything = np.arange(len(vertices))
    depths = np.arange(0.5, 6.01, 0.5)
    profile = greys(everything, depths)
    shallow = map_coordinates(sharp, vertices.T, order=1, mode="nearest")
    peak = _spread(np.maximum(profile[:, depths <= 3.0].max(axis=1), shallow), faces)
    width = _depth_below(profile, depths, layers.middle)
    deeper = np.flatnonzero(profile[:, -1] >= layers.middle)
    if len(deeper):
        further = np.arange(6.0, 25.0, 1.0)
        width[deeper] = _depth_below(greys(deeper, further), further, layers.middle)
    return peak, layers.thickness_of(peak - 0.6 * noise, width)


def _depth_below(profile: FloatArray, depths: FloatArray, middle: float) -> FloatArray:
    """Depth at which profiles (n, depths) first fall below ``middle`` after having been above it; 0 where
    they never were."""
    above = profile >= middle
    first = np.argmax(above, axis=1)
    ends = ~above & (np.arange(len(depths))[None, :] > first[:, None])
    end = np.where(ends.any(axis=1), np.argmax(ends, axis=1), len(depths) - 1)
    row = np.arange(len(profile))
    high, low = profile[row, np.maximum(end - 1, 0)], np.maximum(profile[row, end], 0.0)
    part = np.clip((high - middle) / np.maximum(high - low, 1e-6), 0.0, 1.0)
    step = depths[end] - depths[np.maximum(end - 1, 0)]
    return np.asarray(np.where(above.any(axis=1), depths[np.maximum(end - 1, 0)] + part * step, 0.0), float)
