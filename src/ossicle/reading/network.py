"""A convolutional network kept as an ONNX file, run over a volume block by block (`device` says by what).

The same input gives the same output on any number of threads: the blocks do not depend on it, and each is worked out
on one thread.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import product

import numpy as np
import numpy.typing as npt

from .device import device, network

__all__ = ["Block", "blocks", "look", "run"]

FloatArray = npt.NDArray[np.float32]
Box = tuple[slice, slice, slice]
STEP = 16
"""Sides of what the network is given are multiples of this (it halves four times)."""
MARGIN = 12
"""Voxels round a block that are shown to the network and not kept."""
LARGEST = 3_200_000
"""Voxels of a block shown at most; some 250 bytes of memory each while it is in work."""
ON_GPU = 2
"""Blocks in work at once on a GPU: one is copied while the other is worked out; its memory is small."""
RANGE = (-1.0, 4.0)
"""Greys the network was trained on, bone 1."""

Block = tuple[Box, Box, Box]


def _cuts(length: int, parts: int) -> tuple[tuple[int, int], ...]:
    edge = -(-length // parts)
    return tuple((a, min(a + edge, length)) for a in range(0, length, edge))


def _shown(length: int) -> int:
    return -(-(length + 2 * MARGIN) // STEP) * STEP


def blocks(wanted: npt.NDArray[np.bool_]) -> list[Block]:
    """How a volume is parted where something is ``wanted`` (z, y, x): for each block its own box, the box shown (may
    overhang the volume) and the block's place in what is shown.

    Of all even ways with at most `LARGEST` voxels shown at once, the one that shows least in all. Together the boxes
    hold all that is wanted, each voxel once.
    """
    some = _thinned(wanted)
    best: tuple[tuple[int, int], list[Block]] | None = None
    for parts in product(*(range(1, max(1, -(-n // 48)) + 1) for n in wanted.shape)):
        cuts = [_cuts(n, p) for n, p in zip(wanted.shape, parts, strict=True)]
        if any(len(c) < p for c, p in zip(cuts, parts, strict=True)):
            continue
        largest = int(np.prod([max(_shown(b - a) for a, b in c) for c in cuts]))
        found = [
            _block(corners)
            for corners in product(*cuts)
            if some[tuple(slice(a // 4, -(-b // 4)) for a, b in corners)].any()
        ]
        total = sum(int(np.prod([s.stop - s.start for s in shown])) for _, shown, _ in found)
        cost = (max(0, largest - LARGEST), total)
        if best is None or cost < best[0]:
            best = (cost, found)
    return best[1] if best else []


def _block(corners: tuple[tuple[int, int], ...]) -> Block:
    own, shown, inner = [], [], []
    for a, b in corners:
        before = (_shown(b - a) - (b - a)) // 2
        own.append(slice(a, b))
        shown.append(slice(a - before, a - before + _shown(b - a)))
        inner.append(slice(before, before + b - a))
    return (own[0], own[1], own[2]), (shown[0], shown[1], shown[2]), (inner[0], inner[1], inner[2])


def _thinned(wanted: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Whether any of every 4 x 4 x 4 voxels is wanted."""
    padded = np.pad(wanted, [(0, -n % 4) for n in wanted.shape])
    z, y, x = (n // 4 for n in padded.shape)
    return np.asarray(padded.reshape(z, 4, y, 4, x, 4).any(axis=(1, 3, 5)), bool)


def run(
    name: str, values: FloatArray, wanted: npt.NDArray[np.bool_], *, threads: int = 2
) -> Iterator[tuple[Box, FloatArray]]:
    """Yield the box of each of `blocks` and the network's outputs there, (channels, z, y, x) float32.

    ``values`` and ``wanted`` are (z, y, x). What lies outside the volume is shown to the network as 0. At most
    ``threads`` blocks are in work at once.
    """
    model = network(name)

    def one(block: Block) -> FloatArray:
        _, shown, inner = block
        seen = np.zeros([s.stop - s.start for s in shown], np.float32)
        there = [slice(max(s.start, 0), min(s.stop, n)) for s, n in zip(shown, values.shape, strict=True)]
        place = [slice(t.start - s.start, t.stop - s.start) for t, s in zip(there, shown, strict=True)]
        np.clip(values[tuple(there)], *RANGE, out=seen[tuple(place)])
        return model(seen)[(slice(None), *inner)]

    at_once = max(1, threads if device() == "cpu" else min(threads, ON_GPU))
    with ThreadPoolExecutor(at_once) as pool:
        ahead: deque[tuple[Box, Future[FloatArray]]] = deque()
        for block in blocks(wanted):
            ahead.append((block[0], pool.submit(one, block)))
            if len(ahead) >= at_once:
                box, work = ahead.popleft()
                yield box, work.result()
        while ahead:
            box, work = ahead.popleft()
            yield box, work.result()


def look(name: str, values: FloatArray) -> FloatArray:
    """Return the network's outputs (channels, z, y, x) for a small volume (z, y, x), all shown at once.

    What lies outside is shown as 0, so the outermost `MARGIN` voxels are better not relied on.
    """
    lack = [-n % STEP for n in values.shape]
    seen = np.pad(np.clip(values, *RANGE), [(n // 2, n - n // 2) for n in lack])
    found = network(name)(seen.astype(np.float32))
    inner = tuple(slice(n // 2, n // 2 + size) for n, size in zip(lack, values.shape, strict=True))
    return found[(slice(None), *inner)]
