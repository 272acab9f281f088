"""What a reading found, as records told in the coordinates of the whole scan and from the skull's own origin."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from ossicle.scans.model import ArrayLike3D

from .elements import Element
from .greys import Normalised
from .isolate import Isolation
from .naming import NamedTooth, Naming
from .records import Completeness, Part, Pose, Row, ToothObservation, ToothRecord, Vector
from .statistics import Levels
from .strips import head_views, row_strip
from .tally import tally
from .working_grid import WorkingGrid

__all__ = ["ADULT", "from_origin", "moved", "origin_of", "parts_of", "pictures", "pose_in_scan", "tooth_record"]

ADULT = 1.05
"""Dental age (1: all molars through) from which an erupted tooth is not called forming because little of its root was
followed: the root is there, thin or broken out of the reading."""


def from_origin(seen: ToothObservation, origin: npt.NDArray[np.float64]) -> ToothObservation:
    """An observation told from where skull coordinates begin."""
    return replace(
        seen,
        centroid_skull_mm=moved(seen.centroid_skull_mm, -origin),
        crown_centroid_skull_mm=moved(seen.crown_centroid_skull_mm, -origin),
    )


def tooth_record(
    tooth: NamedTooth, seen: ToothObservation, isolation: Isolation, grid: WorkingGrid, grown_up: bool
) -> ToothRecord:
    """The tooth under its name, with what was measured on it; ``grown_up``: of an animal older than `ADULT`."""
    matrix = np.linalg.inv(np.asarray(isolation.pose.scan_to_skull, float))
    centre = matrix[:3, :3] @ np.array(seen.centroid_skull_mm) + matrix[:3, 3] + grid.offset_mm_xyz
    completeness: Completeness = "complete"
    if seen.touches_edge and grid.at_scan_edge(isolation.labels, tooth.part):
        completeness = "cut_by_scan_edge"
    elif seen.root_fraction < 0.7 and not (grown_up and tooth.emergence == "erupted"):
        completeness = "forming"
    return ToothRecord(
        part=tooth.part,
        name=tooth.name,
        jaw=tooth.jaw,
        side=tooth.side,
        tooth_class=tooth.tooth_class,
        position=tooth.position,
        generation=tooth.generation,
        emergence=tooth.emergence,
        emergence_fraction=seen.emergence_fraction,
        completeness=completeness,
        replaces=tooth.replaces,
        replaced_by=tooth.replaced_by,
        centroid_mm_xyz=(float(centre[0]), float(centre[1]), float(centre[2])),
        length_mm=seen.length_mm,
        width_mm=seen.width_mm,
        crown_height_mm=seen.crown_height_mm,
        volume_mm3=seen.volume_mm3,
        enamel_volume_mm3=seen.enamel_volume_mm3,
        confidence=tooth.confidence,
        locus_confidence=tooth.locus_confidence,
        detection_confidence=tooth.tooth_confidence,
        decided_by="computed",
        remarks=tooth.remarks,
    )


def pictures(
    normal: Normalised,
    levels: Levels,
    labels: npt.NDArray[np.int32],
    grid: WorkingGrid,
    isolation: Isolation,
    naming: Naming,
) -> tuple[tuple[dict[str, npt.NDArray[np.float32]], float], tuple[Row, ...]]:
    """Pictures in the scan's own greys, smoothed as the reading saw them."""

    def stored(image: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
        return np.asarray(levels.surround + image * (levels.bone - levels.surround), np.float32)

    if not isolation.rows:
        return ({}, 0.0), ()
    matrix = np.asarray(isolation.pose.scan_to_skull, float)
    pixel = max(float(np.cbrt(np.prod(grid.spacing_mm_zyx))), isolation.skull_length_mm / 500)
    views = head_views(normal.values, grid.spacing_mm_zyx, matrix, pixel)
    rows = []
    for (jaw, side), curve in isolation.rows.items():
        parts = tuple(t.part for t in naming.teeth if (t.jaw, t.side) == (jaw, side))
        strip = row_strip(normal.values, labels, grid.spacing_mm_zyx, matrix, curve.points, jaw)
        strip = replace(strip, projection=stored(strip.projection), section=stored(strip.section))
        rows.append(Row(jaw, side, curve.points, parts, strip))
    return ({name: stored(view) for name, view in views.items()}, pixel), tuple(rows)


def origin_of(naming: Naming, seen: Mapping[int, ToothObservation]) -> npt.NDArray[np.float64]:
    """Where skull coordinates begin, in those of the isolation: on the midplane, behind the upper incisors.

    The back of the premaxillae lies between the last upper incisor and the tooth behind it; where a jaw has no
    incisor, the front of the foremost tooth serves. Its height is that of the crowns' cervical ends.
    """
    upper = [t for t in naming.teeth if t.jaw == "upper"] or list(naming.teeth)
    if not upper:
        return np.zeros(3)
    place = {t.part: np.array(seen[t.part].crown_centroid_skull_mm) for t in upper}
    incisors = [place[t.part][2] for t in upper if t.tooth_class == "incisor"]
    behind = [place[t.part][2] for t in upper if t.tooth_class != "incisor"]
    if incisors and behind:
        level = (min(incisors) + max([z for z in behind if z < min(incisors)], default=min(incisors))) / 2
    else:
        level = max(behind or incisors)
    front = sorted(upper, key=lambda t: -place[t.part][2])[:6]
    toward = 0.5 if front[0].jaw == "upper" else -0.5
    height = float(np.median([place[t.part][1] + toward * seen[t.part].crown_height_mm for t in front]))
    return np.array([0.0, height, float(level)])


def moved(point: Vector, by: npt.NDArray[np.float64]) -> Vector:
    """A point (x, y, z mm) moved."""
    return point[0] + float(by[0]), point[1] + float(by[1]), point[2] + float(by[2])


def pose_in_scan(pose: Pose, grid: WorkingGrid, origin: npt.NDArray[np.float64]) -> Pose:
    """The pose of the working grid, told in coordinates of the whole scan, and from ``origin`` on."""
    shift = np.eye(4)
    shift[:3, 3] = -grid.offset_mm_xyz
    move = np.eye(4)
    move[:3, 3] = -origin
    return replace(pose, scan_to_skull=move @ np.asarray(pose.scan_to_skull, float) @ shift)


def parts_of(
    labels: ArrayLike3D,
    teeth: tuple[ToothRecord, ...],
    elements: list[Element],
    spacing_mm_zyx: tuple[float, float, float],
) -> tuple[Part, ...]:
    """Every part with its volume and centre, counted in ``labels`` (z, y, x) of the whole scan."""
    top = max([*(t.part for t in teeth), *(e.label for e in elements)], default=0) + 1
    count, sums = tally(labels, top)
    places = [total / np.maximum(count, 1) * s for total, s in zip(sums, spacing_mm_zyx, strict=True)]
    voxel = float(np.prod(spacing_mm_zyx))

    def centre(part: int) -> tuple[float, float, float]:
        return float(places[2][part]), float(places[1][part]), float(places[0][part])

    out = [
        Part(
            t.part,
            "tooth",
            "calcareous tooth",
            t.side,
            float(count[t.part]) * voxel,
            centre(t.part),
            t.detection_confidence,
        )
        for t in teeth
    ]
    out += [
        Part(e.label, e.kind, e.term, e.side, float(count[e.label]) * voxel, centre(e.label), e.confidence)
        for e in elements
        if count[e.label]
    ]
    return tuple(out)
