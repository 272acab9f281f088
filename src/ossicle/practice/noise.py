"""Smooth pseudo-random fields for irregular gaps, enamel and spongy bone (sums of sines: cheap, and without
a lattice).
"""

from __future__ import annotations

import numpy as np

from ossicle.practice.shapes import Array

__all__ = ["ripple", "spongework"]

F = np.float32
_DIRECTIONS = (
    np.array(
        [
            [0.62, 0.35, 0.70],
            [-0.44, 0.81, 0.39],
            [0.79, -0.58, 0.19],
            [0.21, 0.53, -0.82],
            [-0.69, -0.31, 0.65],
        ]
    )
    * np.array([1.0, 1.37, 0.83, 1.61, 1.13])[:, None]
)


def ripple(x: Array, y: Array, z: Array, wavelength: float, seed: int) -> Array:
    """A field in about [-1, 1] that varies over `wavelength` mm."""
    phases = np.random.default_rng(seed).uniform(0, 2 * np.pi, len(_DIRECTIONS))
    k = 2 * np.pi / wavelength
    out = np.zeros(np.broadcast_shapes(x.shape, y.shape, z.shape), dtype=F)
    for d, p in zip(_DIRECTIONS, phases, strict=True):
        out += np.sin(F(k * d[0]) * x + F(k * d[1]) * y + F(k * d[2]) * z + F(p))
    return out * F(1 / 3)


def spongework(x: Array, y: Array, z: Array, spacing: float, seed: int) -> Array:
    """Signed distance (mm, about) to a network of struts and plates: a warped gyroid, negative in the struts.

    The gyroid as a model of trabecular bone is common practice in biomaterials; no source.
    """
    w = ripple(x, y, z, spacing * 5, seed) * F(0.9)
    k = F(2 * np.pi / (2.2 * spacing))
    a, b, c = k * x + w, k * y + w * F(0.7), k * z - w
    g = np.sin(a) * np.cos(b) + np.sin(b) * np.cos(c) + np.sin(c) * np.cos(a)
    out: Array = (np.abs(g) - F(0.55)) / (k * F(1.5))
    return out
