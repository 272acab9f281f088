"""The course of a reading: its stages, how far it is, and what has been found so far."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from .records import Progress

if TYPE_CHECKING:
    from .working_grid import WorkingGrid

__all__ = ["FIRST_TOOTH", "Clock", "Glimpse", "Seen", "glimpse"]

Labels = npt.NDArray[np.integer]
FIRST_TOOTH = 101
"""In a glimpse, marks from here on are teeth, those below it bones."""


@dataclass(frozen=True)
class Glimpse:
    """What a reading has found so far, seen along the columns of the scan: a mark for each line of sight.

    ``marks`` (z, y) uint8: 0 nothing, 1 to 100 a bone, from `FIRST_TOOTH` a tooth; teeth show through bone. Element
    (i, j) begins at voxel ``start + factor * (i, j)`` of a scan of ``shape`` (z, y).
    """

    marks: npt.NDArray[np.uint8]
    start: tuple[int, int]
    factor: float
    shape: tuple[int, int]


Seen = Callable[[Glimpse], None]


def glimpse(teeth: Labels, bones: Labels, grid: WorkingGrid) -> Glimpse:
    """Return what is seen of labels (z, y, x) on a working grid."""
    marks = np.where(bones.max(axis=2) > 0, 1 + (_first(bones) - 1) % (FIRST_TOOTH - 1), 0)
    front = _first(teeth)
    marks = np.where(front > 0, FIRST_TOOTH + (front - 1) % (256 - FIRST_TOOTH), marks)
    return Glimpse(marks.astype(np.uint8), grid.start[:2], grid.factor, grid.scan_shape[:2])


def _first(labels: Labels) -> npt.NDArray[np.int64]:
    """Return the first label along x, 0 where there is none."""
    at = (labels > 0).argmax(axis=2)
    return np.take_along_axis(labels, at[..., None], axis=2)[..., 0].astype(np.int64)


_SHARES = {
    "tissue": 0.1,
    "teeth": 0.62,
    "elements": 0.72,
    "measures": 0.9,
    "names": 0.93,
    "structures": 0.98,
    "pictures": 1.0,
}


@dataclass
class Clock:
    """Tells stages and shares, keeps how long each stage took, and shows what has been found."""

    progress: Progress | None
    stages: dict[str, float]
    seen: Seen | None = None
    stage: str = ""
    begun: float = 0.0

    def show(self, teeth: Labels, bones: Labels, grid: WorkingGrid) -> None:
        """Show teeth and bones found so far to whoever watches."""
        if self.seen is not None:
            self.seen(glimpse(teeth, bones, grid))

    def start(self, stage: str) -> None:
        """End the stage that runs, and begin another."""
        self.stop()
        self.stage, self.begun = stage, time.perf_counter()
        self.tick()

    def stop(self) -> None:
        """End the stage that runs."""
        if self.stage:
            self.stages[self.stage] = self.stages.get(self.stage, 0.0) + time.perf_counter() - self.begun

    def tick(self, within: float = 0.0) -> None:
        """Tell how far the stage has come (``within`` 0 to 1) as a share of the whole reading."""
        if self.progress is not None:
            ends = [0.0, *_SHARES.values()]
            k = list(_SHARES).index(self.stage)
            self.progress(self.stage, ends[k] + min(within, 1.0) * (ends[k + 1] - ends[k]))
