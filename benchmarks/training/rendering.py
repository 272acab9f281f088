"""What a voxel is, and a specimen rendered again in other contrasts."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from ossicle.reading.statistics import levels, noise_of

from .specimens import Volumes

__all__ = ["BETWEEN", "ENAMEL", "NEAR", "OTHER", "TOOTH", "Look", "classes", "draw_look", "rerender"]

FloatArray = NDArray[np.float32]
OTHER, TOOTH, NEAR, BETWEEN = range(4)
"""Not tooth, tooth, tooth near another tooth, gap or bone between teeth."""
REACH = 2.3
"""Voxels within which two teeth are near each other."""
AIR, SOFT, BONE, DENTINE, ENAMEL, FOREIGN, FLUID = range(7)
"""Tissue ids of a specimen's truth."""


def classes(labels: NDArray[np.integer], teeth: Iterable[int], reach: float = REACH) -> NDArray[np.int8]:
    """Class of every voxel (z, y, x), of these four: near or between where two teeth lie within ``reach`` voxels.

    ``teeth`` are the labels that are teeth. The ball of that radius is walked offset by offset, so the result is exact.
    """
    tooth = np.isin(labels, list(teeth))
    out = np.where(tooth, TOOTH, OTHER).astype(np.int8)
    where = np.argwhere(tooth)
    if not len(where):
        return out
    r = int(reach)
    box = tuple(slice(max(int(a) - r, 0), int(b) + r + 1) for a, b in zip(where.min(0), where.max(0), strict=True))
    own = np.where(tooth[box], labels[box], 0).astype(np.int32)
    nothing = np.iinfo(np.int32).max
    high, low = np.zeros(own.shape, np.int32), np.full(own.shape, nothing, np.int32)
    padded = np.pad(own, r)
    offsets = np.argwhere(np.ones((2 * r + 1,) * 3, bool)) - r
    for offset in offsets[(offsets**2).sum(axis=1) <= reach**2] + r:
        shifted = padded[tuple(slice(o, o + n) for o, n in zip(offset, own.shape, strict=True))]
        np.maximum(high, shifted, out=high)
        np.minimum(low, np.where(shifted > 0, shifted, nothing), out=low)
    two = (high > 0) & (high != low)
    out[box][two] = np.where(own[two] > 0, NEAR, BETWEEN)
    return out


@dataclass(frozen=True)
class Look:
    """How a specimen is rendered. Greys with bone 1, dry air 0; blur, noise grain and texture scale: sigmas in voxels.

    ``enamel`` is in multiples of dentine; ``relief`` the power to which the scan's own slow variation of bone is taken;
    ``texture`` the spread of random density in bone and ``grain_in_tooth`` in dentine; ``tooth`` the factor of single
    teeth by label.
    """

    surround: float = 0.0
    soft: float = 0.3
    foreign: float = 0.1
    dentine: float = 1.1
    enamel: float = 1.5
    relief: float = 1.0
    texture: float = 0.0
    texture_scale: float = 2.0
    grain_in_tooth: float = 0.0
    tooth: dict[int, float] = field(default_factory=dict)
    blur: float = 0.8
    noise: float = 0.05
    noise_grain: float = 0.0


def draw_look(volumes: Volumes, rng: np.random.Generator) -> Look:
    """Draw a look at random, within what dry and wet specimens show on micro-CT (ranges: common practice, no source).

    About one in eight lies in fluid. Teeth in crypts may be less mineralised than the others.
    """
    wet = bool(rng.random() < 0.12)
    surround = float(rng.uniform(0.15, 0.4)) if wet else 0.0
    grain = float(rng.uniform(0, 0.7))
    single = {
        int(t["label"]): float(
            rng.uniform(0.95, 1.05) * (rng.uniform(0.75, 1.0) if t["emergence"] == "in_crypt" else 1.0)
        )
        for t in volumes.teeth
    }
    return Look(
        surround=surround,
        soft=float(rng.uniform(0.15, 0.45)),
        foreign=surround if wet else float(rng.uniform(0.0, 0.2)),
        dentine=float(rng.uniform(0.95, 1.3)),
        enamel=float(rng.uniform(1.25, 1.9)),
        relief=float(rng.uniform(0.3, 1.2)),
        texture=float(rng.uniform(0, 0.15)),
        texture_scale=float(rng.uniform(1.2, 5)),
        grain_in_tooth=float(rng.uniform(0, 0.05)),
        tooth=single,
        blur=float(rng.uniform(0.55, 1.25)),
        noise=float(rng.uniform(0.02, 0.13)),
        noise_grain=grain if grain > 0.2 else 0.0,
    )


def rerender(volumes: Volumes, look: Look, rng: np.random.Generator) -> FloatArray:
    """Render the specimen's tissues anew: greys float32 (z, y, x) on the same grid, every voxel where its label is.

    Only the slow relief of the bone (its thin and spongy parts, which the truth calls bone throughout) is taken from
    the scan; all else follows from the tissue ids and ``look``.
    """
    tissue, shape = volumes.tissue, volumes.grey.shape
    texture = gaussian_filter(rng.standard_normal(shape).astype(np.float32), look.texture_scale)
    texture /= max(float(texture.std()), 1e-9)
    out = np.full(shape, look.surround, np.float32)
    out[tissue == SOFT] = look.soft
    out[tissue == FOREIGN] = look.foreign
    bone = tissue == BONE
    out[bone] = _relief(volumes)[bone] ** look.relief * (1 + look.texture * texture[bone])
    table = np.ones(int(volumes.labels.max(initial=0)) + 1, np.float32)
    for label, factor in look.tooth.items():
        if label < len(table):
            table[label] = factor
    single = table[volumes.labels]
    dentine, enamel = tissue == DENTINE, tissue == ENAMEL
    out[dentine] = look.dentine * single[dentine] * (1 + look.grain_in_tooth * texture[dentine])
    out[enamel] = look.dentine * look.enamel * single[enamel]
    out = gaussian_filter(out, look.blur)
    noise = rng.standard_normal(shape).astype(np.float32)
    if look.noise_grain > 0:
        noise = gaussian_filter(noise, look.noise_grain)
        noise /= max(float(noise.std()), 1e-9)
    rendered: FloatArray = (out + look.noise * noise).astype(np.float32)
    return rendered


def _relief(volumes: Volumes) -> FloatArray:
    """Local mean grey of bone relative to the specimen's median, 0.5 to 2; 1 where there is no bone."""
    bone = volumes.tissue == BONE
    if not bone.any():
        return np.ones(volumes.grey.shape, np.float32)
    level = levels(gaussian_filter(volumes.grey, 0.6), noise_of(volumes.grey))
    grey = (volumes.grey - level.surround) / max(level.bone - level.surround, 1e-9)
    share = bone.astype(np.float32)
    local = gaussian_filter(share * np.clip(grey, 0, 2), 3) / np.maximum(gaussian_filter(share, 3), 1e-3)
    relief: FloatArray = np.clip(local / max(float(np.median(local[bone])), 1e-9), 0.5, 2).astype(np.float32)
    return relief
