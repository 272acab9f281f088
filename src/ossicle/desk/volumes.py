"""The scan as the page casts rays through it: greys and the part of each voxel, coarse enough to be sent."""

from __future__ import annotations

import json
import struct
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from ossicle.scans import Scan
from ossicle.scans.levels import Level, levels
from ossicle.scans.model import ArrayLike3D

from .greys import window_of
from .workbench import Shown, plain_matrix

__all__ = ["volume_bytes"]

MOST_READ = 64_000_000
"""Voxels read for a volume that is sent. Where more would be, the step is a power of two, which a level has."""
MARGIN = 0.03
"""Share of the specimen's size left round it."""


def volume_bytes(shown: Shown, scan: Scan, edge: int) -> bytes:
    """Return header and voxels.

    Four bytes: the header's length, little-endian; the header as JSON, blanks to a multiple of four; one byte a voxel
    of grey, 0 to 255 over the header's ``window``; one byte a voxel of style, an index into ``styles`` (0: no part).
    Both run z slowest, x fastest. ``index_to_scan`` (4x4) takes a voxel's index (x, y, z) to scan mm.

    Parameters
    ----------
    edge
        Voxels along the longest edge, at most.
    """
    from ossicle.reading.working_grid import means

    base = np.asarray(shown.spacing)
    low, high = _crop(shown)
    longest = int(max(b - a for a, b in zip(low, high, strict=True)))
    step = max(1, -(-longest // edge))
    there = levels(scan)
    level = _level(there, step)
    if (longest // level.factor) ** 3 > MOST_READ:  # so that the time taken does not grow with the scan
        step = 1 << (step - 1).bit_length()
        level = _level(there, step)
    inner = step // level.factor
    count = [max(1, (b - a) // step) for a, b in zip(low, high, strict=True)]
    box = tuple(slice(a // level.factor, a // level.factor + n * inner) for a, n in zip(low, count, strict=True))
    grey = scan.grey(np.asarray(level.values[box]))
    grey = _padded(grey, [n * inner for n in count])
    if inner > 1:
        grey = means(grey, inner)
    start = np.array([a // level.factor * level.factor for a in low])
    window = window_of(shown.kept.reading.statistics)
    tones = window.bytes(grey)
    parts = sorted(shown.boxes)
    styles = _styles(shown.labels, start, count, step, parts)
    index_to_grid = np.diag([*(base * step)[::-1], 1.0])
    index_to_grid[:3, 3] = ((start + (step - 1) / 2) * base)[::-1]
    levels_of = shown.kept.reading.statistics
    header = {
        "shape_zyx": list(tones.shape),
        "spacing_mm_zyx": [float(s * step) for s in base],
        "index_to_scan": plain_matrix(shown.grid_to_scan @ index_to_grid),
        "scan_to_skull": plain_matrix(shown.scan_to_skull),
        "styles": [0, *parts[:255]],
        "window": [window.low, window.high],
        "levels": {
            "air": window.level(levels_of.air),
            "soft": window.level(levels_of.soft),
            "bone": window.level(levels_of.bone),
            "dentine": window.level(levels_of.dentine),
            "enamel": window.level(levels_of.enamel),
        },
        "grey_unit": shown.kept.facts.grey_unit,
    }
    text = json.dumps(header, separators=(",", ":")).encode()
    text += b" " * (-(len(text) + 4) % 4)
    return struct.pack("<I", len(text)) + text + tones.tobytes() + styles.tobytes()


def _level(there: Sequence[Level], step: int) -> Level:
    """The coarsest level of which whole voxels make one of ``step``."""
    return [lv for lv in there if lv.factor <= step and step % lv.factor == 0][-1]


def _crop(shown: Shown) -> tuple[list[int], list[int]]:
    """Return the range of voxels (z, y, x) that holds all parts with a margin; the whole scan where there is none."""
    shape = shown.kept.facts.shape_zyx
    if not shown.boxes:
        return [0, 0, 0], list(shape)
    low = [min(b[k].start for b in shown.boxes.values()) for k in range(3)]
    high = [max(b[k].stop for b in shown.boxes.values()) for k in range(3)]
    pad = [max(2, round(MARGIN * (b - a))) for a, b in zip(low, high, strict=True)]
    return [max(0, a - p) for a, p in zip(low, pad, strict=True)], [
        min(n, b + p) for b, p, n in zip(high, pad, shape, strict=True)
    ]


def _padded(grey: npt.NDArray[np.generic], shape: list[int]) -> npt.NDArray[np.generic]:
    """Greys of at least this shape; at the end of the scan the last voxels are shown again."""
    lack = [(0, max(0, n - have)) for n, have in zip(shape, grey.shape, strict=True)]
    return np.pad(grey, lack, mode="edge") if any(b for _, b in lack) else grey


def _styles(
    labels: ArrayLike3D, start: npt.NDArray[np.int_], count: list[int], step: int, parts: list[int]
) -> npt.NDArray[np.uint8]:
    """Return the index of the part at the middle of each voxel shown; of more than 255 parts the rest have none."""
    middle = step // 2
    box = tuple(
        slice(int(a) + middle, min(int(a) + n * step, size), step)
        for a, n, size in zip(start, count, labels.shape, strict=True)
    )
    seen = np.asarray(labels[box])
    table = np.zeros(max(int(seen.max(initial=0)), *parts, 0) + 1, np.uint8) if parts else np.zeros(1, np.uint8)
    for index, part in enumerate(parts[:255], start=1):
        table[part] = index
    out = np.zeros(count, np.uint8)
    found = table[seen]
    out[tuple(slice(0, n) for n in found.shape)] = found
    return out
