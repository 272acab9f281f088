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
    width: FloatArray
    width_thickness: FloatArray

    @classmethod
    def of(cls, dentine: float, enamel: float, blur: float, steps: int) -> Layers:
        """Tabulate for the given levels, blur (voxels) and number of sharpening steps."""
        wide = np.linspace(0.2, 5.0, 25) * max(blur, 0.5)
        wall_peak, wall_level, _ = _through(wide, dentine, 0.08 * dentine, blur, steps)
        thick = np.concatenate([[0.0], np.linspace(0.05, 3.0, 40) * max(blur, 0.5)])
        peak, level, width = _through(thick, enamel, dentine, blur, steps)
        below = wall_peak < min(dentine, peak[0]) - 0.01
        rising = np.concatenate([[True], peak[1:] > np.maximum.accumulate(peak)[:-1] + 1e-4])
        top = int(np.argmax(peak >= 0.97 * peak.max()))
        rising[top + 1 :] = False
        shown = np.flatnonzero((width > 0) & (np.maximum.accumulate(width) <= width))
        return cls(
            np.concatenate([[0.0], wall_peak[below], peak[rising]]),
            np.concatenate([[0.0], wall_level[below], level[rising]]),
            np.concatenate([[0.0], np.zeros(int(below.sum())), thick[rising]]),
            float(peak[rising][-1]),
            (dentine + enamel) / 2,
            width[shown],
            thick[shown],
        )

    def thickness_of(self, peak: npt.NDArray[np.floating], width: npt.NDArray[np.floating] | None = None) -> FloatArray:
        """Enamel thickness in voxels from the peak beneath the surface, and from the depth ``width`` at which
        the grey falls below the middle between enamel and dentine (0: never above it).

        Thin layers are told by their peak, thick ones by their width, those between by both.
        """
        thin = np.asarray(np.interp(peak, self.peak, self.thickness))
        if width is None or len(self.width) < 2:
            return thin
        beyond = np.maximum(width - self.width[-1], 0.0)
        thick = np.interp(width, self.width, self.width_thickness) + beyond
        share = np.clip((peak - self.middle) / max(self.full - self.middle, 1e-6), 0.0, 1.0) * (width > 0)
        return np.asarray((1 - share) * thin + share * thick)

    def level_of(self, peak: npt.NDArray[np.floating]) -> FloatArray:
        """Grey at the true surface beneath which such a peak is seen."""
        return np.asarray(np.interp(peak, self.peak, self.level))


def _through(
    thickness: FloatArray, layer: float, body: float, blur: float, steps: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Peak, surface level and width above the middle grey (0: none) of layers of the given thickness (n,)
    over a body, outside 0, after blur and sharpening; means over shifts."""
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
    level, width = np.zeros_like(peak), np.zeros_like(peak)
    near = np.arange(0.0, 16.0, 0.25)
    middle = (layer + body) / 2
    for i in range(len(thickness)):
        for k in range(len(shift)):
            at = start + shift[k] + _DEPTHS
            peak[i, k] = np.interp(at, np.arange(size), sharp[i, k]).max()
            level[i, k] = np.interp(start + shift[k], np.arange(size), sharp[i, k])
            below = np.interp(start + shift[k] + near, np.arange(size), sharp[i, k])
            above = np.flatnonzero(below >= middle)
            if len(above) and above[-1] + 1 < len(near):
                last = above[-1]
                width[i, k] = near[last] + 0.25 * (below[last] - middle) / (below[last] - below[last + 1])
    return peak.mean(axis=1), level.mean(axis=1), np.where((width > 0).all(axis=1), width.mean(axis=1), 0.0)
