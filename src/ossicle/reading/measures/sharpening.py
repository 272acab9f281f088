"""Undoing the scan's blur near teeth, and what a thin bright layer looks like afterwards.

Enamel and the walls of roots are often no thicker than the blur, so that neither reaches its own grey. A few
Richardson-Lucy steps (Richardson 1972, J. Opt. Soc. Am. 62:55; Lucy 1974, Astron. J. 79:745) with the scan's
own blur bring most of it back. What is left is tabulated by sending known layers through the same steps, so
that a peak seen beneath the surface says how thick the layer is and at which grey the surface lies. Model-
based thickness of layers thinner than the blur: after Treece et al. 2010 (Med. Image Anal. 14:276, value from
memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter, gaussian_filter1d

__all__ = ["Layers", "Levels", "sharpen", "sharpened_noise", "steps_for"]

FloatArray = npt.NDArray[np.float64]
Volume = npt.NDArray[np.float32]

FINAL = 0.5
"""Smoothing after sharpening, sigma in voxels."""
_FLOOR = 0.02
_DEPTHS = np.arange(0.5, 3.01, 0.5)
"""Depths (voxels) below the surface at which a peak is looked for."""


@dataclass(frozen=True)
class Levels:
    """Normalised levels (surround 0, bone 1) of dentine and mature enamel, noise, and blur (sigma, voxels) of
    the scan."""

    dentine: float
    enamel: float
    noise: float
    blur: float


def steps_for(noise: float) -> int:
    """Return how many steps to take: fewer in noisy scans."""
    return int(np.clip(round(1.0 / max(noise, 0.02)), 4, 10))


def sharpen(grey: Volume, blur: float, steps: int) -> Volume:
    """Return the greys (z, y, x) with a Gaussian blur of ``blur`` voxels largely undone, smoothed by `FINAL`;
    never below 0.02."""
    seen = np.maximum(grey, np.float32(_FLOOR))
    sharp = seen.copy()
    for _ in range(steps):
        ratio = seen / np.maximum(gaussian_filter(sharp, blur, truncate=3.0), np.float32(_FLOOR))
        sharp *= gaussian_filter(ratio, blur, truncate=3.0)
    return np.asarray(gaussian_filter(sharp, FINAL, truncate=3.0), np.float32)


def sharpened_noise(levels: Levels, steps: int) -> float:
    """Return the noise left in flat dentine after `sharpen`, by sending noise of the scan's strength through
    it."""
    rng = np.random.default_rng(0)
    white = gaussian_filter(rng.standard_normal((24, 24, 24)).astype(np.float32), 0.5)
    flat = levels.dentine + white * np.float32(levels.noise / max(float(white.std()), 1e-9))
    return float(sharpen(flat.astype(np.float32), levels.blur, steps)[5:-5, 5:-5, 5:-5].std())


@dataclass(frozen=True)
class Layers:
    """Tables over rising ``peak``: a wall of dentine up to dentine's own grey, a layer of enamel on dentine
    above it.

    ``level`` is the grey at the true surface, ``thickness`` that of the enamel in voxels; ``full`` is the
    peak from which on the layer is too thick for its peak to tell; ``middle`` lies half way from dentine to
    enamel.
    """

    peak: FloatArray
    level: FloatArray
    thickness: FloatArray
    full: float
    middle: float

    @classmethod
    def of(cls, dentine: float, enamel: float, blur: float, steps: int) -> Layers:
        """Tabulate for the given levels, blur (voxels) and number of sharpening steps."""
        wide = np.linspace(0.2, 5.0, 25) * max(blur, 0.5)
        wall_peak, wall_level = _through(wide, dentine, 0.08 * dentine, blur, steps)
        thick = np.concatenate([[0.0], np.linspace(0.05, 3.0, 40) * max(blur, 0.5)])
        peak, level = _through(thick, enamel, dentine, blur, steps)
        below = wall_peak < min(dentine, peak[0]) - 0.01
        rising = np.concatenate([[True], peak[1:] > np.maximum.accumulate(peak)[:-1] + 1e-4])
        top = int(np.argmax(peak >= 0.97 * peak.max()))
        rising[top + 1 :] = False
        return cls(
            np.concatenate([[0.0], wall_peak[below], peak[rising]]),
            np.concatenate([[0.0], wall_level[below], level[rising]]),
            np.concatenate([[0.0], np.zeros(int(below.sum())), thick[rising]]),
            float(peak[rising][-1]),
            (dentine + enamel) / 2,
        )

    def thickness_of(self, peak: npt.NDArray[np.floating]) -> FloatArray:
        """Enamel thickness in voxels, up to where peaks no longer tell."""
        return np.asarray(np.interp(peak, self.peak, self.thickness))

    def level_of(self, peak: npt.NDArray[np.floating]) -> FloatArray:
        """Grey at the true surface beneath which such a peak is seen."""
        return np.asarray(np.interp(peak, self.peak, self.level))


def _through(
    thickness: FloatArray, layer: float, body: float, blur: float, steps: int
) -> tuple[FloatArray, FloatArray]:
    """Peak and surface level of layers of the given thickness (n,) over a body, outside 0, after blur and
    sharpening; means over shifts."""
    shift = np.linspace(0.0, 1.0, 4, endpoint=False)
    size, start = 56, 20
    fine = (np.arange(size * 10) + 0.5) / 10 - 0.5
    t, s = thickness[:, None, None], shift[None, :, None]
    depth = fine[None, None, :] - (start + s)
    truth = np.where(depth < 0, 0.0, np.where(depth < t, layer, body))
    voxels = truth.reshape(len(thickness), len(shift), size, 10).mean(axis=3)
    seen = np.maximum(gaussian_filter1d(voxels, blur, axis=2, truncate=4.0), _FLOOR)
    sharp = seen.copy()
    for _ in range(steps):
        ratio = seen / np.maximum(gaussian_filter1d(sharp, blur, axis=2, truncate=3.0), _FLOOR)
        sharp = sharp * gaussian_filter1d(ratio, blur, axis=2, truncate=3.0)
    sharp = gaussian_filter1d(sharp, FINAL, axis=2, truncate=3.0)
    peak = np.zeros((len(thickness), len(shift)))
    level = np.zeros_like(peak)
    for i in range(len(thickness)):
        for k in range(len(shift)):
            at = start + shift[k] + _DEPTHS
            peak[i, k] = np.interp(at, np.arange(size), sharp[i, k]).max()
            level[i, k] = np.interp(start + shift[k], np.arange(size), sharp[i, k])
    return peak.mean(axis=1), level.mean(axis=1)
