"""What a scan's own greys tell: noise, blur, and the levels of air, bone, dentine and enamel.

Nothing here is fixed in grey values or millimetres; every limit that later stages use is derived from these figures.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter, gaussian_filter1d, maximum_filter, minimum_filter
from skimage.filters import threshold_otsu

__all__ = ["Levels", "block_moments", "edge_blur", "levels", "noise_of"]

FloatArray = npt.NDArray[np.float32]


@dataclass(frozen=True)
class Levels:
    """Greys of the scan, in the units of the volume they were measured on.

    ``surround`` is what touches the bone (air, or fluid in a wet specimen); ``cut`` lies midway between it and bone.
    ``enamel`` is None where no tissue stands out above bone and dentine. ``spread`` is the standard deviation of the
    solid mode, noise included.
    """

    air: float
    surround: float
    bone: float
    dentine: float
    enamel: float | None
    cut: float
    spread: float
    separable: bool


def block_moments(volume: FloatArray, side: int = 4) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return mean and standard deviation of non-overlapping cubes of ``side`` voxels, each (n,)."""
    nz, ny, nx = (s // side for s in volume.shape)
    if min(nz, ny, nx) == 0:
        flat = volume.astype(float)
        return np.array([flat.mean()]), np.array([flat.std()])
    cut = volume[: nz * side, : ny * side, : nx * side].reshape(nz, side, ny, side, nx, side)
    mean = cut.mean(axis=(1, 3, 5), dtype=np.float64)
    square = np.einsum("aibjck,aibjck->abc", cut, cut, dtype=np.float64) / side**3
    return mean.ravel(), np.sqrt(np.maximum(square - mean**2, 0)).ravel()


def noise_of(volume: FloatArray) -> float:
    """Return the standard deviation of the noise: the commonest spread of small cubes.

    Most cubes of a scan lie in one tissue (or in air), so the mode of their standard deviations is the noise; where
    air has been clipped to one value those cubes are left out. Method: mode of local standard deviations, after
    Immerkaer's and related block-based estimators (common practice).
    """
    _, spread = block_moments(volume)
    spread = spread[spread > 1e-6 * max(float(spread.max()), 1e-12)]
    if len(spread) < 50:
        return float(np.median(spread)) if len(spread) else 0.0
    low = spread[spread <= np.quantile(spread, 0.9)]
    counts, edges = np.histogram(np.log(low), bins=80)
    smooth = gaussian_filter1d(counts.astype(float), 2)
    peak = int(np.argmax(smooth))
    mode = float(np.exp((edges[peak] + edges[peak + 1]) / 2))
    # In a coarse scan most cubes straddle an edge; the quieter quarter then tells more (1.06: its bias in plain noise).
    return min(mode, 1.06 * float(np.quantile(spread, 0.25)))


def edge_blur(volume: FloatArray, low: float, high: float) -> float:
    """Return the Gaussian blur (sigma, voxels) of the sharpest well-formed edges between ``low`` and ``high``.

    For a step of height A blurred by sigma the greatest gradient is A / (sigma sqrt(2 pi)) (closed form).
    """
    height = high - low
    crop = volume[tuple(slice(s // 6, s - s // 6) for s in volume.shape)]
    smooth = gaussian_filter(crop, 0.5)
    gradient = np.zeros_like(smooth)
    for axis in range(3):
        step = np.gradient(smooth, axis=axis)
        gradient += step * step
    gradient = np.sqrt(gradient)
    span = maximum_filter(smooth, 7) - minimum_filter(smooth, 7)
    edge = (np.abs(smooth - (low + high) / 2) < 0.15 * height) & (span > 0.8 * height) & (span < 1.3 * height)
    if edge.sum() < 100:
        return 1.0
    sigma = height / (np.quantile(gradient[edge], 0.9) * np.sqrt(2 * np.pi))
    return float(np.sqrt(max(sigma**2 - 0.25, 0.04)))


def _mode(values: npt.NDArray[np.floating], bins: int = 200) -> float:
    low, high = np.quantile(values, [0.002, 0.998])
    if high <= low:
        return float(low)
    counts, edges = np.histogram(values, bins=bins, range=(low, high))
    peak = int(np.argmax(gaussian_filter1d(counts.astype(float), 2)))
    return float((edges[peak] + edges[peak + 1]) / 2)


def levels(smooth: FloatArray, noise: float) -> Levels:
    """Find the tissue levels of a smoothed volume whose remaining noise is ``noise``.

    Air (or the surround) and solid are parted by Otsu's threshold (Otsu 1979), re-derived above itself while the
    darker class still holds two modes (fluid, soft tissue or foam under bone). Bone and dentine are the mode of solid
    voxels whose neighbourhood is solid too; enamel is what exceeds that mode by more than its own lower half and the
    noise explain.
    """
    sample = smooth[::2, ::2, ::2].ravel() if smooth.size > 2_000_000 else smooth.ravel()
    top = float(np.quantile(sample, 0.9999))
    bottom = float(np.quantile(sample, 0.0005))
    if top <= bottom:
        return Levels(bottom, bottom, top, top, None, top, 0.0, False)
    clipped = np.clip(sample, bottom, top)
    air = _mode(clipped[clipped <= threshold_otsu(clipped)])
    cut = float(threshold_otsu(clipped))
    core = minimum_filter(smooth, 3)
    for _ in range(3):
        inner = smooth[core > cut]
        if inner.size < 200:
            break
        bone = _mode(inner)
        cut_next = _surround_cut(core[core > cut], cut, bone, noise)
        if cut_next is None:
            cut_next = _surround_cut(smooth[smooth > cut], cut, bone, noise)
        if cut_next is None or cut_next <= cut + 2 * noise:
            break
        cut = cut_next
    inner = smooth[core > cut]
    if inner.size < 200:
        inner = smooth[smooth > cut]
    bone = _mode(inner)
    lower = inner[inner < bone]
    spread = float(np.sqrt(np.mean((lower - bone) ** 2))) if lower.size else noise
    surround = _surround(smooth, cut, air)
    cut = (surround + bone) / 2
    spread = min(spread, (bone - cut) / 1.5)
    enamel = _enamel(smooth, bone, max(spread, noise), cut)
    separable = bone - surround > 3 * noise
    return Levels(air, surround, bone, bone, enamel, cut, spread, separable)


def _surround(smooth: FloatArray, cut: float, air: float) -> float:
    """Grey of what lies a few voxels outside the solid."""
    solid = smooth > cut
    near = maximum_filter(solid, 9) & ~maximum_filter(solid, 5)
    values = smooth[near]
    return _mode(values) if values.size > 200 else air


def _surround_cut(inner: FloatArray, cut: float, bone: float, noise: float) -> float | None:
    """A higher cut, where most of ``inner`` is a lower tissue (fluid, soft tissue) and a brighter one stands out."""
    if inner.size < 200:
        return None
    again = float(threshold_otsu(inner[:: max(1, inner.size // 2_000_000)]))
    above = inner[inner > again]
    below = inner[inner <= again]
    gap = float(np.median(above) - np.median(below))
    share = above.size / inner.size
    contrast = gap / max(float(np.std(below)), noise)
    # Far above the rest, and from 2 to 70 % of it: what was taken for solid was fluid or soft tissue.
    if 0.02 < share < 0.7 and contrast > 4 and gap > 0.6 * (bone - cut):
        return again
    return None


def _enamel(smooth: FloatArray, bone: float, spread: float, cut: float) -> float | None:
    bright = smooth[smooth > bone + 3.5 * spread]
    solid = int((smooth > cut).sum())
    if bright.size < max(60, 0.0005 * solid):
        return None
    level = float(np.quantile(bright, 0.8))
    return level if level > bone + 5 * spread else None
