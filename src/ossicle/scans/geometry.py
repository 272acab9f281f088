"""Where a scan's voxels lie: spacing, the affine a file states, and the handedness of the index axes.

World coordinates
-----------------
There is one world convention: millimetres, **right-handed**, axes pointing to the patient's right, anterior
and superior ("RAS+", as in the NIfTI-1 standard). Files that use another one are turned into it on the way
in: DICOM and MetaImage (left, posterior, superior), the spaces of NRRD. Every such change is a proper one, so
handedness is never lost on the way.

Handedness
----------
A skull and its mirror image have the same grey values; only the order of the axes tells left from right. The
index axes (x = column, y = row, z = slice) are right-handed in the world where the determinant of the affine
is positive. Where the source states no orientation they are *taken* as right-handed, and
:attr:`Geometry.handedness_assumed` says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from ossicle.errors import OssicleError
from ossicle.scans.spacing import LEAST_MM, MOST_MM

__all__ = ["Geometry"]

Handedness = Literal["right", "left"]


@dataclass(frozen=True, eq=False)
class Geometry:
    """Spacing and orientation of a voxel grid.

    Parameters
    ----------
    spacing_mm_zyx
        Distance between neighbouring voxel centres along slice, row and column, in mm.
    affine
        4 x 4, voxel index (x, y, z) to world mm (right, anterior, superior), or None where the source states
        none.
    mirrored
        True where a person or a sidecar says that the index axes (x, y, z) are left-handed. It wins over the
        affine.
    handedness_assumed
        True where nothing states the handedness. Left out, it follows from the other three.

    Raises
    ------
    OssicleError
        A spacing is not a positive number, or the affine is not 4 x 4, not finite, singular, or not of this
        spacing.
    """

    spacing_mm_zyx: tuple[float, float, float]
    affine: NDArray[np.float64] | None = None
    mirrored: bool = False
    handedness_assumed: bool | None = None

    def __post_init__(self) -> None:
        spacing = np.asarray(self.spacing_mm_zyx, dtype=np.float64)
        if spacing.shape != (3,) or not np.all((spacing > LEAST_MM) & (spacing < MOST_MM)):
            raise OssicleError(
                f"the spacing {self.spacing_mm_zyx} is not three positive numbers of millimetres",
                mend="give it as --spacing 0.05 or --spacing Z,Y,X in mm",
            )
        object.__setattr__(self, "spacing_mm_zyx", (float(spacing[0]), float(spacing[1]), float(spacing[2])))
        if self.affine is not None:
            affine = np.array(self.affine, dtype=np.float64)
            if affine.shape != (4, 4) or not np.all(np.isfinite(affine)):
                raise OssicleError("the orientation matrix is not 4 x 4 finite numbers", mend="mend the header")
            columns = np.linalg.norm(affine[:3, :3], axis=0)
            if np.any(columns <= 0) or abs(np.linalg.det(affine[:3, :3] / columns)) < 1e-3:
                raise OssicleError("the orientation matrix lays two axes on one another", mend="mend the header")
            if not np.allclose(columns[::-1], spacing, rtol=1e-3):
                raise OssicleError(
                    f"the orientation matrix has spacing {tuple(columns[::-1])} mm, not {tuple(spacing)} mm",
                    mend="mend the header",
                )
            affine.setflags(write=False)
            object.__setattr__(self, "affine", affine)
        if self.handedness_assumed is None:
            object.__setattr__(self, "handedness_assumed", self.affine is None and not self.mirrored)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Geometry):
            return NotImplemented
        same_affine = (
            self.affine is other.affine
            if self.affine is None or other.affine is None
            else np.array_equal(self.affine, other.affine)
        )
        return (
            same_affine
            and self.spacing_mm_zyx == other.spacing_mm_zyx
            and self.mirrored == other.mirrored
            and self.handedness_assumed == other.handedness_assumed
        )

    __hash__ = None  # type: ignore[assignment]

    @property
    def spacing_mm_xyz(self) -> tuple[float, float, float]:
        """Spacing along column, row and slice, in mm."""
        z, y, x = self.spacing_mm_zyx
        return x, y, z

    @property
    def voxel_mm3(self) -> float:
        """Volume of one voxel in mm3 (of the parallelepiped, where the axes are not at right angles)."""
        return float(abs(np.linalg.det(self.matrix[:3, :3])))

    @property
    def matrix(self) -> NDArray[np.float64]:
        """4 x 4, voxel index (x, y, z) to scan mm: the affine, or the spacing on the diagonal where there is
        none.
        """
        if self.affine is not None:
            return np.array(self.affine)
        return np.diag([*self.spacing_mm_xyz, 1.0])

    def handedness(self) -> Handedness:
        """Return ``"right"`` or ``"left"``: the handedness of the index axes (x, y, z) in the world.

        ``mirrored`` wins, then the sign of the affine's determinant; without either they count as
        right-handed.
        """
        if self.mirrored:
            return "left"
        if self.affine is not None and np.linalg.det(self.affine[:3, :3]) < 0:
            return "left"
        return "right"

    def scan_mm_is_right_handed(self) -> bool:
        """Return whether the scan coordinates that :meth:`to_scan_mm` gives are right-handed in truth.

        False only where the axes are left-handed and no affine of the source has set that right: scan
        coordinates then show the specimen's mirror image, and left and right must be told apart with that in
        mind.
        """
        left_by_matrix = self.affine is not None and bool(np.linalg.det(self.affine[:3, :3]) < 0)
        return left_by_matrix == (self.handedness() == "left")

    def shear_degrees(self) -> float:
        """Return how far the index axes stray from right angles, in degrees (as with a tilted gantry)."""
        axes = self.matrix[:3, :3] / np.linalg.norm(self.matrix[:3, :3], axis=0)
        cosines = np.abs([axes[:, 0] @ axes[:, 1], axes[:, 0] @ axes[:, 2], axes[:, 1] @ axes[:, 2]])
        return float(np.degrees(np.arcsin(np.clip(cosines.max(), 0, 1))))

    def to_scan_mm(self, index_xyz: Any) -> NDArray[np.float64]:
        """Turn voxel indices (x, y, z), shape (..., 3), into scan coordinates in mm."""
        points = np.asarray(index_xyz, dtype=np.float64)
        matrix = self.matrix
        result: NDArray[np.float64] = points @ matrix[:3, :3].T + matrix[:3, 3]
        return result

    def to_index(self, scan_mm_xyz: Any) -> NDArray[np.float64]:
        """Turn scan coordinates in mm, shape (..., 3), into (fractional) voxel indices (x, y, z)."""
        points = np.asarray(scan_mm_xyz, dtype=np.float64)
        matrix = self.matrix
        result: NDArray[np.float64] = (points - matrix[:3, 3]) @ np.linalg.inv(matrix[:3, :3]).T
        return result

    def with_spacing(self, spacing_mm_zyx: tuple[float, float, float]) -> Geometry:
        """Return the same orientation at another spacing; the first voxel stays where it is."""
        affine = None
        if self.affine is not None:
            affine = np.array(self.affine)
            columns = np.linalg.norm(affine[:3, :3], axis=0)
            affine[:3, :3] *= np.asarray(spacing_mm_zyx, dtype=np.float64)[::-1] / columns
        return Geometry(spacing_mm_zyx, affine, self.mirrored, self.handedness_assumed)

    def coarsened(self, factor: int) -> Geometry:
        """Return the grid of means over ``factor`` voxels along each axis (see :mod:`ossicle.scans.levels`).

        The affine moves by half a voxel so that world places stay true. Without an affine a coarse index i
        lies at the full-resolution index ``i * factor + (factor - 1) / 2``.
        """
        z, y, x = self.spacing_mm_zyx
        affine = None
        if self.affine is not None:
            affine = np.array(self.affine)
            affine[:3, 3] += affine[:3, :3] @ np.full(3, (factor - 1) / 2)
            affine[:3, :3] *= factor
        return Geometry((z * factor, y * factor, x * factor), affine, self.mirrored, self.handedness_assumed)

    def as_json(self) -> dict[str, Any]:
        """Return plain data that :meth:`from_json` reads back."""
        return {
            "spacing_mm_zyx": list(self.spacing_mm_zyx),
            "affine": None if self.affine is None else self.affine.tolist(),
            "mirrored": self.mirrored,
            "handedness_assumed": self.handedness_assumed,
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Geometry:
        """Read what :meth:`as_json` wrote; raises OssicleError where it is not that."""
        try:
            z, y, x = (float(v) for v in data["spacing_mm_zyx"])
            affine = None if data["affine"] is None else np.asarray(data["affine"], dtype=np.float64)
            return cls((z, y, x), affine, bool(data["mirrored"]), bool(data["handedness_assumed"]))
        except (KeyError, TypeError, ValueError, np.linalg.LinAlgError) as error:
            raise OssicleError("the record of the scan's geometry is damaged") from error
