"""Greys of a scan as they are asked for: a box at the coarsest resolution that does, and a window set from tissues."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ossicle.reading.records import ScanStatistics
from ossicle.scans import Scan
from ossicle.scans.levels import Level, levels

__all__ = ["Greys", "Piece", "Window", "window_of"]

MOST = 96_000_000
"""Voxels of a scan up to which it is held in memory whole, once a slice has been asked for."""
LARGEST_BOX = 48_000_000
"""Voxels of a box read at once; beyond it the next coarser level is taken."""


@dataclass(frozen=True)
class Window:
    """Greys shown as black and as white, stored values."""

    low: float
    high: float

    def bytes(self, grey: npt.NDArray[Any]) -> npt.NDArray[np.uint8]:
        """Return greys as 0 to 255."""
        scaled = (np.asarray(grey, np.float32) - self.low) * np.float32(255 / (self.high - self.low))
        return np.asarray(np.clip(np.rint(scaled), 0, 255), np.uint8)

    def level(self, grey: float | None) -> float | None:
        """Return where a grey lies, 0 to 1."""
        return None if grey is None else round(float(np.clip((grey - self.low) / (self.high - self.low), 0, 1)), 4)


def window_of(statistics: ScanStatistics) -> Window:
    """Return the window that shows all tissues: from a little below the surround to a little above enamel.

    Where the scan shows no enamel, half as bright again as bone. (These margins: convention of this program.)
    """
    air, bone = statistics.air, statistics.bone
    top = statistics.enamel if statistics.enamel is not None else bone + 0.5 * (bone - air)
    reach = max(top - air, 1e-6)
    return Window(air - 0.08 * reach, top + 0.12 * reach)


@dataclass(frozen=True)
class Piece:
    """A box of a scan at one resolution: ``values`` (z, y, x); a grid place (x, y, z mm) lies at index
    ``(place - offset) / step``, order x, y, z."""

    values: npt.NDArray[Any]
    offset_mm_xyz: npt.NDArray[np.float64]
    step_mm_xyz: npt.NDArray[np.float64]

    def index(self, grid_mm: npt.NDArray[np.floating]) -> npt.NDArray[np.float64]:
        """Return indices (3, ...) in the order z, y, x of places (..., 3) in grid mm."""
        return np.asarray(np.moveaxis(((grid_mm - self.offset_mm_xyz) / self.step_mm_xyz)[..., ::-1], -1, 0))

    def sample(self, grid_mm: npt.NDArray[np.floating]) -> npt.NDArray[np.float32]:
        """Return greys at places (..., 3), linear between voxels; what lies outside is as the darkest there."""
        from scipy.ndimage import map_coordinates

        ground = float(self.values.min()) if self.values.size else 0.0
        return np.asarray(
            map_coordinates(self.values, self.index(grid_mm), order=1, output=np.float32, mode="constant", cval=ground)
        )


class Greys:
    """The greys of scans, kept in memory where they are small."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._whole: OrderedDict[tuple[str, int], npt.NDArray[Any]] = OrderedDict()

    def around(self, key: str, scan: Scan, grid_mm: npt.NDArray[np.floating], finest_mm: float) -> Piece:
        """Return a piece that holds all places (..., 3) in grid mm, no finer than needed for steps of ``finest_mm``."""
        flat = np.asarray(grid_mm, float).reshape(-1, 3)
        return self.box(key, scan, flat.min(axis=0), flat.max(axis=0), finest_mm)

    def box(
        self, key: str, scan: Scan, low_mm: Sequence[float] | Any, high_mm: Sequence[float] | Any, finest_mm: float
    ) -> Piece:
        """Return a piece that holds the box between two places (x, y, z) in grid mm, where the scan does."""
        there = levels(scan)
        fine = [lv for lv in there if max(lv.geometry.spacing_mm_zyx) <= finest_mm * 1.01] or there[:1]
        at = there.index(fine[-1])
        while True:
            level = there[at]
            box = _box(scan, level, low_mm, high_mm)
            size = int(np.prod([max(0, s.stop - s.start) for s in box]))
            if size <= LARGEST_BOX or at + 1 == len(there):
                return self._piece(key, scan, level, box)
            at += 1

    def _piece(self, key: str, scan: Scan, level: Level, box: tuple[slice, ...]) -> Piece:
        shape = level.values.shape
        if int(np.prod(shape)) <= MOST:
            with self._lock:
                if (key, level.factor) not in self._whole:
                    while self._whole and sum(a.size for a in self._whole.values()) + int(np.prod(shape)) > 2 * MOST:
                        self._whole.popitem(last=False)
                    self._whole[key, level.factor] = np.asarray(level.values)
                self._whole.move_to_end((key, level.factor))
                values = self._whole[key, level.factor][box]
        else:
            values = np.asarray(level.values[box])
        if scan.slope != 1.0 or scan.intercept != 0.0:
            values = scan.grey(values)
        base = np.asarray(scan.geometry.spacing_mm_zyx, float)
        start = level.to_full_index([s.start for s in box]) * base
        return Piece(values, start[::-1].copy(), (base * level.factor)[::-1].copy())


def _box(scan: Scan, level: Level, low_mm: Any, high_mm: Any) -> tuple[slice, ...]:
    base = np.asarray(scan.geometry.spacing_mm_zyx, float)
    low = level.from_full_index(np.asarray(low_mm, float)[::-1] / base)
    high = level.from_full_index(np.asarray(high_mm, float)[::-1] / base)
    out = []
    for a, b, n in zip(low, high, level.values.shape, strict=True):
        start = int(np.clip(np.floor(a) - 1, 0, n - 1))
        out.append(slice(start, int(np.clip(np.ceil(b) + 2, start + 1, n))))
    return tuple(out)
