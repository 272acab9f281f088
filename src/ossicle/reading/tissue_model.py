"""The chance of every solid voxel to be tooth, from local features by gradient-boosted trees.

The trees (Friedman 2001, Ann. Stat. 29:1189; grown with LightGBM, kept as ONNX) were grown on voxels of invented
specimens from two unlike generators, each rendered again at random contrast, blur, texture and noise;
``python -m benchmarks.training`` makes the file again. They see only the features of `features.FEATURES`: no
position, no direction, no absolute grey, no millimetres.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from . import statistics
from .features import Normalised, measure
from .trees import chances

__all__ = ["ToothChance", "normalise", "tooth_chance"]

FloatArray = npt.NDArray[np.float32]
SOLID = 0.35
"""Voxels below this (surround 0, bone 1) are not asked: they hold less than about a third of bone."""


@dataclass(frozen=True)
class ToothChance:
    """Chances per voxel, float32 (z, y, x):

    ``tooth`` of any tooth; ``between`` of lying, tooth or gap, between two teeth.
    """

    tooth: FloatArray
    between: FloatArray


def normalise(grey: FloatArray) -> tuple[Normalised, statistics.Levels, float]:
    """Smooth against noise and bring surround to 0 and bone to 1.

    Returns the normalised volume, the levels in stored greys, and the noise of the scan in stored greys. The
    smoothing (Gaussian, sigma 0.6 voxels, more only where the noise left would exceed 6 % of the contrast) follows
    the scan's own noise.
    """
    raw_noise = statistics.noise_of(grey)
    sigma = 0.6
    smooth = gaussian_filter(grey, sigma)
    noise = statistics.noise_of(smooth)
    levels = statistics.levels(smooth, noise)
    while levels.separable and noise / (levels.bone - levels.surround) > 0.08 and sigma < 1.2:
        sigma += 0.3
        smooth = gaussian_filter(grey, sigma)
        noise = statistics.noise_of(smooth)
        levels = statistics.levels(smooth, noise)
    contrast = max(levels.bone - levels.surround, 1e-9)
    values = ((smooth - levels.surround) / contrast).astype(np.float32)
    solid = values[values > 0.5]
    enamel = float(np.quantile(solid[::3], 0.995)) if solid.size > 100 else 1.0
    return Normalised(values, enamel, noise / contrast), levels, raw_noise


def tooth_chance(volume: Normalised, *, threads: int = 2, tick: Callable[[], None] | None = None) -> ToothChance:
    """Return the chances for every voxel of ``volume``; zero where it is not solid."""
    where = np.flatnonzero(volume.values > SOLID)
    tooth = np.zeros(volume.values.shape, np.float32)
    between = np.zeros(volume.values.shape, np.float32)
    if len(where):
        features = measure(volume, where, threads=threads, tick=tick)
        chance = chances("tooth_model", features, threads=threads)
        tooth.ravel()[where] = chance[:, 1] + chance[:, 2]
        between.ravel()[where] = chance[:, 2] + chance[:, 3]
        if tick is not None:
            tick()
    return ToothChance(tooth, between)
