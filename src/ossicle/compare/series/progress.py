"""How far each locus has come on its way from nothing to the tooth that stays: a number from 0 to 1.

At a locus that is replaced: deciduous tooth in its crypt 0.05, erupting 0.1 to 0.25, in place 0.3, in place over a
successor in its crypt 0.5, successor erupting 0.6 to 0.9, in place 1. At one with a single generation: in its crypt
0.4, erupting 0.5 to 0.9, in place 1, nothing 0. How far apart these steps lie is a convention of this program; only
their order is a fact. Sides are averaged.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ossicle.anatomy import Locus
from ossicle.reading.records import Jaw, ToothClass

from ..counterparts import LocusState, locus_states
from ..specimens import Compared

__all__ = ["ERUPTS", "Progress", "Track", "progress_of", "tracks"]

FloatArray = npt.NDArray[np.float64]
Track = tuple[Jaw, ToothClass, int]
ERUPTS = 0.55
"""From this progress on the tooth that stays has come through the alveolar margin."""


@dataclass(frozen=True)
class Progress:
    """Progress of specimens (n) at loci (m).

    ``values`` (n, m), NaN where nothing can be said; ``sure`` (n, m) the least confidence of the teeth that tell it;
    ``replaced`` (m,) whether any specimen shows a deciduous tooth there.
    """

    tracks: tuple[Track, ...]
    values: FloatArray
    sure: FloatArray
    replaced: npt.NDArray[np.bool_]

    def names(self) -> tuple[str, ...]:
        """Names of the tracks by the tooth that stays: ``P3``, ``m1``."""
        return tuple(track_name(t) for t in self.tracks)


def track_name(track: Track) -> str:
    """Name of a track: upper-case for the upper jaw."""
    jaw, kind, position = track
    return str(Locus(jaw, None, kind, position))


def tracks(specimens: Sequence[Compared]) -> dict[Track, tuple[tuple[LocusState, ...], ...]]:
    """Return for each track the states of each specimen, right and left."""
    out: dict[Track, list[tuple[LocusState, ...]]] = {}
    for (jaw, _, kind, position), states in locus_states(specimens).items():
        out.setdefault((jaw, kind, position), []).append(states)
    return {track: tuple(zip(*sides, strict=True)) for track, sides in out.items()}


def progress_of(specimens: Sequence[Compared], known: Mapping[Track, bool] | None = None) -> Progress:
    """Return the progress of specimens.

    ``known`` says of tracks whether they are replaced, where a series has told it: a specimen on its own need not show
    it. Tracks that it does not list are left out.
    """
    found = tracks(specimens)
    order = list(known) if known is not None else list(found)
    replaced = np.array(
        [
            known[t] if known is not None else any(s.deciduous is not None for both in found[t] for s in both)
            for t in order
        ],
        bool,
    )
    values = np.full((len(specimens), len(order)), np.nan)
    sure = np.zeros_like(values)
    for j, track in enumerate(order):
        for i in range(len(specimens)):
            states = found[track][i] if track in found else ()
            told = [(_progress(s, bool(replaced[j])), s) for s in states]
            some = [(p, s) for p, s in told if not s.empty]
            if some:  # a side without a tooth says less than one with it
                values[i, j] = float(np.mean([p for p, _ in some]))
                sure[i, j] = min(t.confidence for _, s in some for t in s.teeth)
            elif not replaced[j]:
                values[i, j] = 0.0
                sure[i, j] = 0.5  # not formed, lost, or missed
    return Progress(tuple(order), values, sure, replaced)


def _progress(s: LocusState, replaced: bool) -> float:
    adult, milk = s.adult, s.deciduous
    if adult is not None and adult.emergence == "erupted":
        return 1.0
    share = 0.0 if adult is None else float(np.clip(adult.emergence_fraction, 0, 1))
    if adult is not None and adult.emergence == "erupting":
        return 0.6 + 0.3 * share if replaced else 0.5 + 0.4 * share
    if not replaced:
        return 0.0 if adult is None else 0.4
    if milk is None:
        return 0.5 if adult is not None else 0.0
    if milk.emergence == "erupted":
        return 0.5 if adult is not None else 0.3
    if milk.emergence == "erupting":
        return 0.1 + 0.15 * float(np.clip(milk.emergence_fraction, 0, 1))
    return 0.05
