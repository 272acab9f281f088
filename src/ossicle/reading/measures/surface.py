"""The surface of one tooth, finer than voxels, and how thick its enamel is.

The label says which voxels are the tooth's; the grey values say where between two voxels its surface runs. At
a blurred edge the surface lies where the grey is half way to the tissue behind it. Where a thin bright layer
(enamel) covers a darker body (dentine) both the level at the surface and the peak beneath depend on the
layer's thickness, so a table of the blurred step

    u(x) = E * (Phi(x / s) - Phi((x - t) / s)) + D * Phi((x - t) / s)

(x depth below the surface, t thickness, s blur, E and D the levels of enamel and dentine, Phi the normal
distribution function) turns the observed peak into thickness and level. Method: model-based thickness of thin
layers under a known blur, as published for cortical bone (Treece et al. 2010, Med. Image Anal. 14:276, value
from memory), here with the peak alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import cc3d
import edt
import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation, gaussian_filter, grey_dilation, map_coordinates
from scipy.special import ndtr
from skimage.measure import marching_cubes

__all__ = ["SMOOTHING", "Layer", "Levels", "ToothSurface", "tooth_surface"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

SMOOTHING = 0.7
"""Gaussian (sigma, voxels) put on the grey values before surfaces are drawn: halves white noise, adds little
to the blur."""


@dataclass(frozen=True)
class Levels:
    """Normalised levels of dentine and enamel, noise, and blur (sigma, voxels) of the scan before
    smoothing."""

    dentine: float
    enamel: float
    noise: float
    blur: float

    @property
    def blur_smoothed(self) -> float:
        """Blur after `SMOOTHING`, sigma in voxels."""
        return float(np.hypot(self.blur, SMOOTHING))

    @property
    def noise_smoothed(self) -> float:
        """Noise after `SMOOTHING`, for noise that is white but for the scan's own slight correlation."""
        return float(self.noise * min(1.0, 0.6 / (2 * np.sqrt(np.pi) * SMOOTHING) ** 1.5 + 0.15))


@dataclass(frozen=True)
class Layer:
    """What a peak beneath the surface means: tables over rising ``peak``."""

    peak: FloatArray
    thickness: FloatArray
    level: FloatArray

    @classmethod
    def of(cls, enamel: float, dentine: float, blur: float) -> Layer:
        """Tabulate layers 0 to 6 blurs thick; ``blur`` in voxels, thickness in voxels."""
        t = np.linspace(0.0, 6.0, 121)[:, None] * blur
        x = np.linspace(-1.0, 8.0, 361)[None, :] * blur
        inner = ndtr((x - t) / blur)
        u = enamel * (ndtr(x / blur) - inner) + dentine * inner
        peak = np.maximum.accumulate(u.max(axis=1))
        keep = np.concatenate([[True], np.diff(peak) > 1e-6])
        at = enamel * (0.5 - ndtr(-t[:, 0] / blur)) + dentine * ndtr(-t[:, 0] / blur)
        return cls(peak[keep], t[keep, 0], at[keep])

    def thickness_of(self, peak: npt.NDArray[np.floating]) -> FloatArray:
        """Thickness in voxels, 0 where the peak does not exceed bare dentine."""
        return np.asarray(np.interp(peak, self.peak, self.thickness))

    def level_of(self, peak: npt.NDArray[np.floating], dentine: float) -> FloatArray:
        """Grey at the true surface; half the peak where it stays below dentine."""
        return np.asarray(np.where(peak < dentine, peak / 2, np.interp(peak, self.peak, self.level)))


@dataclass(frozen=True)
class ToothSurface:
    """Surface of one tooth as triangles' vertices, in voxel indices (z, y, x) of the box.

    ``area`` is each vertex's share of the surface (mm2, from real spacing), ``normal`` points outwards (unit
    vectors in mm space, axis order z, y, x), ``peak`` is the greatest grey within three voxels beneath,
    ``free`` tells that the grey falls off outside (no contact).
    """

    vertices: FloatArray
    normal: FloatArray
    area: FloatArray
    peak: FloatArray
    free: BoolArray
    volume_mm3: float


def tooth_surface(
    own: BoolArray, other: BoolArray, smooth: npt.NDArray[np.float32], levels: Levels, spacing: FloatArray
) -> ToothSurface | None:
    """Draw the surface of the tooth ``own`` (z, y, x) in its box; ``other`` marks other teeth, ``smooth`` the
    smoothed greys.

    Outside the label the greys decide within one voxel, where they fall off outwards; at a contact (other
    tooth, bone grown on) the label's own border is taken. Returns None where there is too little of it.
    """
    if int(own.sum()) < 8:
        return None
    layer = Layer.of(levels.enamel, levels.dentine, levels.blur_smoothed)
    depth = edt.edt(own, parallel=1)
    peak = _peak_below(own, smooth)
    level = np.asarray(
        layer.level_of(np.maximum(peak - levels.noise_smoothed, 0.3), levels.dentine), np.float32
    )
    relative = smooth / np.maximum(level, 0.15)
    field = np.where(own, np.maximum(relative, np.where(depth > 1.8, 1.5, 0.0)), 0.0).astype(np.float32)
    rim = binary_dilation(own, np.ones((3, 3, 3), bool)) & ~own
    outward = gaussian_filter(own.astype(np.float32), 1.0)
    slope = np.zeros(own.shape, np.float32)
    steepness = np.zeros(own.shape, np.float32)
    for axis in range(3):
        toward = np.gradient(outward, axis=axis)
        slope += np.gradient(relative, axis=axis) * toward
        steepness += toward * toward
    slope /= np.maximum(np.sqrt(steepness), 1e-6)
    falls = rim & ~other & (slope > 0.12)
    field[falls] = relative[falls]
    pieces = cc3d.connected_components(field > 1.0, connectivity=6)
    if pieces.max() == 0:
        return None
    main = np.bincount(pieces.ravel())[1:].argmax() + 1
    field[(pieces != main) & (field > 1.0)] = 0.0
    padded = np.pad(field, 1)
    vertices, faces, _, _ = marching_cubes(padded, 1.0, spacing=(1.0, 1.0, 1.0))
    vertices = vertices.astype(float) - 1
    return _finish(vertices, faces, own, smooth, falls, spacing)


def _peak_below(own: BoolArray, smooth: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Greatest grey of the tooth within a ball of two voxels, anywhere near it."""
    ball = np.ones((5, 5, 5), bool)
    z, y, x = np.indices(ball.shape) - 2
    ball = z * z + y * y + x * x <= 5
    inside = np.where(own, smooth, np.float32(-1.0))
    return np.asarray(grey_dilation(inside, footprint=ball), np.float32)


def _finish(
    vertices: FloatArray,
    faces: npt.NDArray[np.integer],
    own: BoolArray,
    smooth: npt.NDArray[np.float32],
    falls: BoolArray,
    spacing: FloatArray,
) -> ToothSurface:
    """Areas, normals and peaks of the vertices, from the triangles; the faces are turned outwards by their
    signed volume."""
    points = vertices * spacing
    corner = points[faces]
    cross = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    volume = float(np.einsum("ij,ij->i", corner[:, 0] - points.mean(axis=0), cross).sum() / 6)
    if volume < 0:
        cross, volume = -cross, -volume
    size = np.linalg.norm(cross, axis=1) / 2
    flat, count = faces.ravel(), len(points)
    area = np.bincount(flat, np.repeat(size / 3, 3), count)
    normal = np.stack([np.bincount(flat, np.repeat(cross[:, k], 3), count) for k in range(3)], axis=1)
    normal = normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
    inward = -(normal / spacing) * spacing.min()
    peak = np.full(len(points), -np.inf)
    for step in (0.75, 1.5, 2.25, 3.0):
        at = vertices + step * inward
        value = map_coordinates(smooth, at.T, order=1, mode="nearest")
        inside = map_coordinates(own.astype(np.float32), at.T, order=1, mode="nearest") > 0.4
        np.maximum(peak, np.where(inside, value, -np.inf), out=peak)
    shallow = map_coordinates(smooth, vertices.T, order=1, mode="nearest")
    peak = np.where(np.isfinite(peak), peak, shallow)
    near = np.clip(
        np.rint(vertices + 0.6 * normal / spacing * spacing.min()).astype(int), 0, np.array(own.shape) - 1
    )
    free = falls[tuple(near.T)]
    return ToothSurface(vertices, np.asarray(normal, float), np.asarray(area, float), peak, free, volume)
