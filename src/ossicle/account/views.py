"""Views of findings: where to stand, what to veil. All in skull coordinates, mm."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from ossicle.reading.records import Jaw, Pose, Side, ToothRecord

from .records import Evidence, View
from .words import join, quadrant_key

__all__ = ["skull_point", "teeth_evidence", "whole_skull"]

Vector = tuple[float, float, float]
_DORSAL: Vector = (0.0, 1.0, 0.0)
_ROSTRAL: Vector = (0.0, 0.0, 1.0)
_FROM: dict[str, tuple[Vector, Vector]] = {
    "lateral left": ((-1.0, 0.0, 0.0), _DORSAL),
    "lateral right": ((1.0, 0.0, 0.0), _DORSAL),
    "dorsal": ((0.0, -1.0, 0.0), _ROSTRAL),
    "ventral": ((0.0, 1.0, 0.0), _ROSTRAL),
    "rostral": ((0.0, 0.0, -1.0), _DORSAL),
    "caudal": ((0.0, 0.0, 1.0), _DORSAL),
}


def skull_point(pose: Pose, scan_mm: Sequence[float]) -> Vector:
    """Return a scan point (x, y, z, mm) in skull coordinates, mm."""
    x, y, z = (np.asarray(pose.scan_to_skull, float) @ [*scan_mm, 1.0])[:3]
    return (round(float(x), 3), round(float(y), 3), round(float(z), 3))


def whole_skull(name: str = "lateral left", caption: str = "", solid: Iterable[int] = ()) -> View:
    """Return a view of the whole skull by anatomical name, bone veiled."""
    look, up = _FROM[name]
    presence = dict.fromkeys(solid, "solid")
    return View(look, up, caption or f"The skull in {name} view.", presence=presence)  # type: ignore[arg-type]


def teeth_evidence(
    pose: Pose,
    teeth: Sequence[ToothRecord],
    *,
    row: tuple[Jaw, Side] | None = None,
    caption: str | None = None,
) -> Evidence:
    """Return teeth solid in veiled bone, from the cheek side (from the left where they stand on both sides).

    ``row`` adds the row strip of that quadrant as the slice.
    """
    if not teeth:
        return Evidence((), whole_skull(caption=caption or ""))
    sides = {t.side for t in teeth}
    side: Side = "right" if sides == {"right"} else "left"
    look, up = _FROM[f"lateral {side}"]
    points = np.array([skull_point(pose, t.centroid_mm_xyz) for t in teeth])
    sizes = [x for t in teeth for x in (t.length_mm, 2 * t.crown_height_mm) if np.isfinite(x)]
    low, high = points.min(axis=0), points.max(axis=0)
    extent = float(np.max(high - low)) + 2 * max(sizes, default=1.0)
    centre = (low + high) / 2
    view = View(
        look=look,
        up=up,
        caption=caption or f"{join(t.name for t in teeth)}, bone veiled, in {side} lateral view.",
        centre_mm=(round(float(centre[0]), 3), round(float(centre[1]), 3), round(float(centre[2]), 3)),
        extent_mm=round(extent, 3),
        presence={t.part: "solid" for t in teeth},
        slice={"along": "row", "quadrant": quadrant_key(*row)} if row else None,
    )
    return Evidence(tuple(t.part for t in teeth), view)
