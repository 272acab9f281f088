"""The resolutions at which a scan can be had, and the one that suits a task."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ossicle.errors import OssicleError
from ossicle.scans.geometry import Geometry
from ossicle.scans.model import ArrayLike3D, Scan
from ossicle.scans.store import halve, level_shapes, open_level

__all__ = ["Level", "choose_level", "levels"]


@dataclass(frozen=True)
class Level:
    """A scan at one resolution.

    Parameters
    ----------
    factor
        1 at full resolution, then 2, 4, 8 ...: each voxel is the mean over that many along each axis.
    values
        Shape (z, y, x).
    geometry
        Spacing and affine of this level.
    """

    factor: int
    values: ArrayLike3D
    geometry: Geometry

    def to_full_index(self, index: Any) -> NDArray[np.float64]:
        """Turn indices of this level into (fractional) indices at full resolution, any axis order."""
        return np.asarray(index, dtype=np.float64) * self.factor + (self.factor - 1) / 2

    def from_full_index(self, index: Any) -> NDArray[np.float64]:
        """Turn indices at full resolution into (fractional) indices of this level, any axis order."""
        return (np.asarray(index, dtype=np.float64) - (self.factor - 1) / 2) / self.factor


def levels(scan: Scan) -> list[Level]:
    """Return every level of a scan, finest first. A scan in memory is averaged on the spot."""
    found = [Level(1, scan.values, scan.geometry)]
    for number in range(1, len(level_shapes(scan.shape_zyx))):
        factor = 2**number
        if scan.store is None:
            values: ArrayLike3D = halve(np.asarray(found[-1].values))
        else:
            values = open_level(scan.store, number)
        found.append(Level(factor, values, scan.geometry.coarsened(factor)))
    return found


def choose_level(scan: Scan, voxel_mm: float) -> Level:
    """Return the coarsest level whose voxels are no larger than ``voxel_mm``; the finest if none is.

    Raises
    ------
    OssicleError
        The wanted size is not a positive number.
    """
    if not voxel_mm > 0:
        raise OssicleError(f"a voxel of {voxel_mm} mm cannot be had", mend="give a positive number of mm")
    fine = [level for level in levels(scan) if max(level.geometry.spacing_mm_zyx) <= voxel_mm * (1 + 1e-9)]
    return fine[-1] if fine else Level(1, scan.values, scan.geometry)
