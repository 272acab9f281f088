"""The scan grid in skull space, and signed distances laid on it block by block.

A specimen stands in the scan in any pose: the grid carries the affine from voxel index to skull coordinates,
and every solid is asked for its distance at the voxel centres. Nothing is ever resampled.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ossicle.practice.shapes import Array, Frame, Solid, box_through, f32, smooth_max, smooth_min

__all__ = ["BLOCK", "FAR", "Canvas", "Grid", "Patch", "coverage", "patches"]

BLOCK = 4
FAR = np.float32(50.0)
F = np.float32
CHUNK = 4096


@dataclass(frozen=True)
class Grid:
    """A scan grid of ``shape`` (z, y, x) voxels of ``spacing`` mm (z, y, x) and its affine to skull mm (x,
    y, z).

    All in mm of the animal's design; `scale` makes real mm of them.
    """

    shape: tuple[int, int, int]
    spacing: tuple[float, float, float]
    scan_to_skull: Frame
    scale: float = 1.0

    @property
    def index_to_skull(self) -> Frame:
        """4x4 matrix from index (x, y, z) to skull mm."""
        m: Frame = self.scan_to_skull @ np.diag([*self.spacing[::-1], 1.0])
        return m

    @property
    def voxel(self) -> float:
        """Mean voxel edge, mm."""
        return float(np.prod(self.spacing) ** (1 / 3))

    @property
    def blocks(self) -> tuple[int, int, int]:
        """How many blocks there are along z, y, x."""
        nz, ny, nx = (-(-n // BLOCK) for n in self.shape)
        return nz, ny, nx


@dataclass
class Patch:
    """Voxels near or inside a solid: flat indices into the grid and the distance at each, mm."""

    index: NDArray[np.int64]
    distance: Array
    xyz: tuple[Array, Array, Array]


def block_range(grid: Grid, solid: Solid, pad: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First and last (exclusive) block, as (x, y, z), that a solid reaches with ``pad`` mm about it."""
    lo, hi = box_through(solid.lo - pad, solid.hi + pad, np.asarray(np.linalg.inv(grid.index_to_skull), dtype=float))
    n = np.array(grid.blocks)[::-1]
    b0 = np.clip(np.floor(lo / BLOCK).astype(int), 0, n)
    b1 = np.clip(np.floor(hi / BLOCK).astype(int) + 1, 0, n)
    return b0, b1


def near_blocks(grid: Grid, solid: Solid, reach: float) -> NDArray[np.int64]:
    """Blocks (n, 3), as (z, y, x), that may hold points with a distance below `reach`."""
    b0, b1 = block_range(grid, solid, max(reach, 0.0) + grid.voxel)
    if (b1 <= b0).any():
        return np.zeros((0, 3), dtype=np.int64)
    m = grid.index_to_skull.astype(F)
    ix, iy, iz = (((np.arange(b0[i], b1[i]) * BLOCK) + (BLOCK - 1) / 2).astype(F) for i in range(3))
    ax, ay, az = ix[None, None, :], iy[None, :, None], iz[:, None, None]
    x, y, z = (m[i, 0] * ax + m[i, 1] * ay + m[i, 2] * az + m[i, 3] for i in range(3))
    shape = x.shape
    d = solid(x.ravel(), y.ravel(), z.ravel()).reshape(shape)
    radius = np.linalg.norm(np.array(grid.spacing)) * (BLOCK - 1) / 2
    kz, ky, kx = np.nonzero(d < reach + 1.25 * radius)
    return np.stack([kz + b0[2], ky + b0[1], kx + b0[0]], axis=1)


def block_points(grid: Grid, blocks: NDArray[np.int64]) -> tuple[Array, Array, Array]:
    """Skull coordinates of all voxels of the blocks, each ``(n, 64)``."""
    o = np.arange(BLOCK)
    oz, oy, ox = (a.ravel() for a in np.meshgrid(o, o, o, indexing="ij"))
    m = grid.index_to_skull.astype(F)
    base = (blocks * BLOCK).astype(F)
    out = []
    for i in range(3):
        b = m[i, 2] * base[:, 0] + m[i, 1] * base[:, 1] + m[i, 0] * base[:, 2] + m[i, 3]
        off = (m[i, 2] * oz + m[i, 1] * oy + m[i, 0] * ox).astype(F)
        out.append(b[:, None] + off[None, :])
    return out[0], out[1], out[2]


def evaluate(solid: Solid, xyz: tuple[Array, Array, Array]) -> Array:
    """Distances of a solid at points given by their x, y, z (skull mm), worked out by pieces."""
    n = len(xyz[0])
    out = np.empty(xyz[0].shape, dtype=F)
    for i in range(0, n, CHUNK):
        s = slice(i, i + CHUNK)
        x, y, z = (a[s].ravel() for a in xyz)
        out[s] = solid(x, y, z).reshape(out[s].shape)
    return out


def patches(grid: Grid, solid: Solid, reach: float) -> Patch:
    """The voxels of the grid whose distance to `solid` is below `reach`."""
    blocks = near_blocks(grid, solid, reach)
    xyz = block_points(grid, blocks)
    d = evaluate(solid, xyz).ravel()
    o = np.arange(BLOCK)
    oz, oy, ox = (a.ravel() for a in np.meshgrid(o, o, o, indexing="ij"))
    nz, ny, nx = grid.shape
    z, y, x = (blocks[:, i, None] * BLOCK + v for i, v in enumerate((oz, oy, ox)))
    keep = ((z < nz) & (y < ny) & (x < nx)).ravel() & (d < reach)
    index = ((z * ny + y) * nx + x).ravel()[keep]
    return Patch(index, d[keep], tuple(a.ravel()[keep] for a in xyz))  # type: ignore[arg-type]


def coverage(distance: Array, voxel: float) -> Array:
    """Share of a voxel inside a surface at the given signed distance of its centre."""
    return f32(np.clip(F(0.5) - distance * F(1.0 / voxel), F(0), F(1)))


LINING = 0.6
"""How far (mm) behind a cut surface distances to it are kept: compact bone lines sockets and cavities too."""


@dataclass
class Canvas:
    """A signed distance volume that solids are added to and cut from, evaluated only near each of them."""

    grid: Grid
    data: Array = field(init=False)

    def __post_init__(self) -> None:
        nz, ny, nx = self.grid.blocks
        self.data = np.full((nz * BLOCK, ny * BLOCK, nx * BLOCK), FAR, dtype=F)

    def _tiles(self) -> Array:
        nz, ny, nx = self.grid.blocks
        tiles: Array = self.data.reshape(nz, BLOCK, ny, BLOCK, nx, BLOCK).transpose(0, 2, 4, 1, 3, 5)
        return tiles

    def _each(self, solid: Solid, reach: float) -> Iterator[tuple[tuple[NDArray[np.int64], ...], Array]]:
        blocks = near_blocks(self.grid, solid, reach)
        for i in range(0, len(blocks), CHUNK):
            b = blocks[i : i + CHUNK]
            d = evaluate(solid, block_points(self.grid, b)).reshape(-1, BLOCK, BLOCK, BLOCK)
            yield (b[:, 0], b[:, 1], b[:, 2]), d

    def add(self, solid: Solid, k: float = 0.0) -> None:
        """Union with a fillet of `k` mm."""
        tiles = self._tiles()
        for where, d in self._each(solid, self.grid.voxel + k):
            tiles[where] = smooth_min(tiles[where], d, k)

    def remove(self, solid: Solid, k: float = 0.0) -> None:
        """Difference with an edge rounded by `k` mm; distances are right up to :data:`LINING` from the cut."""
        tiles = self._tiles()
        for where, d in self._each(solid, max(self.grid.voxel + k, LINING)):
            tiles[where] = smooth_max(tiles[where], -d, k)

    @property
    def volume(self) -> Array:
        """The distances on the scan grid (z, y, x), mm."""
        nz, ny, nx = self.grid.shape
        return self.data[:nz, :ny, :nx]
