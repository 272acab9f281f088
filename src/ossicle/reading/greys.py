"""Greys made comparable between scans: smoothed against the scan's own noise, surround 0, bone 1."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ossicle.errors import OssicleError

from . import statistics
from .device import gaussian

__all__ = ["Normalised", "normalise"]

FloatArray = npt.NDArray[np.float32]
LEAST_RANGE = 1e-18
"""The least normal float32 is 1.2e-38 (IEEE 754)."""


@dataclass(frozen=True)
class Normalised:
    """A volume with surround 0 and bone 1, float32 (z, y, x); its enamel level and noise in the same units, and the
    Gaussian sigma, in voxels, with which it was smoothed."""

    values: FloatArray
    enamel: float
    noise: float
    sigma: float = 0.6


def normalise(grey: FloatArray) -> tuple[Normalised, statistics.Levels, float]:
    """Smooth against noise and bring surround to 0 and bone to 1.

    Returns the normalised volume, the levels in stored greys, and the noise of the scan in stored greys. The
    smoothing (Gaussian, sigma 0.6 voxels, more only where the noise left would exceed 8 % of the contrast) follows
    the scan's own noise.

    Raises
    ------
    OssicleError
        Greys differ, and by so little that float32 cannot hold their squares.
    """
    if 0 < float(np.ptp(grey)) < LEAST_RANGE:
        raise OssicleError(
            f"the greys differ by less than {LEAST_RANGE:g}, as whole numbers do that are read as another type",
            mend="say the type of its numbers in scan.json, or scale them",
        )
    raw_noise = statistics.noise_of(grey)
    sigma = 0.6
    smooth = gaussian(grey, sigma)
    noise = statistics.noise_of(smooth)
    levels = statistics.levels(smooth, noise)
    while levels.separable and noise / (levels.bone - levels.surround) > 0.08 and sigma < 1.2:
        sigma += 0.3
        smooth = gaussian(grey, sigma)
        noise = statistics.noise_of(smooth)
        levels = statistics.levels(smooth, noise)
    contrast = max(levels.bone - levels.surround, 1e-9)
    values = ((smooth - levels.surround) / contrast).astype(np.float32)
    solid = values[values > 0.5]
    enamel = float(np.quantile(solid[::3], 0.995)) if solid.size > 100 else 1.0
    return Normalised(values, enamel, noise / contrast, sigma), levels, raw_noise
