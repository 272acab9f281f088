"""A volume taken block by block, each with a margin of its neighbours, so that filters see no seams."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

from numpy.typing import NDArray

from ossicle.scans.model import ArrayLike3D

__all__ = ["Block", "apply_blocks", "blocks", "read_blocks"]

Slices = tuple[slice, slice, slice]


@dataclass(frozen=True)
class Block:
    """One block of a volume.

    Parameters
    ----------
    core
        The block itself, in the volume. Cores tile the volume: every voxel lies in exactly one.
    padded
        The block with its margin, cut at the edges of the volume.
    inner
        Where the core lies within the padded block.
    """

    core: Slices
    padded: Slices
    inner: Slices


def _three(value: int | Sequence[int]) -> tuple[int, int, int]:
    z, y, x = (value, value, value) if isinstance(value, int) else (int(v) for v in value)
    return z, y, x


def blocks(
    shape_zyx: Sequence[int], size: int | Sequence[int] = 128, overlap: int | Sequence[int] = 0
) -> Iterator[Block]:
    """Yield the blocks of a volume, x fastest.

    Parameters
    ----------
    shape_zyx
        Shape of the volume.
    size
        Edge of a core in voxels, one number or three (z, y, x). Multiples of the store's chunks read fastest.
    overlap
        Margin on each side in voxels: at least the reach of the filter to be applied.

    Raises
    ------
    ValueError
        A size below 1 or an overlap below 0.

    >>> [b.core[2] for b in blocks((4, 4, 10), size=(4, 4, 4), overlap=1)]
    [slice(0, 4, None), slice(4, 8, None), slice(8, 10, None)]
    >>> [b.padded[2] for b in blocks((4, 4, 10), size=(4, 4, 4), overlap=1)]
    [slice(0, 5, None), slice(3, 9, None), slice(7, 10, None)]
    """
    sizes, margins = _three(size), _three(overlap)
    if min(sizes) < 1 or min(margins) < 0:
        raise ValueError(f"no blocks of size {sizes} with overlap {margins}")
    axes = [
        [(a, min(a + s, n), max(0, a - m), min(n, min(a + s, n) + m)) for a in range(0, n, s)]
        for n, s, m in zip(shape_zyx, sizes, margins, strict=True)
    ]
    for z, y, x in itertools.product(*axes):
        yield Block(
            core=(slice(z[0], z[1]), slice(y[0], y[1]), slice(x[0], x[1])),
            padded=(slice(z[2], z[3]), slice(y[2], y[3]), slice(x[2], x[3])),
            inner=(
                slice(z[0] - z[2], z[1] - z[2]),
                slice(y[0] - y[2], y[1] - y[2]),
                slice(x[0] - x[2], x[1] - x[2]),
            ),
        )


def read_blocks(
    values: ArrayLike3D, size: int | Sequence[int] = 128, overlap: int | Sequence[int] = 0
) -> Iterator[tuple[Block, NDArray[Any]]]:
    """Yield each block with its voxels, margin included; one block is in memory at a time."""
    for block in blocks(values.shape, size, overlap):
        yield block, values[block.padded]


def apply_blocks(
    function: Callable[[NDArray[Any]], NDArray[Any]],
    values: ArrayLike3D,
    out: Any,
    size: int | Sequence[int] = 128,
    overlap: int | Sequence[int] = 0,
    threads: int = 1,
) -> None:
    """Apply a filter block by block: ``out[core] = function(values[padded])[inner]``.

    Parameters
    ----------
    function
        From an array (z, y, x) to one of the same shape, each voxel depending on voxels no farther than
        ``overlap``.
    values
        The volume, in memory or stored.
    out
        Array or stored array of the same shape. With several threads and a stored array, ``size`` must be a
        multiple of its chunks.
    threads
        Blocks worked on at once; as many are in memory.
    """

    def work(block: Block) -> None:
        out[block.core] = function(values[block.padded])[block.inner]

    if threads <= 1:
        for block in blocks(values.shape, size, overlap):
            work(block)
        return
    with ThreadPoolExecutor(threads) as pool:
        for _ in pool.map(work, blocks(values.shape, size, overlap)):
            pass
