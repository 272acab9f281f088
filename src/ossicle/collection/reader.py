"""Reading a specimen of a collection: the whole scan, or the box of it in which the specimen lies."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ossicle import __version__
from ossicle.account import MadeBy
from ossicle.account.run import peak_mb, scan_facts
from ossicle.reading.clock import Glimpse, Seen
from ossicle.reading.hints import shifted
from ossicle.reading.records import Progress, Reading
from ossicle.scans.lazy import greys_of, inside
from ossicle.scans.model import Scan

from .anchors import Structures, inner_points, moved_by
from .carrying import carried
from .history import BEARING, Decision, hints_of, in_force
from .readings import KeptReading

__all__ = ["Box", "read_specimen"]

Box = Sequence[Sequence[int]]
"""Half-open index ranges along z, y, x."""


def read_specimen(
    scan: Scan,
    key: str,
    decisions: Sequence[Decision],
    *,
    box_zyx: Box | None = None,
    dentition: str = "auto",
    threads: int = 2,
    memory_mb: float | None = None,
    progress: Progress | None = None,
    seen: Seen | None = None,
    earlier: Structures | None = None,
) -> KeptReading:
    """Read one specimen with the decisions that hold; nothing is written.

    Parameters
    ----------
    scan, key
        The scan and the key of its store.
    decisions
        All of the specimen, in order.
    box_zyx
        Where the specimen lies in the scan; None for the whole.
    dentition, threads, memory_mb, progress, seen
        As `ossicle.reading.read` takes them.
    earlier
        Of an earlier reading of this scan, by which decisions made on other scans of the specimen are carried over;
        None heeds those made on this scan alone.
    """
    from ossicle.reading import read

    begun = time.perf_counter()
    here = decisions if earlier is None else carried(decisions, earlier)
    hints = hints_of(here, key)
    spacing = scan.geometry.spacing_mm_zyx
    corner = np.zeros(3)
    if box_zyx is not None:
        corner = np.array([float(a) for a, _ in box_zyx])
    offset = corner[::-1] * np.asarray(spacing[::-1])
    reading = read(
        greys_of(scan, box_zyx),
        spacing,
        dentition=dentition,
        hints=shifted(hints, offset),
        right_handed=scan.geometry.handedness() == "right",
        threads=threads,
        memory_mb=memory_mb,
        progress=progress,
        seen=None if seen is None else lambda found: seen(_glimpse_in_whole(found, scan.shape_zyx, corner)),
    )
    if box_zyx is not None:
        reading = _in_whole(reading, scan.shape_zyx, box_zyx, offset)
    heeded = tuple(d.number for d in in_force(here) if d.scan == key and d.kind in BEARING)
    settings = {"dentition": dentition, "threads": threads, "box_zyx": None if box_zyx is None else list(box_zyx)}
    made_by = MadeBy(
        version=__version__,
        settings={**settings, "heeded": list(heeded)},
        seconds=round(time.perf_counter() - begun, 2),
        peak_mb=peak_mb(),
        stages={name: round(seconds, 3) for name, seconds in reading.stages.items()},
    )
    inner = inner_points(reading.labels, spacing)
    return KeptReading(reading, scan_facts(scan), made_by, key, inner, heeded, scan.warnings)


def _glimpse_in_whole(found: Glimpse, shape: Sequence[int], corner: np.ndarray) -> Glimpse:
    """Return what was seen of a box, in the whole scan."""
    z, y = (int(c) + s for c, s in zip(corner[:2], found.start, strict=True))
    return replace(found, start=(z, y), shape=(int(shape[0]), int(shape[1])))


def _in_whole(reading: Reading, shape: Sequence[int], box: Box, offset: np.ndarray) -> Reading:
    """Return a reading of a box in the coordinates of the whole scan. What is told in skull coordinates stays."""
    corner = [int(a) for a, _ in box]
    forth, back = np.eye(4), np.eye(4)
    forth[:3, 3], back[:3, 3] = offset, -offset
    return replace(
        reading,
        labels=inside(reading.labels, corner, shape),
        enamel=None if reading.enamel is None else inside(reading.enamel, corner, shape),
        pose=replace(reading.pose, scan_to_skull=np.asarray(reading.pose.scan_to_skull, float) @ back),
        teeth=tuple(replace(t, centroid_mm_xyz=moved_by(forth, [t.centroid_mm_xyz])[0]) for t in reading.teeth),
        parts=tuple(replace(p, centroid_mm_xyz=moved_by(forth, [p.centroid_mm_xyz])[0]) for p in reading.parts),
    )
