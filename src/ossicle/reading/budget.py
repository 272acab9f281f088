"""How much memory a reading takes, and how it is kept within what it may take.

Found by measuring (`benchmarks.performance`): libraries and records, so many bytes for each voxel of the working grid,
and what the network holds of each block that is in work. Blocks in work are the only part that can be spared: fewer
threads, same results.
"""

from __future__ import annotations

from ossicle.errors import OssicleError

from . import network

__all__ = ["needed_mb", "threads_within"]

BASE_MB = 250.0
"""Programs, libraries, the network's weights, records and pages."""
BYTES_A_VOXEL = 30.0
"""For each voxel of the working grid, at the height of the reading."""
BYTES_A_SHOWN_VOXEL = 260.0
"""For each voxel of a block in work by the network."""


def needed_mb(working_voxels: int, slab_bytes: int, threads: int) -> float:
    """Return the peak memory (MB) of a reading, about.

    Parameters
    ----------
    working_voxels
        Of the working grid.
    slab_bytes
        Of what is read of the scan at a time.
    threads
        Blocks of the network in work at once.
    """
    block = min(network.LARGEST, 2.2 * working_voxels) * BYTES_A_SHOWN_VOXEL
    grid = working_voxels * BYTES_A_VOXEL
    return BASE_MB + max(grid + threads * block, 2.0 * slab_bytes + 4.0 * working_voxels) / 1e6


def threads_within(memory_mb: float | None, working_voxels: int, slab_bytes: int, threads: int) -> int:
    """Return how many threads may be used so that a reading stays within so many MB; all where nothing is said.

    Raises
    ------
    OssicleError
        Even one is too many.
    """
    if memory_mb is None:
        return threads
    for fewer in range(threads, 0, -1):
        if needed_mb(working_voxels, slab_bytes, fewer) <= memory_mb:
            return fewer
    least = needed_mb(working_voxels, slab_bytes, 1)
    raise OssicleError(
        f"reading this scan takes about {least / 1000:.1f} GB of memory, {memory_mb / 1000:.1f} GB are allowed",
        where="--memory",
        mend=f"allow {0.1 * int(least / 100 + 1):.1f}GB or more, or read a box of the scan, in a collection",
    )
