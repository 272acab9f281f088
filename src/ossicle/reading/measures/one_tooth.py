"""One tooth measured in its box: surface, crown, margin, root."""

from __future__ import annotations

from dataclasses import dataclass, replace

import edt
import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from ..boxes import grown
from ..records import Jaw, Side
from .crown import Crown, hollow_direction, measure_crown
from .emergence import Margin, alveolar_margin, emergence_fraction, margin_reach
from .roots import count_cusps, occlusal_spread, root_state
from .row_frame import RowFrame
from .sharpening import Layers, Levels, sharpen, sharpened_noise, steps_for
from .surface import ToothSurface, tooth_surface

__all__ = ["Means", "Tooth", "measure_one"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

MARGIN = 6
"""Voxels of surroundings kept round each tooth."""


@dataclass(frozen=True)
class Means:
    """What sharpening does in this scan: steps, tables, noise left."""

    steps: int
    layers: Layers
    noise: float

    @classmethod
    def of(cls, levels: Levels) -> Means:
        """Work the tables out for the scan's levels."""
        steps = steps_for(levels.noise)
        layers = Layers.of(levels.dentine, levels.enamel, levels.blur, steps)
        return cls(steps, layers, sharpened_noise(levels, steps))

    def with_levels(self, levels: Levels) -> Means:
        """The same with tables for other levels."""
        return Means(self.steps, Layers.of(levels.dentine, levels.enamel, levels.blur, self.steps), self.noise)


@dataclass(frozen=True)
class Tooth:
    """What was measured of one tooth before it is set against its row. ``normal_up`` tells how far the surface faces
    tipwards."""

    part: int
    jaw: Jaw
    side: Side
    box: tuple[slice, slice, slice]
    crown: Crown
    margin: Margin
    surface: ToothSurface
    centroid: FloatArray
    volume_mm3: float
    crown_volume_mm3: float
    root_fraction: float
    root_count: int | None
    cusp_count: int | None
    occlusal_spread: float | None
    touches_edge: bool
    normal_up: FloatArray


def measure_one(
    part: int,
    tight: tuple[slice, ...],
    labels: npt.NDArray[np.int32],
    grey: npt.NDArray[np.float32],
    levels: Levels,
    means: Means,
    spacing: FloatArray,
    transform: FloatArray,
    jaw: Jaw,
    side: Side,
    row: RowFrame,
) -> Tooth | None:
    """Measure the part whose tight box is ``tight``; None where it is too small to have a surface."""
    box = grown(tight, labels.shape, MARGIN)
    near = labels[box]
    own = near == part
    other = (near > 0) & ~own
    sharp = sharpen(grey[box], levels.blur, means.steps)
    start = np.array([s.start for s in box], float)

    hollow = _hollow(own, other, sharp, levels.dentine, spacing, transform)

    def crown_of(levels: Levels, means: Means, in_crypt: bool, forming: bool) -> tuple[ToothSurface, Crown] | None:
        surface = tooth_surface(own, other, sharp, means.layers, means.noise, spacing)
        if surface is None:
            return None
        xyz = ((surface.vertices + start) * spacing)[:, ::-1]
        points = xyz @ transform[:3, :3].T + transform[:3, 3]
        normal = surface.normal[:, ::-1] @ transform[:3, :3].T
        tangent, cheek = row.directions(points.mean(axis=0))
        crown = measure_crown(
            surface, points, normal, levels, tangent, cheek, row.up, hollow, means.noise, in_crypt, forming
        )
        return surface, crown

    found = crown_of(levels, means, False, False)
    if found is None:
        return None
    surface, crown = found
    margin = _margin(part, tight, labels, grey, spacing, transform, crown)
    out = emergence_fraction(margin, crown)
    if out < 0.5:
        young = _immature(levels, float(np.quantile(sharp[own], 0.95)))
        found = crown_of(young, means.with_levels(young), out < 0.05, True)
        if found is not None:
            surface, crown = found
            margin = _margin(part, tight, labels, grey, spacing, transform, crown)
    coordinates = _in_frame(box, spacing, transform, crown)
    if out < (0.05 if crown.rooted else 0.5):
        crown = _with_thin_rim(crown, coordinates[:, own], float(spacing.mean()))
    voxel = float(np.prod(spacing))
    inside = coordinates[:, own]
    centroid = crown.origin + inside.mean(axis=1) @ crown.frame
    root_fraction, root_count = root_state(own, sharp, coordinates, crown, levels, spacing)
    edge = any(s.start == 0 or s.stop == n for s, n in zip(tight, labels.shape, strict=True))
    return Tooth(
        part=part,
        jaw=jaw,
        side=side,
        box=box,
        crown=crown,
        margin=margin,
        surface=surface,
        centroid=centroid,
        volume_mm3=max(surface.volume_mm3 - _pulp(own, sharp, levels.dentine) * voxel, 0.0),
        crown_volume_mm3=float((inside[2] >= crown.cervix).sum()) * voxel,
        root_fraction=root_fraction,
        root_count=root_count,
        cusp_count=count_cusps(crown, float(spacing.mean())),
        occlusal_spread=occlusal_spread(crown, float(spacing.mean())),
        touches_edge=edge,
        normal_up=surface.normal[:, ::-1] @ transform[:3, :3].T @ crown.frame[2],
    )


def _immature(levels: Levels, seen: float) -> Levels:
    """Levels for a crown that has not emerged: enamel gains mineral until then, so the tooth's own bright
    tail is its enamel's grey."""
    enamel = float(np.clip(seen, 0.6 * levels.enamel, levels.enamel))
    return replace(levels, enamel=enamel, dentine=min(levels.dentine, 0.85 * enamel))


def _with_thin_rim(crown: Crown, own: FloatArray, voxel_mm: float) -> Crown:
    """The crown with the length and width of its label (voxel centres (3, n) in its frame) where that is larger.

    A growing cap thins out below what the greys resolve. Half a voxel is added to the span of the centres.
    """
    length, width = (float(np.ptp(own[k])) + 0.5 * voxel_mm for k in (0, 1))
    return replace(crown, length_mm=max(crown.length_mm, length), width_mm=max(crown.width_mm, width))


def _hollow(
    own: BoolArray,
    other: BoolArray,
    sharp: npt.NDArray[np.float32],
    dentine: float,
    spacing: FloatArray,
    transform: FloatArray,
) -> FloatArray:
    """Direction (skull space) away from the tooth's hollow; of a large tooth every second or third voxel is
    taken."""
    step = int(np.clip(round((float(own.sum()) / 800.0) ** (1 / 3)), 1, 4))
    thin = (slice(None, None, step),) * 3
    solid = own[thin] & (sharp[thin] > 0.5 * dentine)

    def places(mask: BoolArray) -> FloatArray:
        xyz = (np.argwhere(mask) * step * spacing)[:, ::-1]
        return np.asarray(xyz @ transform[:3, :3].T)

    return hollow_direction(places(solid), places(~solid & ~other[thin]))


def _pulp(own: BoolArray, sharp: npt.NDArray[np.float32], dentine: float) -> float:
    """Voxels' worth of pulp within a filled label: what its inner part lacks in dentine's grey, noise left
    aside."""
    deep = edt.edt(own, parallel=1) >= 1.5
    lack = 1.0 - sharp[deep] / dentine
    return float(np.clip(lack[lack > 0.2], 0.0, 1.0).sum())


def _in_frame(box: tuple[slice, slice, slice], spacing: FloatArray, transform: FloatArray, crown: Crown) -> FloatArray:
    """Coordinates (3, z, y, x) of a box's voxels in the crown's frame, mm."""
    turn = crown.frame @ transform[:3, :3]
    start = crown.frame @ (transform[:3, 3] - crown.origin)
    z, y, x = (np.arange(s.start, s.stop) * step for s, step in zip(box, spacing, strict=True))
    rows = [
        turn[k, 2] * z[:, None, None] + turn[k, 1] * y[None, :, None] + turn[k, 0] * x[None, None, :] + start[k]
        for k in range(3)
    ]
    return np.stack(rows)


def _margin(
    part: int,
    tight: tuple[slice, ...],
    labels: npt.NDArray[np.int32],
    grey: npt.NDArray[np.float32],
    spacing: FloatArray,
    transform: FloatArray,
    crown: Crown,
) -> Margin:
    pad = int(np.ceil(margin_reach(crown, spacing) / spacing.min())) + 2
    box = grown(tight, labels.shape, pad)
    near = labels[box]
    own = near == part
    bone = (gaussian_filter(grey[box], 0.5, truncate=3.0) > 0.5) & (near == 0)
    return alveolar_margin(own, (near > 0) & ~own, bone, _in_frame(box, spacing, transform, crown), crown, spacing)
