"""The angular process: base, tip, inflection and form.

The angle is that of the process's axis, from its base on the ramus to the middle of its tip, to the sagittal plane.
Coordinates are the jaw's own (see `jaw.JawFrame`), lateral positive, mm.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from .records import Angle, Value

__all__ = ["SHELF_DEG", "angles_of", "angular_process"]

FloatArray = npt.NDArray[np.float64]


SHELF_DEG = 40.0
"""Inflection beyond which a process is called a shelf whatever its section. Common practice, no source."""


def angles_of(axis: FloatArray) -> tuple[float, float]:
    """Inflection and angle from behind (degrees, medial positive) of an axis from base to tip in the jaw's frame."""
    inflection = float(np.degrees(np.arctan2(-axis[0], -axis[2])))
    return inflection, float(np.degrees(np.arctan2(-axis[0], abs(axis[1]))))


def angular_process(
    points: FloatArray,
    cells: FloatArray,
    walk: FloatArray,
    end: tuple[int, float, list[int]] | None,
    step: float,
    length: float,
    voxel: float,
    back: Callable[[FloatArray | None], FloatArray | None],
) -> Angle:
    """Read the process that ends at ``end`` (cell, persistence, its cells), or say that there is none.

    ``points`` (n, 3) are the dentary's voxels, ``cells`` (m, 3) its coarse cells of ``step`` mm with ``walk``, the way
    to each from the front; ``length`` is the jaw's, ``back`` carries points to skull mm.
    """
    if end is None:
        return Angle("absent", None, None, None, None, None, "no process stands out behind and below the condyle")
    tip_cell, _, own = end
    if not own:  # the farthest end of all: its cells are those nearer to it than its persistence allows
        own = [int(i) for i in np.flatnonzero(walk > walk[tip_cell] - 0.12 * length)]
        gaps = np.linalg.norm(cells[own] - cells[tip_cell], axis=1)
        own = [own[i] for i in np.flatnonzero(gaps < 0.12 * length)]
    sheet = _sheet(points, cells[tip_cell], length)
    base, end_point = _ends_of_process(points, cells, own, tip_cell, sheet, voxel, step)
    axis = end_point - base
    inflection, behind = angles_of(axis)
    long = float(np.linalg.norm(axis))
    error = float(np.degrees(np.arctan2(0.6 * voxel * np.sqrt(2), max(long, voxel))))
    flat = _flatness(points, base, end_point)
    form: Literal["shelf", "rod"] = "shelf" if inflection > SHELF_DEG or (inflection > 25 and flat > 1.6) else "rod"
    return Angle(
        form,
        Value(inflection, float(np.hypot(error, 1.0))),
        behind,
        long,
        back(base),
        back(end_point),
    )


def _sheet(points: FloatArray, tip: FloatArray, length: float) -> FloatArray:
    """The ramus as a sheet: coefficients of lateral = f(y, z), a plane with a bend in z, through its middle.

    Fitted to the hind third, above the tip, where the bone is thin from side to side.
    """
    zone = points[(points[:, 2] < points[:, 2].min() + 0.33 * length) & (points[:, 1] > tip[1] - 0.02 * length)]
    if len(zone) < 50:
        zone = points[points[:, 2] < points[:, 2].min() + 0.4 * length]
    y, z = zone[:, 1] - tip[1], zone[:, 2] - tip[2]
    basis = np.stack([np.ones_like(y), y, z, z * z], axis=1)
    weight = np.ones(len(zone))
    fit = np.zeros(4)
    for scale in (0.08, 0.05, 0.03, 0.03):
        root = np.sqrt(weight)
        fit = np.linalg.lstsq(basis * root[:, None], zone[:, 0] * root, rcond=1e-6)[0]
        rest = (zone[:, 0] - basis @ fit) / (scale * length)
        weight = np.where(np.abs(rest) < 1, (1 - np.minimum(np.abs(rest), 1) ** 2) ** 2, 1e-6)
    return np.array([*fit, tip[1], tip[2], *_thickness(zone[:, 0] - basis @ fit)])


def _thickness(rest: FloatArray) -> tuple[float]:
    near = np.abs(rest)
    return (float(np.quantile(near[near < 3 * np.median(near) + 1e-9], 0.9)),)


def _beside(points: FloatArray, sheet: FloatArray) -> FloatArray:
    """How far points lie medial of the sheet's middle, mm."""
    y, z = points[:, 1] - sheet[4], points[:, 2] - sheet[5]
    out: FloatArray = sheet[0] + sheet[1] * y + sheet[2] * z + sheet[3] * z * z - points[:, 0]
    return out


def _ends_of_process(
    points: FloatArray,
    cells: FloatArray,
    own: Sequence[int],
    tip_cell: int,
    sheet: FloatArray,
    voxel: float,
    step: float,
) -> tuple[FloatArray, FloatArray]:
    """Base and tip of the process's axis.

    Where the tip stands off the ramus, the base is where the axis of the process's medial slices meets the ramus's
    middle; else it is the middle of the cross-section at which the process joins the rest.
    """
    top = cells[tip_cell]
    near_tip = points[np.linalg.norm(points - top, axis=1) < max(2.2 * voxel, 1.2 * step)]
    tip = near_tip.mean(0)
    process = cells[list(own)]
    far = np.linalg.norm(process - top, axis=1)
    root = process[far > 0.8 * far.max()]
    around = points[cKDTree(root).query(points, distance_upper_bound=0.9 * step)[0] < 0.9 * step]
    base = around.mean(0) if len(around) else root.mean(0)
    tip = _centred(points, base, tip, voxel)
    off = float(_beside(tip[None], sheet)[0])
    half = float(sheet[6])
    if off > max(2.0 * half, 0.35 * float(np.linalg.norm(tip - base))):
        meet = _meets_ramus(points, top, tip, sheet, off, half, voxel)
        if meet is not None:
            base = meet
    return base, _centred(points, base, tip, voxel)


def _centred(points: FloatArray, base: FloatArray, tip: FloatArray, voxel: float) -> FloatArray:
    """The middle of the process's end, seen along its own axis.

    The farthest point from the jaw's front lies at the hind corner of the end, so that the axis through it points too
    far back; the end's own cross-section is taken instead, and the axis with it, until both stay.
    """
    for _ in range(4):
        long = float(np.linalg.norm(tip - base))
        if long < 3 * voxel:
            break
        axis = (tip - base) / long
        rest = points - base
        along = rest @ axis
        off = np.linalg.norm(rest - along[:, None] * axis, axis=1)
        near = (along > 0.75 * long) & (along < 1.3 * long) & (off < 0.4 * long)
        if near.sum() < 8:
            break
        slab = near & (along > along[near].max() - max(2.5 * voxel, 0.12 * long))
        tip = points[slab].mean(0)
    return tip


def _meets_ramus(
    points: FloatArray, top: FloatArray, tip: FloatArray, sheet: FloatArray, off: float, half: float, voxel: float
) -> FloatArray | None:
    """Where the axis of a process that stands off the ramus meets the ramus's middle.

    What lies more than k mm medial of that middle and hangs together with the tip is the process, for every k down to
    the one at which it takes in other bone; the middles of its slices, followed back to k = 0, lead to the base.
    """
    zone = points[np.linalg.norm(points - tip, axis=1) < 1.9 * off]
    away = _beside(zone, sheet)
    rows: list[tuple[float, float, float, float]] = []
    usual = 0
    for k in np.arange(0.7 * off, half + voxel, -max(0.7 * voxel, 0.05 * off)):
        some = np.flatnonzero(away > k)
        if len(some) < 6:
            continue
        pairs = cKDTree(zone[some]).query_pairs(1.8 * voxel, output_type="ndarray")
        graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(some),) * 2)
        piece = connected_components(graph, directed=False)[1]
        held = some[piece == piece[int(np.argmin(np.linalg.norm(zone[some] - top, axis=1)))]]
        cut = zone[held[away[held] < k + 1.5 * voxel]]
        if len(cut) < 4:
            continue
        if usual and len(cut) > 2.2 * usual:
            break
        usual = max(usual, len(cut))
        x, y, z = (float(v) for v in cut.mean(0))
        rows.append((float(k), x, y, z))
    if len(rows) < 3:
        return None
    # The process bends as it leaves the ramus: a parabola where there are slices enough for one. The tip is left out of
    # it: a shelf that bends once more towards its tip would pull the base back.
    degree = 2 if len(rows) >= 6 else 1
    table = np.array(rows)
    return np.array([np.polyval(np.polyfit(table[:, 0], table[:, i], degree), 0.0) for i in (1, 2, 3)])


def _flatness(points: FloatArray, base: FloatArray, tip: FloatArray) -> float:
    """How much wider than thick the process's middle is, across its axis."""
    middle, axis = (base + tip) / 2, tip - base
    long = float(np.linalg.norm(axis))
    along = (points - middle) @ axis / max(long, 1e-9)
    near = points[(np.abs(along) < 0.2 * long) & (np.linalg.norm(points - middle, axis=1) < 0.5 * long)]
    if len(near) < 12:
        return 1.0
    flat = near - near.mean(0)
    flat = flat - (flat @ axis)[:, None] * axis / long**2
    spread = np.sqrt(np.maximum(np.linalg.eigvalsh(np.cov(flat.T)), 1e-12))
    return float(spread[2] / max(spread[1], 1e-6))
