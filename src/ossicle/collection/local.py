"""Decisions that change the parts themselves, followed at once at their place, before a new reading heeds them all.

A new reading of the whole remains the better word: `Replayed.stale` says that one is due.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from ossicle.reading import hints as h
from ossicle.reading.boxes import Box
from ossicle.scans import Scan

from .anchors import inner_points
from .history import BEARING, Decision, in_force
from .readings import KeptReading

if TYPE_CHECKING:
    from ossicle.reading.local import Word

__all__ = ["LocalReadings", "Locally", "is_stale", "word_of"]

_KEPT = 24


@dataclass(frozen=True)
class Locally:
    """A reading with some decisions followed at their place.

    ``boxes`` are the least boxes of its parts; ``shapes`` holds, for each part that a decision made or changed, the
    number of the last that did.
    """

    kept: KeptReading
    boxes: Mapping[int, Box]
    shapes: Mapping[int, int]
    followed: tuple[int, ...] = ()


def word_of(decision: Decision) -> Word | None:
    """Return what a decision says to a reading of its place; None where it changes no part."""
    if decision.kind == "join":
        return h.Join(tuple(a.points_mm[0] for a in decision.anchors))
    if decision.kind == "cut":
        seeds = tuple((float(p[0]), float(p[1]), float(p[2])) for p in decision.said["seeds_mm"])
        return h.Cut(decision.anchors[0].points_mm[0], seeds)
    if decision.kind == "add":
        return h.MissedTooth(decision.anchors[0].points_mm[0])
    return None


class LocalReadings:
    """Readings with decisions followed at their place, each kept so that the next starts from the one before."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._known: OrderedDict[tuple[str, tuple[int, ...]], Locally] = OrderedDict()

    def of(
        self,
        uid: str,
        kept: KeptReading,
        boxes: Mapping[int, Box],
        decisions: Sequence[Decision],
        open_scan: Callable[[], Scan],
    ) -> Locally:
        """Return a reading with those decisions in force followed that change parts and that it was not made with.

        Parameters
        ----------
        uid
            Of the reading.
        kept, boxes
            The reading as it was made, and the least boxes of its parts.
        decisions
            All of the specimen, in order.
        open_scan
            Gives the scan; called where greys are needed.
        """
        wanted = [
            (d, word)
            for d in in_force(decisions)
            if d.scan == kept.scan and d.number not in kept.heeded and (word := word_of(d)) is not None
        ]
        with self._lock:
            numbers = tuple(d.number for d, _ in wanted)
            done = len(wanted)
            while done and (uid, numbers[:done]) not in self._known:
                done -= 1
            state = self._known[uid, numbers[:done]] if done else Locally(kept, boxes, {})
            for k in range(done, len(wanted)):
                state = _followed(state, *wanted[k], open_scan())
                self._known[uid, numbers[: k + 1]] = state
                while len(self._known) > _KEPT:
                    self._known.popitem(last=False)
            return state


def _followed(state: Locally, decision: Decision, word: Word, scan: Scan) -> Locally:
    from ossicle.reading.local import read_again

    kept = state.kept
    spacing = kept.facts.spacing_mm_zyx
    change = read_again(
        kept.reading,
        spacing,
        state.boxes,
        lambda box: scan.grey(np.asarray(scan.values[box])),
        word,
        str(kept.made_by.settings.get("dentition", "auto")),
    )
    if change is None:
        return state
    inner = {part: points for part, points in kept.inner.items() if part not in change.gone}
    for part in change.changed:
        box = change.boxes[part]
        own = (np.asarray(change.reading.labels[box]) == part).astype(np.uint8)
        x, y, z = (s.start * step for s, step in zip(reversed(box), reversed(spacing), strict=True))
        points = inner_points(own, spacing).get(1, ())
        inner[part] = tuple((p[0] + x, p[1] + y, p[2] + z) for p in points)
    return Locally(
        replace(kept, reading=change.reading, inner=inner),
        change.boxes,
        {
            **{p: n for p, n in state.shapes.items() if p not in change.gone},
            **dict.fromkeys(change.changed, decision.number),
        },
        (*state.followed, decision.number),
    )


def is_stale(kept: KeptReading, decisions: Sequence[Decision]) -> bool:
    """Return whether a reading was made with other decisions than those that hold now."""
    return heeds_otherwise(kept.heeded, kept.scan, decisions)


def heeds_otherwise(heeded: Sequence[int], scan: str, decisions: Sequence[Decision]) -> bool:
    """Return whether a reading of a scan that heeded these decisions would heed others now."""
    return set(heeded) != {d.number for d in in_force(decisions) if d.kind in BEARING and d.scan == scan}
