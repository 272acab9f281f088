"""Image mode: a scan made from attenuation directly, with the effects of a scanner modelled on the finished
volume.

Fast, for big volumes. What it models, and how:

- point spread: a Gaussian.
- noise: filtered back-projection gives a noise power that rises with frequency in the plane (the ramp) and
  falls again through the interpolation and the detector's blur, and is white along the axis but for that
  blur (Riederer, Pelc & Chesler 1978, Phys. Med. Biol. 23:446). White noise is shaped so, and scaled to the
  standard deviation asked for at the axis, where the specimen is thick; it is weaker where rays pass more
  easily.
- hardening: line integrals bend down with depth; metal throws dark bands (see `coarse`).
- rings: the filtered back-projection of constant gain errors of detector pixels, as circles round the axis.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from ossicle.practice.scanner import detector
from ossicle.practice.scanner.coarse import Layers, coarse_paths, hardening, noise_strength
from ossicle.practice.scanner.materials import METAL, TAG, mu_table
from ossicle.practice.scanner.phantom import PhantomRod, rod_fraction
from ossicle.practice.scanner.sampling import Model, Progress, each, sampled
from ossicle.practice.scanner.settings import ScannerSettings

__all__ = ["blurred", "imaged", "noise_filter", "noise_slice"]

Spacing = tuple[float, float, float]


def imaged(
    model: Model,
    spacing: Spacing,
    settings: ScannerSettings,
    rods: tuple[PhantomRod, ...],
    rng: np.random.Generator,
    threads: int,
    progress: Progress | None,
) -> NDArray[np.float32]:
    """Return attenuation (z, y, x), 1/cm, of the model as image mode shows it."""
    nz, ny, nx = model.shape
    table = mu_table(settings.effective_kev)
    volume = sampled(model, table, threads=threads, progress=progress)
    for rod in rods:
        share = rod_fraction(rod, (ny, nx), spacing[1:])
        volume += share * (table[rod.tissue] - volume)
    metals = [i for i in (METAL, TAG) if i in model.ids]
    strength: Layers | None = None
    if settings.cupping > 0 or settings.noise > 0 or metals:
        if progress is not None:
            progress("paths", 0.0)
        shares = {i: sampled(model, (np.arange(256) == i).astype(np.float32), threads=threads) for i in metals}
        coarse = coarse_paths(volume, shares, spacing, settings, threads)
        if settings.noise > 0:
            strength = noise_strength(coarse, settings, threads)
        if settings.cupping > 0 or metals:
            hardening(coarse, volume, shares, settings, threads)
        del coarse, shares
    sigma = (settings.blur_mm / spacing[0], settings.blur_mm / spacing[1], settings.blur_mm / spacing[2])
    if progress is not None:
        progress("point spread", 0.0)
    volume = blurred(volume, sigma, threads)
    seeds = rng.integers(0, 2**63, size=nz)
    if strength is not None:
        _add_noise(volume, sigma, strength, settings, seeds, threads, progress)
    if settings.rings > 0:
        _add_rings(volume, spacing, settings, rng, threads)
    return volume


def blurred(volume: NDArray[np.float32], sigma_px: Spacing, threads: int) -> NDArray[np.float32]:
    """Return a volume (z, y, x) blurred by a Gaussian of ``sigma_px`` voxels along z, y and x."""
    if max(sigma_px) <= 0:
        return volume
    out = np.empty_like(volume)
    nz, ny, _ = volume.shape

    def along_z(start: int) -> None:
        rows = slice(start, min(start + 16, ny))
        out[:, rows] = ndimage.gaussian_filter1d(volume[:, rows], sigma_px[0], axis=0, mode="nearest")

    def in_plane(z: int) -> None:
        out[z] = ndimage.gaussian_filter(out[z], sigma_px[1:], mode="nearest")

    for _ in each(range(0, ny, 16), along_z, threads):
        pass
    for _ in each(range(nz), in_plane, threads):
        pass
    return out


def noise_filter(shape_yx: tuple[int, int], sigma_px: tuple[float, float]) -> NDArray[np.float32]:
    """Return the frequency response (y, x as of a real transform) that shapes white noise of a slice into
    CT noise.

    ``sigma_px`` is the Gaussian blur of the detector along y and x. The result is scaled so that white
    noise of unit variance keeps unit variance.
    """
    fy = fft.fftfreq(shape_yx[0])[:, None]
    fx = fft.rfftfreq(shape_yx[1])[None, :]
    radius = np.hypot(fy, fx)
    power = radius * np.sinc(radius) ** 4 * (radius <= 0.5)
    power = power * np.exp(-((2 * np.pi) ** 2) * ((sigma_px[0] * fy) ** 2 + (sigma_px[1] * fx) ** 2))
    twice = np.full(fx.shape, 2.0)
    twice[0, 0] = 1.0
    if shape_yx[1] % 2 == 0:
        twice[0, -1] = 1.0
    mean = float(np.sum(power * twice)) / (shape_yx[0] * shape_yx[1])
    return np.sqrt(power / mean).astype(np.float32) if mean > 0 else np.ones(power.shape, dtype=np.float32)


def noise_slice(shaping: NDArray[np.float32], shape_yx: tuple[int, int], seed: int) -> NDArray[np.float32]:
    """Return a slice (y, x) of CT-like noise of zero mean and unit variance."""
    white = np.random.default_rng(seed).standard_normal(shape_yx, dtype=np.float32)
    return np.asarray(fft.irfft2(fft.rfft2(white) * shaping, s=shape_yx), dtype=np.float32)


def _add_noise(
    volume: NDArray[np.float32],
    sigma_px: Spacing,
    strength: Layers,
    settings: ScannerSettings,
    seeds: NDArray[np.int64],
    threads: int,
    progress: Progress | None,
) -> None:
    """Add noise to attenuation (z, y, x), 1/cm, in place."""
    nz, ny, nx = volume.shape
    half = float(np.sqrt(0.5))
    shaping = noise_filter((ny, nx), (half * sigma_px[1], half * sigma_px[2]))
    noise = np.empty(volume.shape, dtype=np.float32)

    def make(z: int) -> None:
        noise[z] = noise_slice(shaping, (ny, nx), int(seeds[z]))

    for done in each(range(nz), make, threads):
        if progress is not None and done % 16 == 0:
            progress("noise", done / nz)
    _correlate_slices(noise, half * sigma_px[0], threads)
    sigma = np.float32(settings.noise * settings.bone_contrast)

    def add(z: int) -> None:
        volume[z] += sigma * strength(z) * noise[z]

    for _ in each(range(nz), add, threads):
        pass


def _add_rings(
    volume: NDArray[np.float32],
    spacing: Spacing,
    settings: ScannerSettings,
    rng: np.random.Generator,
    threads: int,
) -> None:
    """Add ring artefacts to attenuation (z, y, x), 1/cm, in place."""
    nz, ny, nx = volume.shape
    unit = min(spacing[1:])
    y = (np.arange(ny) - (ny - 1) / 2) * spacing[1] / unit
    x = (np.arange(nx) - (nx - 1) / 2) * spacing[2] / unit - settings.centre_offset_px
    radius = np.hypot(y[:, None], x[None, :])
    pitch, radii = unit / 10, int(np.ceil(radius.max())) + 2
    gains = detector.gain_errors(nz, 2 * radii + 2, rng)
    rms = settings.rings * settings.bone_contrast / detector.ring_gain(2 * radii + 2, min(ny, nx) / 4, pitch, both=True)
    profiles = np.float32(rms) * detector.ring_profiles(gains, radii, pitch)
    positions = np.arange(radii, dtype=np.float64)

    def add(z: int) -> None:
        volume[z] += np.interp(radius, positions, profiles[z]).astype(np.float32)

    for _ in each(range(nz), add, threads):
        pass


def _correlate_slices(noise: NDArray[np.float32], sigma_px: float, threads: int) -> None:
    """Blur noise (z, y, x) along z in place, wrapped round, and keep its variance."""
    nz, ny, _ = noise.shape
    if sigma_px <= 0 or nz == 1:
        return
    impulse = np.zeros(nz)
    impulse[0] = 1.0
    kept = float(np.sqrt(np.sum(ndimage.gaussian_filter1d(impulse, sigma_px, mode="wrap") ** 2)))

    def work(start: int) -> None:
        rows = slice(start, min(start + 16, ny))
        noise[:, rows] = ndimage.gaussian_filter1d(noise[:, rows], sigma_px, axis=0, mode="wrap") / kept

    for _ in each(range(0, ny, 16), work, threads):
        pass
