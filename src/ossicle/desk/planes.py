"""Planes that a slice snaps to: the midplane, across the palate, along teeth and rows, through windows of the ear."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from ossicle.account.words import arc_order
from ossicle.reading.measures.row_frame import RowFrame

from .workbench import Shown, rounded

__all__ = ["planes_of"]

FloatArray = npt.NDArray[np.float64]
LEFT, UP, FRONT = np.eye(3)


def planes_of(shown: Shown) -> list[dict[str, Any]]:
    """Return the planes as scan mm: ``key``, ``label``, ``of`` (a part or None), ``origin_scan_mm`` (the middle), ``u``
    (to the right), ``v`` (down), ``width_mm``, ``height_mm``.

    Without a skull pose there are none but those along the grid.
    """
    low, high = _extent(shown)
    middle, size = (low + high) / 2, (high - low) * 1.06
    out: list[dict[str, Any]] = []

    def add(
        key: str, label: str, of: int | None, at: FloatArray, u: FloatArray, v: FloatArray, w: float, h: float
    ) -> None:
        back = np.linalg.inv(shown.scan_to_skull)
        turn = back[:3, :3]
        out.append(
            {
                "key": key,
                "label": label,
                "of": of,
                "origin_scan_mm": rounded(turn @ at + back[:3, 3]),
                "u": rounded(turn @ u, 6),
                "v": rounded(turn @ v, 6),
                "width_mm": round(float(w), 4),
                "height_mm": round(float(h), 4),
            }
        )

    reading = shown.replayed.reading
    posed = reading.pose.found
    named = ("midplane", "across", "level") if posed else ("grid-1", "grid-2", "grid-3")
    words = ("Midplane", "Across the skull", "Level with the palate") if posed else (
        "Along the grid: columns", "Along the grid: rows", "Along the grid: slices")  # fmt: skip
    at_mid = np.array([0.0 if posed else middle[0], middle[1], middle[2]])
    add(named[0], words[0], None, at_mid, -FRONT, -UP, size[2], size[1])
    add(named[1], words[1], None, middle, -LEFT if posed else LEFT, -UP, size[0], size[1])
    add(named[2], words[2], None, middle, -LEFT if posed else LEFT, -FRONT, size[0], size[2])
    if not posed:
        return out
    for row in reading.rows:
        curve = np.asarray(row.curve_skull_mm, float)
        if len(curve) < 2:
            continue
        quadrant = f"{row.jaw}-{row.side}"
        side = f"{row.side} {row.jaw} row"
        chord = curve[-1] - curve[0]
        length = float(np.linalg.norm(chord))
        back = chord * [1, 0, 1]
        back = back / max(float(np.linalg.norm(back)), 1e-9)
        teeth = [t for t in reading.teeth if (t.jaw, t.side) == (row.jaw, row.side) and t.part in shown.boxes]
        if not teeth:
            continue
        centres = np.array([_skull(shown, t.centroid_mm_xyz) for t in teeth])
        at = (curve[0] + curve[-1]) / 2
        at[1] = centres[:, 1].mean()
        tall = max(float(np.ptp(centres[:, 1])) + 0.35 * length, 0.4 * length)
        add(f"row/{quadrant}", f"Along the {side}", None, at, back, -UP, 1.15 * length, tall)
        if row.jaw == "upper" and row.side == "left":
            level = float(np.median(centres[:, 1]))
            add("palate", "Across the palate at the tooth roots", None, np.array([0.0, level, at[2]]), -LEFT, -FRONT,
                size[0], 1.2 * length)  # fmt: skip
    for tooth in sorted(reading.teeth, key=lambda t: (t.jaw, t.side, *arc_order(t))):
        if tooth.part not in shown.boxes:
            continue
        long, across, along, centre, reach = tooth_axes(shown, tooth.part)
        down = -long if tooth.jaw == "lower" else long
        name = f"{tooth.side} {tooth.jaw} {tooth.name}"
        add(f"tooth/{tooth.part}/along", f"{name}, along the row", tooth.part, centre, along, down, reach, reach)
        add(
            f"tooth/{tooth.part}/across",
            f"{name}, from tongue to cheek",
            tooth.part,
            centre,
            across,
            down,
            reach,
            reach,
        )
    for opening in reading.structures.ears if reading.structures is not None else ():
        for window in (opening.oval, opening.round):
            if window is not None:
                rim = np.asarray(window.rim, float)
                centre = np.asarray(window.centre, float)
                across = np.linalg.svd(rim - rim.mean(axis=0))[2][2]
                u = np.cross(UP, across)
                u = u / max(float(np.linalg.norm(u)), 1e-9) if np.linalg.norm(u) > 0.1 else FRONT
                wide = 6 * float(np.linalg.norm(rim - centre, axis=1).max()) + 2
                key = f"window/{opening.side}/{window.term.replace(' ', '-')}"
                add(key, f"Through the {opening.side} {window.term}", window.part, centre, across, -UP, wide, wide)
    return out


def tooth_axes(shown: Shown, part: int) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, float]:
    """Return a tooth's long axis (towards the crown), the ways across it (to the cheek) and along its row (backwards),
    its middle, and how wide a square holds it; skull mm.

    The long axis is the one measured with the reading where that was kept, else the direction in which the tooth's
    voxels spread most, of those within 60 degrees of the vertical.
    """
    reading = shown.replayed.reading
    tooth = next(t for t in reading.teeth if t.part == part)
    row = next((r for r in reading.rows if (r.jaw, r.side) == (tooth.jaw, tooth.side)), None)
    frame = RowFrame.of(None if row is None else row.curve_skull_mm, tooth.jaw, tooth.side)
    box = shown.boxes[part]
    own = np.asarray(shown.labels[box]) == part
    step = max(1, round((np.count_nonzero(own) / 4000) ** (1 / 3)))
    index = np.argwhere(own[::step, ::step, ::step]) * step
    if len(index) < 4:
        index = np.argwhere(own)
    grid = ((index + [s.start for s in box]) * np.asarray(shown.spacing))[:, ::-1]
    matrix = shown.grid_to_skull
    points = grid @ matrix[:3, :3].T + matrix[:3, 3]
    centre = (points.min(axis=0) + points.max(axis=0)) / 2
    seen = next((o for o in reading.observations if o.part == part), None)
    if seen is not None:
        long = np.asarray(seen.axis, float)
    else:
        ways = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2]
        upright = [w * np.sign(w @ frame.up or 1.0) for w in ways if abs(w @ frame.up) > 0.5]
        long = upright[0] if upright else frame.up
    tangent, cheek = frame.directions(points.mean(axis=0))
    across = cheek - (cheek @ long) * long
    size = float(np.linalg.norm(across))
    across = across / size if size > 1e-6 else tangent
    along = np.cross(long, across)
    if along @ tangent < 0:
        along = -along
    reach = 2 * float(np.linalg.norm(points - centre, axis=1).max()) * 1.35
    return long, across, along, centre, reach


def _skull(shown: Shown, grid_mm: Any) -> FloatArray:
    matrix = shown.grid_to_skull
    return np.asarray(matrix[:3, :3] @ np.asarray(grid_mm, float) + matrix[:3, 3])


def _extent(shown: Shown) -> tuple[FloatArray, FloatArray]:
    from .specimen import bounds

    return bounds(shown)
