"""Measures of isolated teeth: place in the row, axis, size, enamel, emergence, root, cusps.

Definitions. *Length* is the greatest extent of the crown along the row (mesiodistal), *width* the greatest
extent across it and the tooth's axis (buccolingual), *crown height* the extent of the enamel-covered part
along the axis, cervix to tip. Sizes are taken on the half-level surface of the grey values, not on voxel
counts. Everything is done per tooth in its box.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import edt
import numpy as np
import numpy.typing as npt
from scipy.ndimage import find_objects, gaussian_filter

from ..records import Jaw, Side, ToothObservation
from .crown import Crown, hollow_direction, measure_crown
from .emergence import Margin, alveolar_margin, emergence_fraction, margin_reach
from .levels import tooth_levels
from .roots import count_cusps, root_state
from .row_frame import RowFrame
from .sharpening import Layers, Levels, sharpen, sharpened_noise, steps_for
from .surface import ToothSurface, tooth_surface

__all__ = ["ToothMeasures", "measure_all", "measure_teeth"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

MARGIN = 6
"""Voxels of surroundings kept round each tooth."""


@dataclass(frozen=True)
class ToothMeasures:
    """One tooth's observation and what else was measured on the way.

    ``frame`` (3, 3): rows along the row, cheekwards, tipwards, skull space. ``margin_seen`` is the share of
    the crown's round at which bone stood near enough to show the alveolar margin.
    """

    observation: ToothObservation
    frame: FloatArray
    margin_seen: float
    roofed: bool
    rooted: bool


@dataclass(frozen=True)
class _Means:
    """What sharpening does in this scan: steps, tables, noise left."""

    steps: int
    layers: Layers
    noise: float

    @classmethod
    def of(cls, levels: Levels) -> _Means:
        steps = steps_for(levels.noise)
        layers = Layers.of(levels.dentine, levels.enamel, levels.blur, steps)
        return cls(steps, layers, sharpened_noise(levels, steps))

    def with_levels(self, levels: Levels) -> _Means:
        return _Means(self.steps, Layers.of(levels.dentine, levels.enamel, levels.blur, self.steps), self.noise)


@dataclass(frozen=True)
class _Tooth:
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
    touches_edge: bool


def measure_teeth(
    labels: npt.NDArray[np.int32],
    grey: npt.NDArray[np.float32],
    enamel: float,
    noise: float,
    spacing_mm_zyx: tuple[float, float, float],
    scan_to_skull: npt.NDArray[np.floating],
    assignments: Mapping[int, tuple[Jaw, Side]],
    rows: Mapping[tuple[Jaw, Side], npt.NDArray[np.floating]],
    detection: Mapping[int, float],
    dentine: float | None = None,
    threads: int = 1,
    tick: Callable[[], None] | None = None,
    blur: float | None = None,
) -> list[ToothObservation]:
    """Measure every part in ``assignments``; see `measure_all`."""
    measured = measure_all(
        labels,
        grey,
        enamel,
        noise,
        spacing_mm_zyx,
        scan_to_skull,
        assignments,
        rows,
        detection,
        dentine,
        blur,
        threads,
        tick,
    )
    return [m.observation for m in measured]


def measure_all(
    labels: npt.NDArray[np.int32],
    grey: npt.NDArray[np.float32],
    enamel: float,
    noise: float,
    spacing_mm_zyx: tuple[float, float, float],
    scan_to_skull: npt.NDArray[np.floating],
    assignments: Mapping[int, tuple[Jaw, Side]],
    rows: Mapping[tuple[Jaw, Side], npt.NDArray[np.floating]],
    detection: Mapping[int, float],
    dentine: float | None = None,
    blur: float | None = None,
    threads: int = 1,
    tick: Callable[[], None] | None = None,
) -> list[ToothMeasures]:
    """Measure every tooth part in ``assignments``, in rising order of part.

    ``labels`` int32 (z, y, x), tooth parts above 0 with the pulp filled in; ``grey`` float32 of the same
    shape, surround 0 and bone 1; ``enamel``, ``dentine`` and ``noise`` in those units; ``scan_to_skull`` 4x4,
    scan mm (x, y, z) to skull mm; ``rows`` the fitted curves (n, 3) in skull mm from the midline backwards;
    ``blur`` sigma in voxels, estimated where not given. Parts too small to have a surface are left out.
    """
    transform = np.asarray(scan_to_skull, float)
    spacing = np.asarray(spacing_mm_zyx, float)
    boxes = find_objects(labels)
    parts = [p for p in sorted(assignments) if p <= len(boxes) and boxes[p - 1] is not None]
    levels = tooth_levels(labels, grey, {p: boxes[p - 1] for p in parts}, enamel, noise, dentine, blur)
    keys = set(assignments.values())
    frames = {(jaw, side): RowFrame.of(rows.get((jaw, side)), jaw, side) for jaw, side in keys}

    means = _Means.of(levels)

    def one(part: int) -> _Tooth | None:
        jaw, side = assignments[part]
        box, row = boxes[part - 1], frames[jaw, side]
        return _one(part, box, labels, grey, levels, means, spacing, transform, jaw, side, row)

    teeth: list[_Tooth] = []
    with ThreadPoolExecutor(max(1, threads)) as pool:
        for tooth in map(one, parts) if threads <= 1 else pool.map(one, parts):
            if tooth is not None:
                teeth.append(tooth)
            if tick is not None:
                tick()
    return [_record(t, teeth, frames[t.jaw, t.side], levels, detection.get(t.part, 1.0)) for t in teeth]


def _grown(box: tuple[slice, ...], shape: tuple[int, ...], by: int) -> tuple[slice, slice, slice]:
    grown = [slice(max(s.start - by, 0), min(s.stop + by, n)) for s, n in zip(box, shape, strict=True)]
    return grown[0], grown[1], grown[2]


def _one(
    part: int,
    tight: tuple[slice, ...],
    labels: npt.NDArray[np.int32],
    grey: npt.NDArray[np.float32],
    levels: Levels,
    means: _Means,
    spacing: FloatArray,
    transform: FloatArray,
    jaw: Jaw,
    side: Side,
    row: RowFrame,
) -> _Tooth | None:
    box = _grown(tight, labels.shape, MARGIN)
    near = labels[box]
    own = near == part
    other = (near > 0) & ~own
    sharp = sharpen(grey[box], levels.blur, means.steps)
    start = np.array([s.start for s in box], float)

    hollow = _hollow(own, other, sharp, levels.dentine, spacing, transform)

    def crown_of(levels: Levels, means: _Means) -> tuple[ToothSurface, Crown] | None:
        surface = tooth_surface(own, other, sharp, means.layers, means.noise, spacing)
        if surface is None:
            return None
        xyz = ((surface.vertices + start) * spacing)[:, ::-1]
        points = xyz @ transform[:3, :3].T + transform[:3, 3]
        normal = surface.normal[:, ::-1] @ transform[:3, :3].T
        tangent, cheek = row.directions(points.mean(axis=0))
        crown = measure_crown(surface, points, normal, levels, tangent, cheek, row.up, hollow, means.noise)
        return surface, crown

    found = crown_of(levels, means)
    if found is None:
        return None
    surface, crown = found
    margin = _margin(part, tight, labels, grey, spacing, transform, crown)
    if emergence_fraction(margin, crown) < 0.5:
        young = _immature(levels, float(np.quantile(sharp[own], 0.95)))
        found = crown_of(young, means.with_levels(young))
        if found is not None:
            surface, crown = found
            margin = _margin(part, tight, labels, grey, spacing, transform, crown)
    coordinates = _in_frame(box, spacing, transform, crown)
    voxel = float(np.prod(spacing))
    inside = coordinates[:, own]
    centroid = crown.origin + inside.mean(axis=1) @ crown.frame
    root_fraction, root_count = root_state(own, sharp, coordinates, crown, levels, spacing)
    edge = any(s.start == 0 or s.stop == n for s, n in zip(tight, labels.shape, strict=True))
    return _Tooth(
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
        touches_edge=edge,
    )


def _immature(levels: Levels, seen: float) -> Levels:
    """Levels for a crown that has not emerged: enamel gains mineral until then, so the tooth's own bright
    tail is its enamel's grey."""
    enamel = float(np.clip(seen, 0.6 * levels.enamel, levels.enamel))
    return replace(levels, enamel=enamel, dentine=min(levels.dentine, 0.85 * enamel))


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
    box = _grown(tight, labels.shape, pad)
    near = labels[box]
    own = near == part
    bone = (gaussian_filter(grey[box], 0.5, truncate=3.0) > 0.5) & (near == 0)
    return alveolar_margin(own, (near > 0) & ~own, bone, _in_frame(box, spacing, transform, crown), crown, spacing)


def _record(tooth: _Tooth, teeth: list[_Tooth], row: RowFrame, levels: Levels, detection: float) -> ToothMeasures:
    crown = tooth.crown
    centre = crown.centre
    arc, offset = row.place(centre)
    fraction = emergence_fraction(tooth.margin, crown)
    middle = (crown.tip + crown.cervix) / 2
    depth = middle - tooth.margin.height_mm if tooth.margin.seen else 0.0
    grey = float(np.clip((crown.peak - levels.dentine) / max(levels.enamel - levels.dentine, 0.05), 0.0, 1.3))
    observation = ToothObservation(
        part=tooth.part,
        jaw=tooth.jaw,
        side=tooth.side,
        arc_mm=arc,
        offset_mm=offset,
        depth_mm=float(depth),
        centroid_skull_mm=_vector(tooth.centroid),
        crown_centroid_skull_mm=_vector(centre),
        axis=_vector(crown.frame[2]),
        length_mm=crown.length_mm,
        width_mm=crown.width_mm,
        crown_height_mm=crown.height_mm,
        volume_mm3=tooth.volume_mm3,
        crown_volume_mm3=tooth.crown_volume_mm3,
        enamel_volume_mm3=crown.enamel_volume_mm3,
        emergence_fraction=fraction,
        root_fraction=tooth.root_fraction,
        root_count=tooth.root_count,
        cusp_count=tooth.cusp_count,
        mineralised=grey,
        in_premaxilla=None,
        touches_edge=tooth.touches_edge,
        detection=detection,
    )
    return ToothMeasures(observation, crown.frame, tooth.margin.seen, tooth.margin.roofed, crown.rooted)


def _vector(v: FloatArray) -> tuple[float, float, float]:
    return float(v[0]), float(v[1]), float(v[2])
