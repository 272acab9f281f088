"""Image mode: a scan made from attenuation directly, with the effects of a scanner modelled on the finished
volume.

Fast, for big volumes. What it models, and how:

- point spread: a Gaussian.
- noise: filtered back-projection gives a noise power that rises with frequency in the plane (the ramp) and
  falls again through the interpolation and the detector's blur, and is white along the axis but for that
  blur (Riederer, Pelc & Chesler 1978, Phys. Med. Biol. 23:446). White noise is shaped so, and scaled to the
  standard deviation asked for. It is as strong everywhere; projections mode makes it stronger along dense
  paths.
- hardening: line integrals p are lowered to p - b p^2 on a coarse grid (64 pixels across at most, 128 with
  metal), reconstructed, and the difference is added. For a disc of attenuation m and radius R its Abel
  inversion is b m^2 (8 / pi) sqrt(R^2 - r^2), which gives b for the loss asked for in the middle. Paths
  through metal harden by the beam's own spectrum, with bone before or behind them: dark bands between.
- rings: the filtered back-projection of constant gain errors of detector pixels, as circles round the axis.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from ossicle.practice.scanner import detector
from ossicle.practice.scanner.materials import BONE, METAL, TAG, mu, mu_table
from ossicle.practice.scanner.phantom import PhantomRod, rod_fraction
from ossicle.practice.scanner.projector import ParallelField, filtered_back_projection, view_matrix
from ossicle.practice.scanner.sampling import Model, Progress, each, sampled
from ossicle.practice.scanner.settings import ScannerSettings

__all__ = ["blurred", "hardening", "imaged", "noise_filter", "noise_slice"]

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
    if settings.cupping > 0 or metals:
        if progress is not None:
            progress("beam hardening", 0.0)
        shares = {
            i: sampled(model, (np.arange(256) == i).astype(np.float32), threads=threads) for i in metals
        }
        hardening(volume, shares, spacing, settings, threads)
    sigma = (settings.blur_mm / spacing[0], settings.blur_mm / spacing[1], settings.blur_mm / spacing[2])
    if progress is not None:
        progress("point spread", 0.0)
    volume = blurred(volume, sigma, threads)
    contrast = settings.bone_contrast
    seeds = rng.integers(0, 2**63, size=nz)
    if settings.noise > 0:
        half = float(np.sqrt(0.5))
        shaping = noise_filter((ny, nx), (half * sigma[1], half * sigma[2]))
        noise = np.empty(model.shape, dtype=np.float32)

        def make(z: int) -> None:
            noise[z] = noise_slice(shaping, (ny, nx), int(seeds[z]))

        for done in each(range(nz), make, threads):
            if progress is not None and done % 16 == 0:
                progress("noise", done / nz)
        _correlate_slices(noise, half * sigma[0], threads)
        noise *= np.float32(settings.noise * contrast)
        volume += noise
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


def hardening(
    volume: NDArray[np.float32],
    metals: dict[int, NDArray[np.float32]],
    spacing: Spacing,
    settings: ScannerSettings,
    threads: int,
) -> None:
    """Lower attenuation (z, y, x), 1/cm, in place as a hardened beam does.

    ``metals`` holds the share of each voxel that each metal fills.
    """
    _, ny, nx = volume.shape
    step = max(1, -(-max(ny, nx) // (128 if metals else 64)))
    step_z = max(1, int(step * min(spacing[1:]) / spacing[0]))
    coarse = _coarse(volume, step_z, step)
    lost = {i: _coarse(share, step_z, step) for i, share in metals.items()}
    cz, cy, cx = coarse.shape
    field = ParallelField.around((cy, cx), (spacing[1] * step / 10, spacing[2] * step / 10))
    count = int(np.ceil(np.pi / 2 * max(cy, cx)))
    angles = np.pi * np.arange(count) / count
    kev, spectrum = settings.effective_kev, settings.spectrum
    radius = min(ny * spacing[1], nx * spacing[2]) / 40
    b = settings.cupping * np.pi / (8 * settings.bone_contrast * radius)
    for i, share in lost.items():
        coarse -= np.float32(mu(i, kev)) * share
    stack = [np.maximum(coarse, 0.0), *lost.values()]
    columns = np.concatenate([part.reshape(cz, -1).T for part in stack], axis=1)
    views = np.empty((len(angles), field.pixels, cz), dtype=np.float32)
    bone = mu(BONE, spectrum.kev) / mu(BONE, kev)
    steep = {i: mu(i, spectrum.kev) for i in lost}

    def project(view: int) -> None:
        lines = (view_matrix(field, float(angles[view])) @ columns).reshape(field.pixels, len(stack), cz)
        p = np.minimum(lines[:, 0], 0.5 / b) if b > 0 else lines[:, 0]
        change = -b * p**2 - (lines[:, 0] - p)
        if lost:
            through = (lines[:, 1:] > 1e-4).any(axis=1)
            plain = np.exp(-np.outer(lines[:, 0][through], bone))
            both = plain.copy()
            kept = np.zeros(len(plain))
            for k, (i, slope) in enumerate(steep.items(), start=1):
                length = lines[:, k][through]
                both *= np.exp(-np.outer(length, slope))
                kept += length * mu(i, kev)
            change[through] += np.log(plain @ spectrum.signal) - np.log(both @ spectrum.signal) - kept
        views[view] = change

    for _ in each(range(len(angles)), project, threads):
        pass
    change = filtered_back_projection(np.ascontiguousarray(views.transpose(2, 0, 1)), angles, field, threads)
    # What is lost in proportion to the matter itself is taken off at full resolution, the rest is smooth.
    known = np.stack([part.ravel() for part in stack]).astype(np.float64)
    lost_share = np.linalg.lstsq(known @ known.T, known @ change.ravel(), rcond=None)[0].astype(np.float32)
    for factor, part in zip(lost_share, stack, strict=True):
        change -= factor * part
    if metals:
        near = ndimage.binary_dilation(sum(lost.values()) > 0, iterations=1)
        weight = ndimage.gaussian_filter((~near).astype(np.float32), 2.0)
        around = ndimage.gaussian_filter(np.where(near, 0, change), 2.0) / np.maximum(weight, 1e-3)
        change = np.where(near, around, change)
    at_y = (np.arange(ny) + 0.5) / step - 0.5
    at_x = (np.arange(nx) + 0.5) / step - 0.5
    rows, columns_at = _hat(at_y, cy), _hat(at_x, cx)

    def add(z: int) -> None:
        at = min(max((z + 0.5) / step_z - 0.5, 0.0), cz - 1.0)
        low = min(int(at), max(cz - 2, 0))
        high = min(low + 1, cz - 1)
        layer = change[low] + np.float32(at - low) * (change[high] - change[low])
        own = volume[z].copy()
        for i, factor in zip(metals, lost_share[1:], strict=True):
            volume[z] += factor * metals[i][z]
            own -= np.float32(mu(i, kev)) * metals[i][z]
        volume[z] += lost_share[0] * own + rows @ layer @ columns_at.T

    for _ in each(range(len(volume)), add, threads):
        pass


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
    rms = (
        settings.rings
        * settings.bone_contrast
        / detector.ring_gain(2 * radii + 2, min(ny, nx) / 4, pitch, both=True)
    )
    profiles = np.float32(rms) * detector.ring_profiles(gains, radii, pitch)
    positions = np.arange(radii, dtype=np.float64)

    def add(z: int) -> None:
        volume[z] += np.interp(radius, positions, profiles[z]).astype(np.float32)

    for _ in each(range(nz), add, threads):
        pass


def _coarse(volume: NDArray[np.float32], step_z: int, step: int) -> NDArray[np.float32]:
    """Return means over blocks of ``step_z`` slices and ``step`` by ``step`` pixels, edges repeated."""
    if step_z == step == 1:
        return volume.copy()
    nz, ny, nx = volume.shape
    padded = np.pad(volume, ((0, -nz % step_z), (0, -ny % step), (0, -nx % step)), mode="edge")
    cz, cy, cx = padded.shape[0] // step_z, padded.shape[1] // step, padded.shape[2] // step
    blocks = padded.reshape(cz, step_z, cy, step, cx, step)
    return np.asarray(blocks.mean(axis=(1, 3, 5)), dtype=np.float32)


def _hat(at: NDArray[np.float64], count: int) -> NDArray[np.float32]:
    """Return the matrix (positions, count) that interpolates linearly, the ends held."""
    inside = np.clip(at, 0, count - 1)
    return np.maximum(0.0, 1.0 - np.abs(inside[:, None] - np.arange(count))).astype(np.float32)


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
