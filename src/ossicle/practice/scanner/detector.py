"""The detector: blur, counting and electronic noise, and pixels whose gain is off.

Noise of a filtered back-projection is worked out from that of its line integrals (Kak & Slaney 1988, ch.
5): a view's variance v gives, at the rotation axis, pi^2 / views times v times the power that the ramp, the
interpolation and the detector's blur pass.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, sparse

from ossicle.practice.scanner.projector import Matrix, ramp_filtered

__all__ = ["counted", "gain_errors", "noise_gain", "photons_for", "ring_gain", "ring_profiles"]


def gain_errors(rows: int, pixels: int, rng: np.random.Generator) -> NDArray[np.float32]:
    """Return gain errors of a detector, shape (rows, pixels), of unit rms.

    Half of the variance is shared by all rows (a column of the scintillator), half changes over a few rows;
    three pixels in a hundred are four times as far off (common practice, no source).
    """
    column = rng.standard_normal((1, pixels))
    own = rng.standard_normal((rows, pixels))
    if rows > 1:
        own = ndimage.gaussian_filter1d(own, 1.5, axis=0, mode="wrap")
        own /= max(float(own.std()), 1e-6)
    bad = np.where(rng.random(pixels) < 0.03, 4.0, 1.0) / np.sqrt(0.97 + 0.03 * 16)
    return np.asarray(np.sqrt(0.5) * (column + own) * bad, dtype=np.float32)


def ring_profiles(gains: NDArray[np.float32], radii: int, pitch: float) -> NDArray[np.float32]:
    """Return the rings, 1/cm, of gain errors (rows, pixels): shape (rows, radii), at radii of 0, 1, 2 ..
    pixels.

    A gain error g moves a line integral by -g in every view; a full turn is reconstructed by filtered
    back-projection.
    """
    filtered = np.ascontiguousarray(ramp_filtered(gains, pitch).T)
    return np.ascontiguousarray(-(_smeared(gains.shape[1], radii, both=True) @ filtered).T, dtype=np.float32)


def ring_gain(pixels: int, radius_px: float, pitch: float, *, both: bool) -> float:
    """Return the rms, 1/cm, of rings at a radius for independent gain errors of unit rms.

    Over a full turn ``both`` sides of the detector share a circle; over half a turn each draws its own half
    of it.
    """
    weights = _smeared(pixels, int(radius_px) + 1, both=both).toarray()[-1:]
    kernel = ramp_filtered(weights.astype(np.float32), pitch)
    return float(np.sqrt(np.sum(kernel.astype(np.float64) ** 2)))


def noise_gain(views: int, pitch: float, blur_px: tuple[float, float]) -> float:
    """Return the standard deviation at the axis, 1/cm, of a scan whose line integrals vary by 1 before the
    detector's blur.

    ``blur_px`` is the standard deviation of that blur along the detector's pixels and rows.
    """
    f = (np.arange(-4000, 4000) + 0.5) / 2000.0
    folded = f - np.rint(f)
    passed = np.sinc(f) ** 4 * folded**2 * _power(blur_px[0], folded)
    along = float(np.mean(_power(blur_px[1], (np.arange(1000) + 0.5) / 1000)))
    variance = np.pi**2 / views / pitch**2 * float(np.sum(passed)) / 2000.0 * along
    return float(np.sqrt(variance))


def photons_for(sigma: float, gain: float, transmission: NDArray[np.float32], electronic: float) -> float:
    """Return the open-beam photons per pixel and view that give noise ``sigma``, 1/cm, at the axis.

    ``gain`` is `noise_gain`; ``transmission`` holds the shares of the beam along rays through the axis. A
    line integral's variance is (n + electronic^2) / n^2 for n photons.
    """
    inverse = 1.0 / np.maximum(transmission.astype(np.float64), 1e-6)
    variance = (sigma / gain) ** 2
    first, second = float(inverse.mean()), electronic**2 * float(np.mean(inverse**2))
    return float((first + np.sqrt(first**2 + 4 * variance * second)) / (2 * variance))


def counted(
    view: NDArray[np.float32],
    photons: float | None,
    electronic: float,
    gains: NDArray[np.float32] | None,
    blur_px: tuple[float, float],
    seed: int,
) -> NDArray[np.float32]:
    """Return line integrals of one view as the detector measures them.

    ``view`` holds shares of the open beam (pixels, rows). Half of the variance of the blur comes before
    counting (focal spot), half after it (scintillator), where it also blurs the noise.
    """
    half = (blur_px[0] * np.sqrt(0.5), blur_px[1] * np.sqrt(0.5))
    signal = ndimage.gaussian_filter(view, half, mode="nearest") if max(half) > 0 else view.astype(np.float32)
    floor = 1e-6
    if photons is not None:
        rng = np.random.default_rng(seed)
        counts = rng.poisson(np.maximum(signal, 0.0).astype(np.float64) * photons).astype(np.float32)
        if electronic > 0:
            counts += np.float32(electronic) * rng.standard_normal(counts.shape, dtype=np.float32)
        signal = counts / np.float32(photons)
        floor = 0.5 / photons
    if max(half) > 0:
        signal = ndimage.gaussian_filter(signal, half, mode="nearest")
    if gains is not None:
        signal = signal * (1.0 + gains.T)
    return np.asarray(-np.log(np.maximum(signal, floor)), dtype=np.float32)


def _power(sigma_px: float, frequency: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the power that the sampled Gaussian of scipy passes, at frequencies in cycles per pixel."""
    reach = int(4 * sigma_px + 1.5)
    impulse = np.zeros(2 * reach + 1)
    impulse[reach] = 1.0
    kernel = ndimage.gaussian_filter1d(impulse, sigma_px, mode="constant") if sigma_px > 0 else impulse
    waves = np.cos(2 * np.pi * frequency[:, None] * np.arange(-reach, reach + 1))
    return np.asarray((waves @ kernel) ** 2, dtype=np.float64)


def _smeared(pixels: int, radii: int, *, both: bool) -> Matrix:
    """Return the matrix (radii, pixels) that back-projects a view that is the same from all sides."""
    count = max(64, 8 * radii)
    angles = np.pi * ((np.arange(count) + 0.5) / count - (0.0 if both else 0.5))
    at = np.arange(radii)[:, None] * np.cos(angles) + (pixels - 1) / 2
    low = np.clip(np.floor(at).astype(np.int64), 0, pixels - 2)
    high = np.clip(at - low, 0.0, 1.0)
    rows = np.broadcast_to(np.arange(radii)[:, None], low.shape)
    weights = np.concatenate([(1 - high).ravel(), high.ravel()]) * np.pi / count
    index = (np.concatenate([rows.ravel(), rows.ravel()]), np.concatenate([low.ravel(), low.ravel() + 1]))
    matrix: Matrix = sparse.csr_array((weights, index), shape=(radii, pixels))
    return matrix
