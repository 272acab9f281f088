"""Levels of dentine and enamel as the teeth of this scan show them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from ..statistics import edge_blur
from .surface import SMOOTHING, Levels

__all__ = ["tooth_levels"]


def tooth_levels(
    labels: npt.NDArray[np.int32],
    grey: npt.NDArray[np.float32],
    boxes: Mapping[int, tuple[slice, ...]],
    enamel: float,
    noise: float,
    dentine: float | None = None,
    blur: float | None = None,
) -> Levels:
    """Refine the levels on the teeth themselves.

    Thin roots and thin enamel never show their full grey once blurred, so levels taken from the whole scan
    are too low. Dentine: upper quartile of the teeth's smoothed greys between bone and enamel; enamel: what
    only one in two hundred tooth voxels exceeds, or the level given, if higher.
    """
    greys: list[npt.NDArray[np.float32]] = []
    edges: list[float] = []
    for part, box in boxes.items():
        grown = tuple(slice(max(s.start - 4, 0), s.stop + 4) for s in box)
        values = grey[grown]
        own = labels[grown] == part
        greys.append(gaussian_filter(values, SMOOTHING, truncate=3.0)[own])
        if blur is None and min(values.shape) >= 10 and len(edges) < 12:
            edges.append(
                edge_blur(np.ascontiguousarray(values), 0.0, max(float(np.median(values[own])), 0.5))
            )
    if not greys:
        return Levels(dentine or 1.1, max(enamel, 1.3), noise, blur or 1.0)
    pool = np.concatenate(greys)
    top = max(enamel, float(np.quantile(pool, 0.995)))
    if dentine is None:
        body = pool[(pool > 0.8) & (pool < 1 + 0.7 * (top - 1))]
        dentine = float(np.quantile(body, 0.6)) if len(body) > 20 else 1.0 + 0.3 * (top - 1)
    dentine = min(dentine, top - 0.1)
    return Levels(
        dentine, top, noise, blur if blur is not None else float(np.median(edges)) if edges else 1.0
    )
