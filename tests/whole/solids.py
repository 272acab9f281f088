"""Volumes that hold no skull. Each is larger than the least size at which teeth are looked for at all."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter

SIDE = 140


def _grid() -> np.ndarray:
    return np.indices((SIDE, SIDE, SIDE), dtype=np.float32) - (SIDE - 1) / 2


def _scanned(density: np.ndarray, seed: int = 0) -> np.ndarray:
    """Blur, noise and 16-bit greys, so that edges and flats look like a scan's."""
    grey = 1000 + 8000 * gaussian_filter(density.astype(np.float32), 0.5)
    grey += np.random.default_rng(seed).normal(0, 150, grey.shape).astype(np.float32)
    return np.clip(grey, 0, 65535).astype(np.uint16)


def sphere() -> np.ndarray:
    return _scanned((_grid() ** 2).sum(0) < (0.47 * SIDE) ** 2)


def tube() -> np.ndarray:
    """An empty specimen tube, half as long again as the other volumes."""
    y, x = _grid()[1:, 0]
    radius = np.hypot(y, x)
    ring = (radius < 0.32 * SIDE) & (radius > 0.25 * SIDE)
    return _scanned(np.broadcast_to(ring, (SIDE * 3 // 2, SIDE, SIDE)))


def noise() -> np.ndarray:
    return np.random.default_rng(1).integers(0, 60000, (SIDE, SIDE, SIDE), np.uint16)


def limb_bone() -> np.ndarray:
    """A hollow shaft with two wide ends: calcified, symmetric, and no skull."""
    z, y, x = _grid()
    radius = np.hypot(y, x)
    wall = 0.15 * SIDE * (1 + 1.2 * (np.abs(z) / (0.5 * SIDE)) ** 4)
    shaft = (radius < wall) & ((radius > 0.6 * wall) | (np.abs(z) > 0.38 * SIDE))
    return _scanned(shaft & (np.abs(z) < 0.48 * SIDE))


def gravel() -> np.ndarray:
    """Sixty pebbles of two densities, some as bright against the rest as enamel is against bone."""
    rng = np.random.default_rng(3)
    grid = np.indices((SIDE, SIDE, SIDE), dtype=np.float32)
    density = np.zeros((SIDE, SIDE, SIDE), np.float32)
    for _ in range(60):
        centre = rng.uniform(0.1, 0.9, 3) * SIDE
        radii = rng.uniform(0.04, 0.1) * SIDE * rng.uniform(0.6, 1.4, 3)
        bright = np.float32(rng.choice([1.0, 1.0, 1.0, 1.7]))
        box = tuple(slice(max(int(c - r) - 1, 0), int(c + r) + 2) for c, r in zip(centre, radii, strict=True))
        part = grid[(slice(None), *box)]
        inside = (((part - centre[:, None, None, None]) / radii[:, None, None, None]) ** 2).sum(0) < 1
        density[box] = np.maximum(density[box], bright * inside)
    return _scanned(density)
