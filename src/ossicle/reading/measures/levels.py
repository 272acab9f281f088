"""Levels of dentine and enamel as the teeth of this scan show them."""

from __future__ import annotations

from collections.abc import Mapping

import edt
import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter, maximum_filter

from ..statistics import edge_blur
from .sharpening import Levels, sharpen, steps_for

__all__ = ["tooth_levels"]

Volume = npt.NDArray[np.float32]

SAMPLE = 14
"""So many of the largest teeth are looked at."""


def tooth_levels(
    labels: npt.NDArray[np.int32],
    grey: npt.NDArray[np.float32],
    boxes: Mapping[int, tuple[slice, ...]],
    enamel: float,
    noise: float,
    dentine: float | None = None,
    blur: float | None = None,
) -> Levels:
    """Find the levels on the teeth themselves.

    Thin roots and thin enamel never show their full grey once blurred, so levels taken from the whole scan
    are too low. On the largest teeth, sharpened: enamel is what one tooth voxel in twenty-five exceeds in the
    brightest teeth; dentine the median of ridges (local maxima) among voxels away from enamel. Levels given
    from outside are kept where the teeth show too little.
    """
    spread = blur if blur is not None else _blur(grey)
    steps = steps_for(noise)
    size = {p: int(np.prod([s.stop - s.start for s in box])) for p, box in boxes.items()}
    chosen = sorted(size, key=lambda p: -size[p])[:SAMPLE]
    tops: list[float] = []
    kept: list[tuple[Volume, Volume, npt.NDArray[np.bool_]]] = []
    for part in chosen:
        grown = tuple(slice(max(s.start - 4, 0), s.stop + 4) for s in boxes[part])
        own = labels[grown] == part
        sharp = sharpen(grey[grown], spread, steps)
        kept.append((gaussian_filter(grey[grown], 0.7, truncate=3.0), sharp, own))
        tops.append(float(np.quantile(sharp[own], 0.96)))
    if not tops:
        return Levels(dentine or 1.1, max(enamel, 1.3), noise, spread)
    top = float(np.quantile(tops, 0.75))
    top = max(top, min(enamel, 1.3 * top))
    if dentine is None:
        dentine = _dentine(kept, top)
    return Levels(min(dentine, top / 1.12), top, noise, spread)


def _dentine(kept: list[tuple[Volume, Volume, npt.NDArray[np.bool_]]], top: float) -> float:
    """Median sharpened grey on ridges (found before sharpening, so that noise is not picked) well away from
    enamel.

    A share of enamel's grey where there are too few.
    """
    ridges = []
    for smooth, sharp, own in kept:
        bright = gaussian_filter(np.where(own, sharp, 0), 0.7) > 0.85 * top
        far = edt.edt(~bright, parallel=1) > 4 if bright.any() else own
        inside = np.where(own, smooth, np.float32(0))
        ridge = own & far & (inside == maximum_filter(inside, 3))
        ridges.append(sharp[ridge])
    values = np.concatenate(ridges)
    values = values[(values > 0.45 * top) & (values < 0.9 * top)]
    if len(values) < 25:
        return 0.68 * top
    return float(np.clip(0.95 * np.median(values), 0.55 * top, 0.85 * top))


def _blur(grey: npt.NDArray[np.float32]) -> float:
    return float(np.clip(edge_blur(grey, 0.0, 1.0), 0.4, 2.5))
