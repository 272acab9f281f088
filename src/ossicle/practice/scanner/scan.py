"""The practice scanner's one entry point: from a tissue model to a volume of grey values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ossicle.errors import OssicleError
from ossicle.practice.scanner import image
from ossicle.practice.scanner.materials import mu_table
from ossicle.practice.scanner.phantom import PhantomRod, footprint, placed, rod_fraction
from ossicle.practice.scanner.sampling import Model, Progress, checked_model, each, sampled
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
    values = _image_mode(model, spacing, settings, rods, rng, threads, progress)
    low, per = _grey_scale(settings)
    energy = settings.effective_kev
    note = f"Image mode: effects modelled on the volume, attenuation at one effective energy of {energy:.1f} keV."
    if settings.mirrored:
        values = np.ascontiguousarray(values[:, :, ::-1])
        extent = (values.shape[2] - 1) * spacing[2]
        rods = tuple(
            PhantomRod((extent - r.centre_mm_xy[0], r.centre_mm_xy[1]), r.radius_mm, r.density, r.tissue)
            for r in rods
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
    attenuation: NDArray[np.float32], settings: ScannerSettings
) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Return grey values of attenuation, 1/cm; what lies outside the window saturates."""
    low, per = _grey_scale(settings)
    grey = np.clip(np.rint((attenuation - np.float32(low)) * np.float32(per)), 0, 2**settings.bits - 1)
    return grey.astype(np.uint8) if settings.bits == 8 else grey.astype(np.uint16)


def _image_mode(
    model: Model,
    spacing: tuple[float, float, float],
    settings: ScannerSettings,
    rods: tuple[PhantomRod, ...],
    rng: np.random.Generator,
    threads: int,
    progress: Progress | None,
) -> NDArray[Any]:
    """Return grey values made in image mode."""
    nz, ny, nx = model.shape
    table = mu_table(settings.effective_kev)
    volume = sampled(model, table, threads=threads, progress=progress)
    for rod in rods:
        share = rod_fraction(rod, (ny, nx), spacing[1:])
        volume += share * (table[rod.tissue] - volume)
    if progress is not None:
        progress("beam and point spread", 0.0)
    if settings.cupping > 0:
        volume = image.harden(volume, settings, spacing, threads)
    sigma = (settings.blur_mm / spacing[0], settings.blur_mm / spacing[1], settings.blur_mm / spacing[2])
    volume = image.blur(volume, sigma, threads)

    contrast = settings.bone_contrast
    seeds = rng.integers(0, 2**63, size=nz)
    noise: NDArray[np.float32] | None = None
    if settings.noise > 0:
        half = float(np.sqrt(0.5))
        shaping = image.noise_filter((ny, nx), (half * sigma[1], half * sigma[2]))
        noise = np.empty(model.shape, dtype=np.float32)
        flat = noise

        def make(z: int) -> None:
            flat[z] = image.noise_slice(shaping, (ny, nx), int(seeds[z]))

        for done in each(range(nz), make, threads):
            if progress is not None and done % 16 == 0:
                progress("noise", done / nz)
        noise = image.blur(noise, (half * sigma[0], 0.0, 0.0), threads)
        if nz > 1:
            noise *= np.float32(settings.noise * contrast / _kept(half * sigma[0]))
        else:
            noise *= np.float32(settings.noise * contrast)
    rings: NDArray[np.float32] | None = None
    radius = _radius(ny, nx, spacing, settings.centre_offset_px)
    if settings.rings > 0:
        pixels = int(np.ceil(float(radius.max()))) + 2
        rings = settings.rings * contrast * image.ring_profiles(nz, pixels, min(ny, nx) / 4, rng)

    values = np.empty(model.shape, dtype=np.uint8 if settings.bits == 8 else np.uint16)

    def finish(z: int) -> None:
        layer = volume[z]
        if noise is not None:
            layer = layer + noise[z]
        if rings is not None:
            layer = layer + image.ring_slice(rings[z], radius)
        values[z] = _quantised(layer, settings)

    for done in each(range(nz), finish, threads):
        if progress is not None and done % 16 == 0:
            progress("grey values", done / nz)
    return values


def _kept(sigma_px: float) -> float:
    """Return the standard deviation that blurring along one axis leaves of white noise of unit variance."""
    impulse = np.zeros(2 * int(4 * sigma_px + 1.5) + 3)
    impulse[impulse.size // 2] = 1.0
    if sigma_px <= 0:
        return 1.0
    from scipy import ndimage

    return float(np.sqrt(np.sum(ndimage.gaussian_filter1d(impulse, sigma_px, mode="constant") ** 2)))


def _radius(ny: int, nx: int, spacing: tuple[float, float, float], offset_px: float) -> NDArray[np.float32]:
    """Return each pixel's distance from the rotation axis, in pixels of the smaller in-plane spacing (y, x)."""
    unit = min(spacing[1:])
    y = (np.arange(ny) - (ny - 1) / 2) * spacing[1] / unit
    x = (np.arange(nx) - (nx - 1) / 2) * spacing[2] / unit - offset_px
    return np.hypot(y[:, None], x[None, :]).astype(np.float32)
