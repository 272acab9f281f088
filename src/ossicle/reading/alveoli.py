"""Where a row has no tooth: an empty alveolus, a gap without one, or a row that is closed.

A socket whose tooth was lost after death stays open: a pit that begins at the alveolar margin, walled by bone towards
cheek and tongue. One whose tooth was lost in life fills with bone within months (common practice in osteology; healed
sockets cannot be told from teeth that never formed by bone alone). Along each row the volume is sampled in the frame
of the row; pits are what is not bone, below the margin, with bone on both sides within a jaw's breadth, in the way
between two teeth. Pits of one gap lie as roots do, and several may be one tooth's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import cc3d
import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates, maximum_filter

from .measures.row_frame import RowFrame
from .naming import Naming
from .records import Jaw, Side, ToothObservation, Vacancy, VacancyState, Vector

__all__ = ["Pit", "find_pits", "vacancies_of"]

FloatArray = npt.NDArray[np.float64]
BREADTH = 0.9
"""Half the breadth looked across, as a share of the broadest crown of the row."""
DEPTH = 1.6
"""How far below the margin pits are sought, as a share of the highest crown of the row."""
DEEP = 0.55
"""Least depth of a pit, as a share of the row's typical crown height."""
NARROW = 0.12
"""Least breadth of a pit (cube root of its volume), as a share of the row's typical crown length."""
OPEN = 0.5
"""Share of the length due to a tooth from which a space between its neighbours is a gap."""


@dataclass(frozen=True)
class Pit:
    """A pit in the alveolar bone: where along its row it lies (``start`` to ``stop``, mm of arc), its middle in skull
    mm, its depth below the margin in mm."""

    start: float
    stop: float
    middle: Vector
    depth_mm: float


def find_pits(
    values: npt.NDArray[np.float32],
    teeth: npt.NDArray[np.int32],
    spacing_mm_zyx: tuple[float, float, float],
    scan_to_skull: FloatArray,
    curve: FloatArray,
    seen: Sequence[ToothObservation],
) -> list[Pit]:
    """Find the open pits along one row.

    Parameters
    ----------
    values, teeth
        Greys with surround 0 and bone 1, and tooth labels, (z, y, x).
    curve
        The row (n, 3) in skull mm, from the midline backwards.
    seen
        The observations of its teeth.
    """
    out = [o for o in seen if o.emergence_fraction > 0.6]
    if len(out) < 3:
        return []
    jaw, side = out[0].jaw, out[0].side
    row = RowFrame.of(curve, jaw, side)
    step = float(np.cbrt(np.prod(spacing_mm_zyx)))
    toward = float(row.up[1])
    places = sorted((row.place(np.array(o.crown_centroid_skull_mm)), o) for o in out)
    arc = np.array([p[0] for p, _ in places])
    rim = np.array([o.crown_centroid_skull_mm[1] - toward * o.depth_mm for _, o in places])
    off = np.array([p[1] for p, _ in places])
    length = float(np.median([o.length_mm for o in out]))
    high = float(np.median([o.crown_height_mm for o in out]))
    ends = max(float(arc[0]) - 2 * length, 0.0), float(arc[-1]) + 1.5 * length
    along = np.arange(ends[0], ends[1], step)
    half = BREADTH * max(o.width_mm for o in out)
    across = np.arange(-half, half + step, step)
    down = np.arange(step, DEPTH * max(o.crown_height_mm for o in out), step)
    foot = np.stack([row.point_at(a) for a in along])
    cheek = np.stack([row.directions(p, window_mm=2 * length)[1] for p in foot])
    foot = foot + np.interp(along, arc, off)[:, None] * cheek
    foot[:, 1] = np.interp(along, arc, rim)
    points = foot[:, None, None] + across[None, None, :, None] * cheek[:, None, None]
    points = points - toward * down[None, :, None, None] * np.array([0.0, 1.0, 0.0])
    back = np.linalg.inv(scan_to_skull)
    index = np.moveaxis((points @ back[:3, :3].T + back[:3, 3])[..., ::-1] / np.array(spacing_mm_zyx), -1, 0)
    grey = map_coordinates(values, index, order=1, mode="constant", cval=0.0)
    near = maximum_filter(map_coordinates(teeth, index, order=0, mode="constant", cval=0), 5) > 0
    inside = ((index >= 0) & (index < np.array(values.shape)[:, None, None, None])).all(axis=0)
    bone = (grey > 0.5) & ~near
    pit = ~(grey > 0.5) & ~near & inside & _walled(bone, axis=2)
    pit &= _walled(bone | near, axis=0, reach=int(1.5 * length / step)) & _floored(bone)
    return _pits(pit, near, along, down, points, DEEP * high, (NARROW * length) ** 3, step)


def _walled(wall: npt.NDArray[np.bool_], axis: int, reach: int | None = None) -> npt.NDArray[np.bool_]:
    """Where there is wall on both sides along an axis, within ``reach`` voxels where given."""
    line = np.moveaxis(wall, axis, 0)
    ahead = np.zeros(line.shape, bool)
    behind = np.zeros(line.shape, bool)
    last = np.full(line.shape[1:], -(10**6))
    for k in range(len(line)):
        last = np.where(line[k], k, last)
        behind[k] = k - last <= (reach if reach is not None else 10**5)
    last = np.full(line.shape[1:], 10**6)
    for k in range(len(line) - 1, -1, -1):
        last = np.where(line[k], k, last)
        ahead[k] = last - k <= (reach if reach is not None else 10**5)
    return np.moveaxis(ahead & behind, 0, axis)


def _floored(bone: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Where bone lies somewhere deeper (axis 1 runs down from the margin)."""
    below = np.cumsum(bone[:, ::-1], axis=1)[:, ::-1] > 0
    return np.asarray(below)


def _pits(
    pit: npt.NDArray[np.bool_],
    near: npt.NDArray[np.bool_],
    along: FloatArray,
    down: FloatArray,
    points: FloatArray,
    deep: float,
    volume: float,
    step: float,
) -> list[Pit]:
    pieces = cc3d.connected_components(pit, connectivity=6)
    found = []
    for part in range(1, int(pieces.max()) + 1):
        where = np.argwhere(pieces == part)
        if len(where) * step**3 < volume:
            continue
        depth = float(down[where[:, 1].max()])
        if depth < deep or int(where[:, 1].min()) > 2:
            continue
        # What lies round a tooth (its follicle, a wide periodontal gap) clings to it; a socket has its own walls.
        low, high = np.maximum(where.min(axis=0) - 1, 0), where.max(axis=0) + 2
        box = tuple(slice(int(a), int(b)) for a, b in zip(low, high, strict=True))
        own = pieces[box] == part
        skin = (maximum_filter(own, footprint=_CROSS)) & ~own
        if float(near[box][skin].mean()) > 0.45:
            continue
        rim = where[where[:, 1] == where[:, 1].min()]
        middle = points[tuple(where.T)].mean(axis=0)
        start, stop = float(along[rim[:, 0].min()]), float(along[rim[:, 0].max()]) + step
        found.append(Pit(start, stop, (float(middle[0]), float(middle[1]), float(middle[2])), depth))
    return sorted(found, key=lambda p: p.start)


def vacancies_of(
    naming: Naming,
    seen: Mapping[int, ToothObservation],
    rows: Mapping[tuple[Jaw, Side], FloatArray],
    values: npt.NDArray[np.float32],
    teeth: npt.NDArray[np.int32],
    spacing_mm_zyx: tuple[float, float, float],
    scan_to_skull: FloatArray,
) -> tuple[Vacancy, ...]:
    """Tell every place without a tooth, row by row; arrays as in `find_pits`, ``rows`` the curves in skull mm."""
    length: dict[tuple[Jaw, Side, str], float] = {}
    for tooth in naming.teeth:
        length[(tooth.jaw, tooth.side, tooth.name.lstrip("d"))] = seen[tooth.part].length_mm
    out: list[Vacancy] = []
    for (jaw, side), curve in rows.items():
        mine = [t for t in naming.teeth if (t.jaw, t.side) == (jaw, side)]
        if not mine:
            continue
        standing = {t.name.lstrip("d"): t.part for t in sorted(mine, key=lambda t: seen[t.part].emergence_fraction)}
        missing = naming.gaps.get(f"{jaw}_{side}", ())
        order = sorted([*standing, *missing], key=_along_the_row)
        other: Side = "right" if side == "left" else "left"
        usual = float(np.median([seen[t.part].length_mm for t in mine]))
        due = {name: length.get((jaw, other, name), usual) for name in missing}
        pits = find_pits(values, teeth, spacing_mm_zyx, scan_to_skull, curve, [seen[t.part] for t in mine])
        out += vacancies(pits, [(n, standing.get(n)) for n in order], due, curve, seen, jaw, side)
    return tuple(out)


def _along_the_row(name: str) -> tuple[int, int]:
    return "icpm".index(name[0].lower()), int(name[1:] or 1)


_CROSS = np.zeros((3, 3, 3), bool)
_CROSS[1, 1, :] = _CROSS[1, :, 1] = _CROSS[:, 1, 1] = True


def vacancies(
    pits: Sequence[Pit],
    order: Sequence[tuple[str, int | None]],
    due_mm: Mapping[str, float],
    curve: FloatArray,
    seen: Mapping[int, ToothObservation],
    jaw: Jaw,
    side: Side,
) -> list[Vacancy]:
    """Tell the places without a tooth of one row.

    Parameters
    ----------
    pits
        From `find_pits`.
    order
        The loci of the row from the midline backwards, each with its part, or None where it has no tooth.
    due_mm
        Length due to a tooth of each vacant locus (that of the other side's, or a neighbour's).
    curve, seen
        The row, and its observations by part.
    """
    row = RowFrame.of(curve, jaw, side)
    held = [(k, part) for k, (_, part) in enumerate(order) if part is not None]
    span = {p: row.place(np.array(seen[p].crown_centroid_skull_mm))[0] for _, p in held}
    bounds: list[tuple[int, int | None]] = [(-1, None), *held, (len(order), None)]
    out = []
    for (k, before), (m, behind) in pairwise(bounds):
        vacant = [order[i][0] for i in range(k + 1, m)]
        start = 0.0 if before is None else span[before] + seen[before].length_mm / 2
        stop = np.inf if behind is None else span[behind] - seen[behind].length_mm / 2
        here = [p for p in pits if start - 0.1 * (p.stop - p.start) <= (p.start + p.stop) / 2 < stop]
        if before is None and behind is not None and not vacant:
            here = [p for p in here if p.start > 0.3 * span[behind]]  # the midline has openings of its own
        gap = None if before is None or behind is None else max(float(stop - start), 0.0)
        for locus, mine in _shared(here, vacant, start, stop, due_mm):
            due = due_mm.get(locus or "", 0.0)
            at = mine[0].middle if mine else _middle(row, start, stop, due, seen, before, behind)
            state: VacancyState = "empty_alveolus" if mine else "gap" if gap is None or gap >= OPEN * due else "closed"
            deepest = max((p.depth_mm for p in mine), default=None)
            confidence = 0.85 if state != "closed" else 0.7
            if locus is None:
                confidence = 0.5
            elif len(vacant) > 1:
                confidence -= 0.2
            out.append(Vacancy(jaw, side, locus, state, before, behind, gap, len(mine), deepest, at, confidence))
    return out


def _shared(
    here: Sequence[Pit], vacant: Sequence[str], start: float, stop: float, due_mm: Mapping[str, float]
) -> list[tuple[str | None, list[Pit]]]:
    """Which pits are whose: of several vacant loci each takes its share of the way, by the length due to it."""
    if not vacant:
        return [(None, list(here))] if here else []
    if len(vacant) == 1 or not here:
        return [(vacant[0], list(here)), *((v, []) for v in vacant[1:])]
    length = np.array([max(due_mm.get(v, 1.0), 1e-3) for v in vacant])
    if not np.isfinite(stop):
        stop = start + float(length.sum())
    edges = start + np.concatenate([[0.0], np.cumsum(length / length.sum())]) * (stop - start)
    edges[-1] = np.inf
    return [
        (v, [p for p in here if edges[i] <= (p.start + p.stop) / 2 < edges[i + 1] or (i == 0 and p.start < edges[0])])
        for i, v in enumerate(vacant)
    ]


def _middle(
    row: RowFrame,
    start: float,
    stop: float,
    due: float,
    seen: Mapping[int, ToothObservation],
    before: int | None,
    behind: int | None,
) -> Vector:
    arc = (start + stop) / 2 if np.isfinite(stop) else start + due / 2
    point = row.point_at(float(arc))
    beside = [seen[p].crown_centroid_skull_mm[1] for p in (before, behind) if p is not None]
    return float(point[0]), float(np.mean(beside)) if beside else float(point[1]), float(point[2])
