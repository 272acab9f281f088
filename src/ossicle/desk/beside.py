"""Specimens side by side, as the page takes them in: what differs, what corresponds, how they lie, how they grow.

All of it is worked out by `ossicle.compare`, which is loaded when it is first asked for; here it is only put together,
and kept until a specimen changes.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from ossicle.errors import OssicleError
from ossicle.reading.records import ToothRecord

from .workbench import Shown, Workbench

if TYPE_CHECKING:
    from ossicle.compare import Compared, Placement, Series

__all__ = ["MOST", "Beside", "Way"]

MOST = 6
"""Specimens that may stand side by side."""
Way = Literal["pose", "surfaces", "landmarks"]
Json = dict[str, Any]
_KEPT = 24


class Beside:
    """Comparisons of the specimens of one workbench. Safe to use from several threads."""

    def __init__(self, bench: Workbench) -> None:
        self.bench = bench
        self._lock = threading.RLock()
        self._known: OrderedDict[tuple[Any, ...], Any] = OrderedDict()

    def compared(self, numbers: Sequence[int], way: Way = "pose", *, scale: bool = False, across: bool = False) -> Json:
        """Return the first specimen against each of the others.

        Parameters
        ----------
        numbers
            Two to six specimens.
        way, scale
            How the others are laid on the first, and whether they may be enlarged to fit (not in skull pose).
        across
            Whether a deciduous tooth corresponds to what stands at its place in the others, its successor.

        Raises
        ------
        OssicleError
            Too few or too many specimens, one that is not read, or one that cannot be laid on the first so.
        """
        if scale and way == "pose":
            raise OssicleError(
                "the skull pose has no size to fit", where="scale", mend="lay them by surfaces or landmarks"
            )
        from ossicle.compare import counterparts

        held = self._held(numbers, least=2)
        first = held[0]
        pairs = []
        for number, other in zip(numbers[1:], held[1:], strict=True):
            key = ("pair", self._key(numbers[0]), self._key(number), way, scale)
            pairs.append(self._once(key, lambda other=other, number=number: _pair(first, other, number, way, scale)))
        return {
            "specimens": [{"id": str(n), "name": s.name} for n, s in zip(numbers, held, strict=True)],
            "way": way,
            "scale": scale,
            "across": across,
            "counterparts": [
                {
                    "kind": c.kind,
                    "label": c.label,
                    "parts": [list(p) for p in c.parts],
                    "missing": list(c.missing(held)),
                }
                for c in counterparts(held, across_generations=across)
            ],
            "pairs": pairs,
        }

    def series(self, numbers: Sequence[int]) -> Json:
        """Return specimens ordered by eruption, with the emergence of each locus in each; three to six.

        Raises
        ------
        OssicleError
            Fewer than three, or no teeth in any.
        """
        from ossicle.compare import arrange

        held = self._held(numbers, least=1)
        key = ("series", *(self._key(n) for n in numbers))
        found: Json = self._once(key, lambda: _series(arrange(held), held, numbers))
        return found

    def _key(self, number: int) -> tuple[int, str, int]:
        shown = self.bench.shown(number)
        return number, shown.info.uid, shown.version

    def _held(self, numbers: Sequence[int], least: int) -> list[Compared]:
        if len(set(numbers)) != len(numbers):
            raise OssicleError("a specimen is named twice", where="specimens", mend="name each once")
        if not least <= len(numbers) <= MOST:
            raise OssicleError(
                f"{len(numbers)} specimens cannot stand side by side", where="specimens", mend=f"name two to {MOST}"
            )
        from ossicle.compare import named_apart

        # Kept, so that surfaces are made once.
        return named_apart(
            [self._once(("one", self._key(n)), lambda n=n: _compared(self.bench.shown(n))) for n in numbers]
        )

    def _once(self, key: tuple[Any, ...], make: Any) -> Any:
        with self._lock:
            if key not in self._known:
                self._known[key] = make()
                while len(self._known) > _KEPT:
                    self._known.popitem(last=False)
            self._known.move_to_end(key)
            return self._known[key]


def _compared(shown: Shown) -> Compared:
    from ossicle.compare import Compared

    return Compared(
        shown.specimen.catalog_number,
        shown.account,
        lambda: shown.labels,
        lambda: shown.replayed.reading.enamel,
        shown.replayed.landmarks,
    )


def _pair(first: Compared, other: Compared, number: int, way: Way, scale: bool) -> Json:
    from ossicle.compare import compare_two, comparison_to_dict, placement_text

    placed = _placed(other, first, way, scale)
    return {
        "other": str(number),
        "placement_text": placement_text(placed, other.name, first.name),
        **comparison_to_dict(compare_two(first, other), placed),
    }


def _placed(moved: Compared, fixed: Compared, way: Way, scale: bool) -> Placement:
    from ossicle.compare import by_landmarks, by_pose, by_surfaces

    if way == "pose":
        return by_pose()
    if way == "landmarks":
        return by_landmarks(moved, fixed, scale=scale)
    bones = [[p.part for p in s.account.parts if p.kind == "bone" and p.term == "cranium"] for s in (moved, fixed)]
    for s, found in zip((moved, fixed), bones, strict=True):
        if not found:
            raise OssicleError("there is no cranium to lay on another", where=s.name, mend="keep to the skull pose")
    return by_surfaces(moved, fixed, *bones, scale=scale)


def _series(found: Series, held: Sequence[Compared], numbers: Sequence[int]) -> Json:
    """A series as `series_to_dict` has it, with ids and what each locus shows, in the order of the series."""
    from ossicle.compare import series_to_dict
    from ossicle.compare.series.progress import track_name, tracks

    ids = {s.name: str(n) for s, n in zip(held, numbers, strict=True)}
    told = series_to_dict(found)
    for row in told["specimens"]:
        row["id"] = ids[row["name"]]
    told["tracks"] = [
        {
            "jaw": track[0],
            "name": track_name(track),
            "cells": [
                {
                    "deciduous": _lane([s.deciduous for s in states]),
                    "lasting": _lane([s.adult for s in states]),
                }
                for states in by
            ],
        }
        for track, by in tracks([e.specimen for e in found.entries]).items()
    ]
    return told


def _lane(teeth: Sequence[ToothRecord | None]) -> Json | None:
    """Both sides' teeth of one lane: their parts, and the mean share of the crown that has emerged; None in a crypt."""
    some = [t for t in teeth if t is not None]
    if not some:
        return None
    shares = [1.0 if t.emergence == "erupted" else float(t.emergence_fraction) for t in some]
    hidden = all(t.emergence == "in_crypt" for t in some)
    return {
        "name": some[0].name,
        "parts": [t.part for t in some],
        "share": None if hidden else round(float(np.mean(shares)), 3),
    }
