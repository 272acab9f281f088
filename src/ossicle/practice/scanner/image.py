"""Image mode: a scan made from attenuation directly, with the effects of a scanner modelled on the finished volume.

Fast, for big volumes. What it models, and how:

- point spread: a Gaussian.
- noise: filtered back-projection gives a noise power that rises with frequency in the plane (the ramp) and falls again through
  the interpolation and the detector's blur, and is white along the axis but for that blur (Riederer, Pelc & Chesler 1978,
  Phys. Med. Biol. 23:446). White noise is shaped so, and scaled to the standard deviation asked for.
- hardening: attenuation is lost in proportion to the matter around, as in the second-order term of a hardened beam.
- rings: circles round the rotation axis from detector pixels with a wrong gain, stronger towards the axis as the same error is
  smeared over a shorter circle.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from ossicle.practice.scanner.sampling import each
from ossicle.practice.scanner.settings import ScannerSettings

__all__ = ["blur", "harden", "noise_filter", "noise_slice", "ring_profiles", "ring_slice"]

Shape = tuple[int, int, int]
Spacing = tuple[float, float, float]


def blur(volume: NDArray[np.float32], sigma_px: Spacing, threads: int) -> NDArray[np.float32]:
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


def harden(
    volume: NDArray[np.float32], settings: ScannerSettings, spacing: Spacing, threads: int
) -> NDArray[np.float32]:
    """Return attenuation (z, y, x), 1/cm, lowered by beam hardening of the strength ``settings.cupping``."""
    nz, ny, nx = volume.shape
    width = min(ny * spacing[1], nx * spacing[2])
    step = max(1, min(ny, nx) // 48)
    sigma = (0.5, 0.08 * width / (spacing[1] * step), 0.08 * width / (spacing[2] * step))
    out = np.empty_like(volume)

    def work(z: int) -> None:
        coarse = ndimage.gaussian_filter(
            ndimage.uniform_filter(volume[z], step)[::step, ::step], sigma[1:], mode="nearest"
        )
        at_y = np.minimum(np.arange(ny) / step, coarse.shape[0] - 1)
        at_x = np.minimum(np.arange(nx) / step, coarse.shape[1] - 1)
        grid = np.meshgrid(at_y, at_x, indexing="ij")
        around = ndimage.map_coordinates(coarse, grid, order=1, mode="nearest") / settings.bone_contrast
        out[z] = volume[z] * (1.0 - settings.cupping * np.clip(around, 0.0, 2.0))

    for _ in each(range(nz), work, threads):
        pass
    return out


def noise_filter(shape_yx: tuple[int, int], sigma_px: tuple[float, float]) -> NDArray[np.float32]:
    """Return the frequency response (y, x as of a real transform) that shapes white noise of a slice into CT noise.

    ``sigma_px`` is the Gaussian blur of the detector along y and x. The result is scaled so that white noise of unit variance
    keeps unit variance.
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


def ring_profiles(rows: int, pixels: int, reference: float, rng: np.random.Generator) -> NDArray[np.float32]:
    """Return the rings of each slice against the radius in pixels: shape (rows, pixels), unit rms at ``reference`` pixels.

    Half of the variance is shared by all rows (columns of a scintillator), half changes over a few rows; three pixels in a
    hundred are four times as far off.
    """
    column = rng.standard_normal((1, pixels))
    own = rng.standard_normal((rows, pixels))
    if rows > 1:
        own = ndimage.gaussian_filter1d(own, 1.5, axis=0, mode="wrap")
        own /= max(float(own.std()), 1e-6)
    bad = np.where(rng.random(pixels) < 0.03, 4.0, 1.0) / np.sqrt(0.97 + 0.03 * 16)
    strength = np.sqrt(reference / np.maximum(np.arange(pixels), 3.0))
    return np.asarray((np.sqrt(0.5) * (column + own)) * bad * strength, dtype=np.float32)


def ring_slice(profile: NDArray[np.float32], radius_px: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the rings of a slice, given their profile and each pixel's distance from the axis in pixels."""
    positions = np.arange(profile.size, dtype=np.float32)
    return np.interp(radius_px.ravel(), positions, profile).reshape(radius_px.shape).astype(np.float32)
