"""What each voxel holds: shares of materials with partial volume, and a density factor."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ossicle.practice.scanner.materials import (
    AIR,
    BONE,
    DENTINE,
    ENAMEL,
    FLUID,
    FOAM,
    FOREIGN,
    MARROW,
    METAL,
    PULP,
    SOFT,
    TAG,
    TUBE,
)
from ossicle.practice.shapes import Array

__all__ = [
    "AIR",
    "BONE",
    "DENTINE",
    "ENAMEL",
    "FLUID",
    "FOAM",
    "FOREIGN",
    "MARROW",
    "METAL",
    "PULP",
    "SOFT",
    "TAG",
    "TUBE",
    "Mix",
    "truth_tissue",
]

F = np.float32


class Mix:
    """Shares (0 to 255) of each material but air, in every voxel of a grid; what is missing to 255 is air."""

    def __init__(self, shape: tuple[int, int, int]) -> None:
        self.shape = shape
        self.share: dict[int, NDArray[np.uint8]] = {}
        self.density: NDArray[np.float16] = np.ones(shape, dtype=np.float16)

    def plane(self, material: int) -> NDArray[np.uint8]:
        """Shares of one material, 0 to 255, to be changed in place."""
        if material not in self.share:
            self.share[material] = np.zeros(self.shape, dtype=np.uint8)
        return self.share[material]

    def cover(
        self, index: NDArray[np.int64], material: int, amount: Array, density: Array | float | None = None
    ) -> None:
        """Lay `amount` (0 to 1) of a material over what the voxels hold."""
        keep = F(1) - amount
        for m, p in self.share.items():
            if m != material:
                flat = p.reshape(-1)
                old = flat[index]
                if old.any():
                    flat[index] = (old * keep + F(0.5)).astype(np.uint8)
        if material != AIR:
            flat = self.plane(material).reshape(-1)
            flat[index] = np.minimum(flat[index] * keep + amount * F(255) + F(0.5), F(255)).astype(np.uint8)
        if density is not None:
            d = self.density.reshape(-1)
            d[index] = (d[index].astype(F) * keep + amount * np.asarray(density, dtype=F)).astype(np.float16)

    def swap(self, index: NDArray[np.int64], old: int, new: int, amount: Array, density: Array) -> None:
        """Let `amount` (0 to 1 of the voxel) of one material become another, as far as there is any."""
        have = self.plane(old).reshape(-1)
        before = have[index].astype(F)
        taken = np.minimum(np.round(amount * F(255)), before)
        have[index] = (before - taken).astype(np.uint8)
        if new != AIR:
            flat = self.plane(new).reshape(-1)
            flat[index] = np.minimum(flat[index] + taken, F(255)).astype(np.uint8)
        d = self.density.reshape(-1)
        part = taken / F(255)
        d[index] = (d[index].astype(F) * (F(1) - part) + part * density).astype(np.float16)

    def fill(self, index: NDArray[np.int64], material: int, amount: Array) -> None:
        """Let a material take up to `amount` (0 to 1) of the air in the voxels."""
        used = np.zeros(len(index), dtype=F)
        for p in self.share.values():
            used += p.reshape(-1)[index]
        room = np.maximum(F(255) - used, F(0))
        flat = self.plane(material).reshape(-1)
        flat[index] = np.minimum(flat[index] + room * amount, F(255)).astype(np.uint8)

    def fractions(self) -> dict[int, NDArray[np.uint8]]:
        """Shares of all materials, air included; they sum to 255 but for rounding."""
        total = np.zeros(self.shape, dtype=np.int16)
        for p in self.share.values():
            total += p
        out = {AIR: np.clip(255 - total, 0, 255).astype(np.uint8)}
        out.update(self.share)
        return out


_TRUTH = {
    AIR: 0,
    SOFT: 1,
    BONE: 2,
    DENTINE: 3,
    ENAMEL: 4,
    FOREIGN: 5,
    FLUID: 6,
    FOAM: 5,
    TUBE: 5,
    METAL: 5,
    TAG: 5,
    PULP: 1,
    MARROW: 2,
}


def truth_tissue(mix: Mix) -> NDArray[np.uint8]:
    """The tissue with the largest share of each voxel, in the ids of the truth folder (marrow spaces count
    as bone).
    """
    best = np.full(mix.shape, 127, dtype=np.uint8)
    out = np.zeros(mix.shape, dtype=np.uint8)
    total: dict[int, NDArray[np.uint8]] = {}
    for m, p in mix.share.items():
        t = _TRUTH[m]
        if t in total:
            s = total[t].astype(np.int16) + p
            total[t] = np.minimum(s, 255).astype(np.uint8)
        else:
            total[t] = p
    for t, p in total.items():
        wins = p > best
        if t != 0:
            out[wins] = t
            best[wins] = p[wins]
    return out
