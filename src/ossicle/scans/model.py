"""The scan as the rest of Ossicle sees it."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from ossicle.scans.geometry import Geometry

__all__ = ["ArrayLike3D", "Scan", "SeriesInfo", "Source", "Volume3D"]

Volume3D = NDArray[Any]


class ArrayLike3D(Protocol):
    """What a volume offers, in memory or on disk: shape (z, y, x), a type, and slices read when asked for."""

    @property
    def shape(self) -> tuple[int, ...]:
        """Number of voxels along z, y, x."""

    @property
    def dtype(self) -> np.dtype[Any]:
        """Type of a voxel."""

    def __getitem__(self, key: Any, /) -> Any:
        """Return the part named by integers and slices, as numpy does."""

    def __array__(self) -> NDArray[Any]:
        """Return the whole volume in memory."""


@dataclass(frozen=True)
class Source:
    """One file a scan came from.

    Parameters
    ----------
    name
        File name, relative to the folder that was given; never a machine's path.
    sha256
        Hexadecimal digest of the file. For a folder that is itself one image (OME-Zarr): of the list
        ``<sha256>  <relative name>``, one line a file, sorted by name.
    bytes
        Size of the file in bytes.
    """

    name: str
    sha256: str
    bytes: int


@dataclass(frozen=True)
class SeriesInfo:
    """One of several stacks in a folder: a DICOM series, or slices that share a name.

    Parameters
    ----------
    id
        What ``series=`` takes: the Series Instance UID, or the common part of the file names.
    number, description, modality
        As the files state them; None where they do not.
    slices
        Number of images.
    rows, columns
        Size of an image in voxels.
    """

    id: str
    number: int | None
    description: str | None
    modality: str | None
    slices: int
    rows: int
    columns: int

    def sentence(self) -> str:
        """Return one line that tells this series from the others."""
        parts = [self.id]
        if self.number is not None:
            parts.append(f"number {self.number}")
        if self.description:
            parts.append(f"“{self.description}”")
        size = f"{self.slices} slices"
        if self.rows and self.columns:
            size += f" of {self.columns} x {self.rows}"
        return ", ".join([*parts, size])


@dataclass(frozen=True)
class Scan:
    """A calibrated volume and where it came from.

    Parameters
    ----------
    values
        Grey values, shape (z, y, x); read block by block by slicing, never all at once unless asked.
    geometry
        Spacing, orientation, handedness.
    sources
        The files, with their digests.
    grey_unit
        Unit of ``slope * value + intercept``: ``"HU"``, a sidecar's wording, or ``"grey value"``.
    warnings
        Plain sentences a person should read before trusting left and right, sizes or completeness.
    store
        The OME-Zarr 0.5 folder that holds the volume, or None where it lives in memory only.
    slope, intercept
        Grey value = slope * stored value + intercept. 1 and 0 nearly always: whole-number rescaling has been
        applied on the way in.
    value_range
        Smallest and largest stored value.
    """

    values: ArrayLike3D
    geometry: Geometry
    sources: tuple[Source, ...] = field(default=(), repr=False)
    grey_unit: str = "grey value"
    warnings: tuple[str, ...] = ()
    store: Path | None = None
    slope: float = 1.0
    intercept: float = 0.0
    value_range: tuple[float, float] | None = field(default=None)

    @property
    def shape_zyx(self) -> tuple[int, int, int]:
        """Number of voxels along z, y, x."""
        z, y, x = self.values.shape
        return int(z), int(y), int(x)

    @property
    def extent_mm_zyx(self) -> tuple[float, float, float]:
        """Size of the volume along slice, row and column, in mm."""
        z, y, x = (n * s for n, s in zip(self.shape_zyx, self.geometry.spacing_mm_zyx, strict=True))
        return z, y, x

    def array(self) -> Volume3D:
        """Return the whole volume as stored, in memory, shape (z, y, x)."""
        return np.asarray(self.values)

    def grey(self, stored: NDArray[Any]) -> NDArray[Any]:
        """Turn stored values into grey values; the same array where nothing has to be done."""
        if self.slope == 1.0 and self.intercept == 0.0:
            return stored
        return stored.astype(np.float32) * np.float32(self.slope) + np.float32(self.intercept)
