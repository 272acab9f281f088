"""A reading in the coordinates of its source file, where the file states an affine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ossicle.reading.records import Reading, Vector

__all__ = ["in_file_frame"]


def in_file_frame(reading: Reading, spacing_mm_zyx: Vector, affine: Sequence[Sequence[float]] | None) -> Reading:
    """Return the reading with scan coordinates as the file's affine has them.

    Parameters
    ----------
    reading
        Scan coordinates are index (x, y, z) times spacing.
    spacing_mm_zyx
        Spacing of the grid.
    affine
        4x4, index (x, y, z, 1) to mm; None leaves the reading as it is.
    """
    if affine is None:
        return reading
    z, y, x = spacing_mm_zyx
    to_file = np.asarray(affine, float) @ np.diag([1 / x, 1 / y, 1 / z, 1.0])

    def moved(point: Vector) -> Vector:
        a, b, c = (to_file @ [*point, 1.0])[:3]
        return (float(a), float(b), float(c))

    return replace(
        reading,
        pose=replace(reading.pose, scan_to_skull=np.asarray(reading.pose.scan_to_skull) @ np.linalg.inv(to_file)),
        teeth=tuple(replace(t, centroid_mm_xyz=moved(t.centroid_mm_xyz)) for t in reading.teeth),
        parts=tuple(replace(p, centroid_mm_xyz=moved(p.centroid_mm_xyz)) for p in reading.parts),
    )
