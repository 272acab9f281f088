"""The practice scanner's one entry point: from a tissue model to a volume of grey values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ossicle.errors import OssicleError
from ossicle.practice.scanner.image import imaged
from ossicle.practice.scanner.phantom import PhantomRod, footprint, placed
from ossicle.practice.scanner.projections import reconstructed
from ossicle.practice.scanner.sampling import Progress, checked_model, each
from ossicle.practice.scanner.settings import ScannerSettings

__all__ = ["ScanVolume", "scan_volume"]


@dataclass(frozen=True)
class ScanVolume:
    """A practice scan.

    Attributes
    ----------
    values
        Grey values (z, y, x), uint8 or uint16.
    spacing_mm_zyx
        Voxel size in mm.
    grey_per_attenuation, grey_at_zero
        grey value = grey_at_zero + grey_per_attenuation * attenuation in 1/cm.
    settings
        How it was taken.
    energy_kev
        The energy at which the grey values stand for attenuation.
    note
        Which mode made it, in one sentence.
    phantom
        The rods in the field of view.
    """

    values: NDArray[np.uint8] | NDArray[np.uint16]
    spacing_mm_zyx: tuple[float, float, float]
    grey_per_attenuation: float
    grey_at_zero: float
    settings: ScannerSettings
    energy_kev: float
    note: str
    phantom: tuple[PhantomRod, ...] = ()

    def attenuation(self) -> NDArray[np.float32]:
        """Return the attenuation that the grey values stand for, 1/cm (z, y, x)."""
        return np.asarray(
            (self.values - np.float32(self.grey_at_zero)) / np.float32(self.grey_per_attenuation), np.float32
        )


def scan_volume(
    tissue: NDArray[np.uint8] | Mapping[int, NDArray[Any]],
    spacing_mm_zyx: tuple[float, float, float],
    settings: ScannerSettings,
    rng: np.random.Generator,
    *,
    density: NDArray[Any] | None = None,
    supersample: int | tuple[int, int, int] = 1,
    threads: int = 2,
    progress: Progress | None = None,
) -> ScanVolume:
    """Scan a tissue model.

    Parameters
    ----------
    tissue
        Tissue ids (z, y, x) uint8, or a volume of fractions (0 to 1) for each id, the rest being background.
    spacing_mm_zyx
        Voxel size of the arrays as given, in mm.
    settings
        The scanner's settings.
    rng
        Source of noise and rings. The same state gives the same bytes, whatever ``threads`` is.
    density
        Factor on the attenuation of each voxel, of the shape of the tissue; 1 is the tissue's own density.
    supersample
        Model voxels to one scan voxel, along all axes or along z, y, x. The scan's voxels are larger by this.
    threads
        Threads to use.
    progress
        Called with stage and share done; what it raises stops the scan.

    Raises
    ------
    OssicleError
        If the model or the spacing is not usable; see `checked_model`.
    """
    given = tuple(float(s) for s in spacing_mm_zyx)
    if len(given) != 3 or not all(0.0 < s < float("inf") for s in given):
        raise OssicleError(
            f"{spacing_mm_zyx} is not a voxel size", where="spacing_mm_zyx", mend="give three lengths in mm"
        )
    model = checked_model(tissue, density, supersample, settings.background)
    spacing = (given[0] * model.factor[0], given[1] * model.factor[1], given[2] * model.factor[2])
    rods = placed(footprint(model), spacing[1:]) if settings.phantom else ()
    low, per = _grey_scale(settings)
    energy = settings.effective_kev
    make = imaged if settings.mode == "image" else reconstructed
    attenuation = make(model, spacing, settings, rods, rng, threads, progress)
    values = _quantised(attenuation, settings, threads)
    beam = "one energy" if settings.beam == "mono" else f"a {settings.kv:g} kV spectrum"
    if settings.mode == "image":
        note = f"Image mode: effects modelled on the volume, at one effective energy of {energy:.1f} keV."
    else:
        note = (
            f"Projections mode: {settings.geometry} beam of {beam}, reconstructed; "
            f"grey values stand for attenuation at about {energy:.1f} keV."
        )
    if settings.mirrored:
        flipped: NDArray[Any] = np.ascontiguousarray(values[:, :, ::-1])
        values = flipped
        extent = (values.shape[2] - 1) * spacing[2]
        rods = tuple(
            PhantomRod((extent - r.centre_mm_xy[0], r.centre_mm_xy[1]), r.radius_mm, r.density, r.tissue) for r in rods
        )
    return ScanVolume(values, spacing, per, -low * per, settings, energy, note, rods)


def _grey_scale(settings: ScannerSettings) -> tuple[float, float]:
    """Return the attenuation of grey value 0, and grey values per 1/cm."""
    low, high = settings.window
    if not high > low:
        raise OssicleError(
            f"the window {settings.window} is empty", where="window_per_cm", mend="give low, high in 1/cm"
        )
    return low, (2**settings.bits - 1) / (high - low)


def _quantised(
    attenuation: NDArray[np.float32], settings: ScannerSettings, threads: int
) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Return grey values of attenuation, 1/cm; what lies outside the window saturates."""
    low, per = _grey_scale(settings)
    top = 2**settings.bits - 1
    values: NDArray[Any] = np.empty(attenuation.shape, np.uint8 if settings.bits == 8 else np.uint16)

    def convert(z: int) -> None:
        values[z] = np.clip(np.rint((attenuation[z] - np.float32(low)) * np.float32(per)), 0, top)

    for _ in each(range(len(values)), convert, threads):
        pass
    return values
