"""How parts are grouped on the stage, and along which way each lifts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt

from ossicle.reading.measures.row_frame import RowFrame
from ossicle.reading.records import Part, Row, ToothRecord

__all__ = ["GROUPS", "Group", "group_of", "lifts"]

Group = Literal["bone", "tooth", "crypt_crown", "enamel", "cavity", "opening", "ossicle", "fragment", "foreign"]
GROUPS: tuple[Group, ...] = get_args(Group)


def group_of(part: Part, tooth: ToothRecord | None) -> Group:
    """Return the group of a part; ``tooth`` is its record where it is one. Enamel is no part of its own."""
    if tooth is not None:
        return "crypt_crown" if tooth.emergence == "in_crypt" else "tooth"
    return "fragment" if part.kind == "tooth" else part.kind


def lifts(
    parts: Sequence[Part],
    teeth: Mapping[int, ToothRecord],
    rows: Sequence[Row],
    centroid_skull_mm: Mapping[int, npt.NDArray[np.float64]],
) -> dict[int, npt.NDArray[np.float64]]:
    """Return the way (unit vector, skull) along which each part lifts off the others.

    A tooth leaves its row towards the cheek and a little crownwards, one in a crypt towards the cheek alone. Anything
    else leaves the middle of the skull, a dentary downwards as well.
    """
    frames = {(r.jaw, r.side): RowFrame.of(r.curve_skull_mm, r.jaw, r.side) for r in rows}
    weights = np.array([max(p.volume_mm3, 0.0) if np.isfinite(p.volume_mm3) else 0.0 for p in parts])
    places = np.array([centroid_skull_mm[p.part] for p in parts]).reshape(-1, 3)
    middle = np.average(places, axis=0, weights=weights) if weights.sum() > 0 else np.zeros(3)
    out = {}
    for part in parts:
        place = centroid_skull_mm[part.part]
        tooth = teeth.get(part.part)
        if tooth is not None:
            row = frames.get((tooth.jaw, tooth.side)) or RowFrame.of(None, tooth.jaw, tooth.side)
            way = row.directions(place)[1]
            if tooth.emergence != "in_crypt":
                way = way + 0.35 * row.up
        else:
            way = place - middle
            if "cranium" in part.term:
                way = np.array([0.0, 1.0, 0.0])
            if "dentary" in part.term or "mandible" in part.term:
                way = way + np.array([0.0, -np.linalg.norm(way) - 1e-6, 0.0])
        size = float(np.linalg.norm(way))
        out[part.part] = way / size if size > 1e-9 else np.array([0.0, 1.0, 0.0])
    return out
