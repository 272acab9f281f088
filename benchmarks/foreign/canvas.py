"""The scan grid with a pose: sampling skull space in slabs, painting teeth by sub-voxel coverage."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

Float = NDArray[np.float32]


class Texture:
    """A periodic random field with zero mean and unit variance, looked up in skull coordinates."""

    def __init__(self, rng: np.random.Generator, scale: float, step: float = 0.1, size: int = 96) -> None:
        """``scale``: correlation length in mm; ``step``: lattice step in mm."""
        noise = rng.standard_normal((size, size, size)).astype(np.float32)
        field_ = gaussian_filter(noise, scale / step, mode="wrap")
        self.values: Float = (field_ / field_.std()).astype(np.float32)
        self.step = step
        self.size = size

    def __call__(self, x: Float, y: Float, z: Float) -> Float:
        """Value at points (mm)."""
        index = [np.mod(np.rint(np.asarray(c) / self.step).astype(np.int32), self.size) for c in (x, y, z)]
        return np.asarray(self.values[index[0], index[1], index[2]])


@dataclass
class Canvas:
    """Grid, pose and the volumes being painted (z, y, x)."""

    shape: tuple[int, int, int]
    voxel: float
    to_skull: NDArray[np.float64]  # 4x4, scan mm (x, y, z) -> skull mm
    density: Float = field(init=False)
    tissue: NDArray[np.uint8] = field(init=False)
    labels: NDArray[np.uint16] = field(init=False)

    def __post_init__(self) -> None:
        """Allocate empty air."""
        self.density = np.zeros(self.shape, np.float32)
        self.tissue = np.zeros(self.shape, np.uint8)
        self.labels = np.zeros(self.shape, np.uint16)

    def coords(self, box: tuple[slice, slice, slice], sub: int = 1) -> tuple[Float, Float, Float]:
        """Skull coordinates of the (sub)voxel centres of a box, each of shape box*sub."""
        axes = []
        for s in box:
            n = (s.stop - s.start) * sub
            axes.append(((s.start - 0.5 + (np.arange(n) + 0.5) / sub) * self.voxel).astype(np.float32))
        zz, yy, xx = axes[0][:, None, None], axes[1][None, :, None], axes[2][None, None, :]
        m = self.to_skull.astype(np.float32)
        x, y, z = (m[k, 0] * xx + m[k, 1] * yy + m[k, 2] * zz + m[k, 3] for k in range(3))
        return x, y, z

    def slabs(self, thick: int = 12) -> Iterator[tuple[slice, slice, slice]]:
        """Boxes that cover the grid slab by slab."""
        for z in range(0, self.shape[0], thick):
            yield slice(z, min(z + thick, self.shape[0])), slice(0, self.shape[1]), slice(0, self.shape[2])

    def box_of(self, corners_skull: NDArray[np.float64], pad: float) -> tuple[slice, slice, slice] | None:
        """Smallest box that holds skull points (n, 3), widened by ``pad`` mm; None if wholly outside."""
        inv = np.linalg.inv(self.to_skull)
        p = corners_skull @ inv[:3, :3].T + inv[:3, 3]
        lo = np.floor((p.min(0) - pad) / self.voxel).astype(int)[::-1]
        hi = np.ceil((p.max(0) + pad) / self.voxel).astype(int)[::-1] + 1
        lo = np.maximum(lo, 0)
        hi = np.minimum(hi, self.shape)
        if (hi <= lo).any():
            return None
        return tuple(slice(int(a), int(b)) for a, b in zip(lo, hi, strict=True))  # type: ignore[return-value]


def shrink(a: NDArray[np.generic], sub: int) -> Float:
    """Mean over sub-voxels."""
    n = [s // sub for s in a.shape]
    return np.asarray(a.reshape(n[0], sub, n[1], sub, n[2], sub).mean(axis=(1, 3, 5)), np.float32)
