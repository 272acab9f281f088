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

import numpy as np
import numpy.typing as npt
from scipy.ndimage import find_objects

from ..records import Jaw, Side, ToothObservation
from .emergence import emergence_fraction
from .levels import tooth_levels
from .one_tooth import Means, Tooth, measure_one
from .row_frame import RowFrame
from .sharpening import Levels

__all__ = ["ToothMeasures", "measure_all", "measure_teeth"]

FloatArray = npt.NDArray[np.float64]


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
    bare_occlusal: float
    height_to_mirror: float | None = None


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

    means = Means.of(levels)

    def one(part: int) -> Tooth | None:
        jaw, side = assignments[part]
        box, row = boxes[part - 1], frames[jaw, side]
        return measure_one(part, box, labels, grey, levels, means, spacing, transform, jaw, side, row)

    teeth: list[Tooth] = []
    with ThreadPoolExecutor(max(1, threads)) as pool:
        for tooth in map(one, parts) if threads <= 1 else pool.map(one, parts):
            if tooth is not None:
                teeth.append(tooth)
            if tick is not None:
                tick()
    found = [_record(t, teeth, frames, levels, detection.get(t.part, 1.0)) for t in teeth]
    return [replace(m, height_to_mirror=_against_mirror(m.observation, found)) for m in found]


def _row_margin(teeth: list[Tooth], frames: Mapping[tuple[Jaw, Side], RowFrame], tooth: Tooth) -> float | None:
    """Height (mm, in the direction of this jaw's crowns) of the alveolar margin of the row at a tooth's place.

    Between the margins of the teeth that have emerged in the same quadrant; None where there are none.
    """
    row = frames[tooth.jaw, tooth.side]
    known = []
    for other in teeth:
        crown, margin = other.crown, other.margin
        same = (other.jaw, other.side) == (tooth.jaw, tooth.side)
        if same and margin.seen > 0.5 and emergence_fraction(margin, crown) > 0.3:
            at = crown.centre + (margin.height_mm - (crown.tip + crown.cervix) / 2) * crown.frame[2]
            known.append((row.place(crown.centre)[0], float(at @ row.up)))
    if not known:
        return None
    arcs, heights = zip(*sorted(known), strict=True)
    return float(np.interp(row.place(tooth.crown.centre)[0], arcs, heights))


def _depth(tooth: Tooth, teeth: list[Tooth], frames: Mapping[tuple[Jaw, Side], RowFrame]) -> float:
    """How far the crown's middle lies beyond the alveolar margin, mm; a tooth in its crypt is judged by the row's
    margin."""
    crown, margin = tooth.crown, tooth.margin
    local = (crown.tip + crown.cervix) / 2 - margin.height_mm if margin.seen else 0.0
    if emergence_fraction(margin, crown) > 0.0:
        return float(local)
    level = _row_margin(teeth, frames, tooth)
    return float(local) if level is None else float(crown.centre @ frames[tooth.jaw, tooth.side].up) - level


def _against_mirror(tooth: ToothObservation, found: list[ToothMeasures]) -> float | None:
    """Crown height in shares of the counterpart's: same jaw, other side, same place and size, both emerged."""
    if tooth.emergence_fraction < 0.5:
        return None
    best, nearest = None, 0.4 * tooth.length_mm
    for other in (m.observation for m in found):
        across = other.jaw == tooth.jaw and other.side != tooth.side and other.emergence_fraction >= 0.5
        away = abs(other.arc_mm - tooth.arc_mm)
        alike = (
            abs(np.log(other.length_mm / tooth.length_mm)) < 0.25
            and abs(np.log(other.width_mm / tooth.width_mm)) < 0.25
        )
        if across and alike and away < nearest:
            best, nearest = tooth.crown_height_mm / other.crown_height_mm, away
    return best


def _bare_occlusal(tooth: Tooth, normal_up: FloatArray) -> float:
    """Share of the tipward-facing surface of the crown's upper half on which no enamel shows."""
    crown, surface = tooth.crown, tooth.surface
    facing = crown.covered & (normal_up > 0.5) & (crown.points[:, 2] > (crown.tip + crown.cervix) / 2)
    area = float(surface.area[facing].sum())
    usual = float(np.quantile(surface.thickness_mm[crown.covered], 0.8))
    if area <= 0 or usual <= 0:
        return 0.0
    return float(surface.area[facing & (surface.thickness_mm < 0.2 * usual)].sum()) / area


def _record(
    tooth: Tooth,
    teeth: list[Tooth],
    frames: Mapping[tuple[Jaw, Side], RowFrame],
    levels: Levels,
    detection: float,
) -> ToothMeasures:
    crown, row = tooth.crown, frames[tooth.jaw, tooth.side]
    centre = crown.centre
    arc, offset = row.place(centre)
    fraction = emergence_fraction(tooth.margin, crown)
    depth = _depth(tooth, teeth, frames)
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
        occlusal_spread=tooth.occlusal_spread,
    )
    return ToothMeasures(
        observation,
        crown.frame,
        tooth.margin.seen,
        tooth.margin.roofed,
        crown.rooted,
        _bare_occlusal(tooth, tooth.normal_up),
    )


def _vector(v: FloatArray) -> tuple[float, float, float]:
    return float(v[0]), float(v[1]), float(v[2])
