"""A volume seen in skull coordinates: greys and labels at any point, in boxes and planes that stand in the pose."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.ndimage import find_objects, map_coordinates

from ..boxes import Box

__all__ = ["Block", "Space", "spread", "unit"]

FloatArray = npt.NDArray[np.float64]
Labels = npt.NDArray[np.int32]


def unit(vector: npt.ArrayLike) -> FloatArray:
    """Return a vector at length 1."""
    v = np.asarray(vector, float)
    out: FloatArray = v / float(np.linalg.norm(v))
    return out


@dataclass(frozen=True)
class Block:
    """A box sampled in skull pose: ``values`` (x, y, z), its first cell at ``low`` (mm), cells of ``step`` mm."""

    values: npt.NDArray[np.float32]
    low: FloatArray
    step: float
    labels: Labels | None = None

    def point(self, index: npt.ArrayLike) -> FloatArray:
        """Skull mm of cell indices (..., 3)."""
        out: FloatArray = self.low + np.asarray(index, float) * self.step
        return out

    def index(self, point: npt.ArrayLike) -> FloatArray:
        """Cell indices, with fractions, of skull points (..., 3)."""
        out: FloatArray = (np.asarray(point, float) - self.low) / self.step
        return out

    def axis(self, which: int) -> FloatArray:
        """Skull mm of the cells along an axis."""
        out: FloatArray = self.low[which] + self.step * np.arange(self.values.shape[which])
        return out


@dataclass(frozen=True)
class Space:
    """A calibrated volume with a pose.

    ``values`` float32 (z, y, x) holds greys with surround 0 and bone 1; ``labels`` int32 of the same shape the parts;
    ``scan_to_skull`` is 4x4, mm (x, y, z) of a voxel's centre to skull mm; ``blur_mm`` is the standard deviation of
    all smoothing, the scanner's and the reading's; ``noise`` that of the greys.
    """

    values: npt.NDArray[np.float32]
    labels: Labels
    spacing_mm_zyx: tuple[float, float, float]
    scan_to_skull: FloatArray
    blur_mm: float
    noise: float = 0.0

    @property
    def voxel(self) -> float:
        """Edge (mm) of a cube as large as a voxel."""
        return float(np.cbrt(np.prod(self.spacing_mm_zyx)))

    @property
    def sampled_blur(self) -> float:
        """Blur (mm) of what is drawn from the volume between voxels; linear interpolation adds a sixth of a voxel
        squared to its variance."""
        return float(np.sqrt(self.blur_mm**2 + self.voxel**2 / 6))

    @cached_property
    def boxes(self) -> list[Box | None]:
        """The box of each part's voxels, by label less one; None where a label has none."""
        return list(find_objects(self.labels))

    def box(self, part: int) -> Box | None:
        """The box of a part's voxels; None where there is none."""
        return self.boxes[part - 1] if 0 < part <= len(self.boxes) else None

    def voxels(self, part: int) -> npt.NDArray[np.intp]:
        """Indices (n, 3) in z, y, x of a part's voxels, in the order of the scan."""
        box = self.box(part)
        if box is None:
            return np.zeros((0, 3), np.intp)
        out: npt.NDArray[np.intp] = np.argwhere(self.labels[box] == part) + np.array([s.start for s in box])
        return out

    def indices(self, skull: npt.ArrayLike) -> FloatArray:
        """Voxel indices (3, ...) in z, y, x of skull points (..., 3)."""
        out: FloatArray = np.moveaxis(self.scan_mm(skull)[..., ::-1] / np.array(self.spacing_mm_zyx), -1, 0)
        return out

    def scan_mm(self, skull: npt.ArrayLike) -> FloatArray:
        """Scan mm (x, y, z) of skull points (..., 3)."""
        back = np.linalg.inv(self.scan_to_skull)
        out: FloatArray = np.asarray(skull, float) @ back[:3, :3].T + back[:3, 3]
        return out

    def skull_mm(self, index_zyx: npt.ArrayLike) -> FloatArray:
        """Skull mm of voxel indices (..., 3) in z, y, x."""
        scan = (np.asarray(index_zyx, float) * np.array(self.spacing_mm_zyx))[..., ::-1]
        out: FloatArray = scan @ self.scan_to_skull[:3, :3].T + self.scan_to_skull[:3, 3]
        return out

    def at(self, skull: npt.ArrayLike) -> npt.NDArray[np.float32]:
        """Greys at skull points (..., 3), linear between voxels; 0 outside the scan."""
        out: npt.NDArray[np.float32] = map_coordinates(self.values, self.indices(skull), order=1, mode="constant")
        return out

    def inside(self, skull: npt.ArrayLike) -> npt.NDArray[np.bool_]:
        """Whether skull points (..., 3) lie in the scan."""
        index = self.indices(skull)
        top = np.array(self.values.shape).reshape(3, *([1] * (index.ndim - 1)))
        return np.asarray(((index >= -0.5) & (index <= top - 0.5)).all(axis=0), bool)

    def block(self, low: npt.ArrayLike, high: npt.ArrayLike, step: float, *, labels: bool = False) -> Block:
        """Sample the box from ``low`` to ``high`` (skull mm) at ``step`` mm, with the nearest label where asked."""
        a, b = np.asarray(low, float), np.asarray(high, float)
        axes = [a[i] + step * np.arange(int(np.ceil((b[i] - a[i]) / step)) + 1) for i in range(3)]
        values = np.empty(tuple(len(x) for x in axes), np.float32)
        marks = np.zeros(values.shape, np.int32) if labels else None
        y, z = np.meshgrid(axes[1], axes[2], indexing="ij")
        for i, x in enumerate(axes[0]):
            index = self.indices(np.stack([np.full_like(y, x), y, z], axis=-1))
            values[i] = map_coordinates(self.values, index, order=1, mode="constant")
            if marks is not None:
                marks[i] = map_coordinates(self.labels, index, order=0, mode="constant")
        return Block(values, a, step, marks)


def spread(points: FloatArray, step: float, voxel: float) -> FloatArray:
    """Points of a grid of ``step`` mm made so dense that no voxel between them is missed."""
    times = int(np.ceil(1.3 * step / voxel))
    shift = (np.arange(times) - (times - 1) / 2) * step / times
    grid = np.stack([g.ravel() for g in np.meshgrid(shift, shift, shift, indexing="ij")], axis=1)
    out: FloatArray = (points[:, None] + grid[None]).reshape(-1, 3)
    return out
