"""The dentary: condyle, coronoid process, angular process and its inflection, length and height.

A dentary is walked through from its front: the length of the shortest way within the bone. Its far ends are the local
summits of that length (Reeb graph of the geodesic distance, Biasotti et al. 2008, Theor. Comput. Sci. 392:5): the
coronoid's tip above, the condyle behind, and, where there is one, the tip of the angular process below. A summit
counts for as much as one must come back from it to reach a higher one (persistence); the process's base is where its
cross-sections, followed back, join the ramus.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from ..records import Side
from .inflection import SHELF_DEG, angles_of, angular_process
from .jaw_foramina import mental_foramina
from .jaw_frame import PITCH_ERROR, JawFrame, jaw_frame
from .loci import StandingTooth
from .records import Angle, JawHalf, Value
from .space import Space
from .surface import extent, surface_points, tip

__all__ = ["JawFrame", "jaw_frame", "read_jaw"]

FloatArray = npt.NDArray[np.float64]

COARSE = 5200
"""About so many cells of bone the shortest ways are looked for in."""
MOST_CONTACT = 0.065
"""Side of a square, as a share of the jaw's length, over which a contact with the cranium is more than a joint's.
Common practice, no source."""
BRIGHT = 0.85
"""Grey (surround 0, bone 1) of voxels that hang together. Common practice, no source."""
LEAST_PROCESS = 0.035
"""Persistence, as a share of the jaw's length, under which a corner is no process. Common practice, no source."""


def read_jaw(
    space: Space,
    part: int,
    side: Side,
    others: Sequence[Side],
    frame: JawFrame,
    cranium: int | None = None,
    teeth: Sequence[StandingTooth] = (),
    placed: Mapping[str, FloatArray] | None = None,
) -> JawHalf | None:
    """Read one dentary, label ``part``; ``others`` holds the sides that have one. None where it is a mere piece.

    Where it hangs together with ``cranium`` over more than a joint's surface, its hind end is not sure: no length is
    told then, and no process is called absent. ``teeth`` place the mental foramina; ``placed`` are landmarks (skull mm)
    that a person placed.
    """
    where = space.voxels(part)
    if len(where) < 200:
        return None
    edge = (where.min(0) <= 1) | (where.max(0) >= np.array(space.labels.shape) - 2)
    mirror = np.array([1.0 if side == "left" else -1.0, 1.0, 1.0])  # lateral positive

    def own(skull: npt.ArrayLike) -> FloatArray:
        out: FloatArray = frame.to_jaw(skull) * mirror
        return out

    def back(p: FloatArray | None) -> FloatArray | None:
        return None if p is None else frame.to_skull(p * mirror)

    points = own(space.skull_mm(where))
    length = float(np.ptp(points[:, 2]))
    cells, step = _cells(points, space.voxel)
    walk = _walk(cells, step)
    cut = bool(edge.any())
    joined = _contact(space, part, where, cranium) > (MOST_CONTACT * length) ** 2
    keep = np.isfinite(walk)
    cells, walk = cells[keep], walk[keep]
    ends = _summits(cells, walk, step)
    condyle, coronoid, angular = _sort_ends(cells, walk, ends, length)
    jaw_length = height = gap = None
    at_condyle = at_coronoid = None
    fault = 0.29 * space.voxel * float(np.sqrt(2))
    surface = surface_points(space, part)
    skin = own(surface)
    front = tip(skin, 2, 1, space)
    if condyle is not None:
        near = skin[np.linalg.norm(skin - cells[condyle], axis=1) < 0.07 * length]
        hind = tip(near, 2, -1, space)
        at_condyle = cells[condyle] if hind is None else hind
        if not (cut or joined) and hind is not None and front is not None:
            jaw_length = Value(float(front[2] - hind[2]), fault)
        gap = None if joined or cranium is None else _joint_gap(space, cranium, frame.to_skull(near * mirror), length)
    if coronoid is not None:
        near = surface[np.linalg.norm(skin - cells[coronoid], axis=1) < 0.07 * length]
        at_coronoid, height = _coronoid(space, frame, near, surface, mirror)
        at_coronoid = cells[coronoid] if at_coronoid is None else at_coronoid
        height = None if cut or joined else height
    angle = None
    if condyle is not None and not (joined and angular is None):
        angle = angular_process(points, cells, walk, angular, step, length, space.voxel, back)
        angle = _placed_angle(angle, side, own, placed or {})
    remarks: list[str] = []
    if cut:
        remarks.append("cut by the edge of the scan")
    if joined:
        remarks.append("its hind end hangs together with the cranium in this scan")
    return JawHalf(
        side,
        part,
        angle,
        back(at_condyle),
        back(at_coronoid),
        back(front),
        jaw_length,
        height,
        _symphysis(space, points, others, side, frame),
        cut,
        tuple(remarks),
        mental_foramina(space, part, side, frame, skin, teeth),
        gap,
        frame.to_skull(np.array([0.0, 1.0, 0.0])),
    )


def _coronoid(
    space: Space, frame: JawFrame, near: FloatArray, surface: FloatArray, mirror: FloatArray
) -> tuple[FloatArray | None, Value | None]:
    """The coronoid's tip (jaw's frame) and its height over the lower margin straight below it.

    ``near`` are surface points (skull) about the tip, ``surface`` all. What is straight below depends on how far the
    jaw is closed: its error is that of two ends, and the change of height over the error of that.
    """
    heights, at = [], None
    for turn in (-PITCH_ERROR, 0.0, PITCH_ERROR):
        turned = JawFrame(frame.pitch_rad + turn)
        top = tip(turned.to_jaw(near) * mirror, 1, 1, space)
        if top is None:
            return None, None
        if turn == 0.0:
            at = top
        skin = turned.to_jaw(surface)
        below = skin[np.abs(skin[:, 2] - top[2]) < 1.5 * space.voxel]
        if len(below) <= 12:
            return at, None
        heights.append(float(top[1]) - extent(below[:, 1])[0])
    swing = abs(heights[2] - heights[0]) / 2
    return at, Value(heights[1], float(np.hypot(0.29 * space.voxel * np.sqrt(2), swing)))


def _joint_gap(space: Space, cranium: int, condyle: FloatArray, length: float) -> Value | None:
    """Least distance (mm) of the condyle's surface (skull, n x 3) from the cranium's; None where none is near."""
    if len(condyle) < 12:
        return None
    reach = 0.15 * length
    index = space.indices(np.array([condyle.min(0) - reach, condyle.max(0) + reach]))
    corners = np.array([index.min(axis=1), index.max(axis=1)])
    middle, half = corners.mean(0), 0.5 * float(np.ptp(corners, axis=0).max())
    low = np.maximum(np.floor(middle - half).astype(int), 0)
    high = np.minimum(np.ceil(middle + half).astype(int) + 1, space.labels.shape)
    z, y, x = (slice(int(a), int(b)) for a, b in zip(low, high, strict=True))
    other = surface_points(space, cranium, (z, y, x))
    if len(other) < 12:
        return None
    gaps = np.sort(cKDTree(other).query(condyle)[0])
    return Value(float(gaps[: max(3, len(gaps) // 50)].mean()), 0.29 * space.voxel * float(np.sqrt(2)))


def _placed_angle(
    angle: Angle, side: Side, own: Callable[[npt.ArrayLike], FloatArray], placed: Mapping[str, FloatArray]
) -> Angle:
    """The angular process between a base and a tip of which a person placed one or both."""
    base = placed.get(f"angular process, base {side}", angle.base)
    end = placed.get(f"angular process, tip {side}", angle.tip)
    if base is None or end is None or (base is angle.base and end is angle.tip):
        return angle
    way = own(end) - own(base)
    inflection, behind = angles_of(way)
    error = angle.inflection_deg.error if angle.inflection_deg is not None else 2.0
    form = angle.form if angle.form != "absent" else "rod"
    if angle.form != "absent" and (inflection > SHELF_DEG) != (angle.form == "shelf"):
        form = "shelf" if inflection > SHELF_DEG else "rod"
    return Angle(form, Value(inflection, error), behind, float(np.linalg.norm(way)), base, end)


def _contact(space: Space, part: int, where: npt.NDArray[np.intp], cranium: int | None) -> float:
    """Surface (mm2) along which a dentary hangs together with the cranium: faces that are bright on both sides, since a
    narrow joint is dim."""
    if cranium is None:
        return 0.0
    low, high = np.maximum(where.min(0) - 1, 0), where.max(0) + 2
    box = tuple(slice(a, b) for a, b in zip(low, high, strict=True))
    near = np.where(space.values[box] > BRIGHT, space.labels[box], 0)
    own = near == part
    count = 0
    for axis in range(3):
        a, b = np.moveaxis(near, axis, 0)[:-1], np.moveaxis(near, axis, 0)[1:]
        mine, others = np.moveaxis(own, axis, 0)[:-1], np.moveaxis(own, axis, 0)[1:]
        count += int((mine & (b == cranium)).sum()) + int((others & (a == cranium)).sum())
    return count * space.voxel**2


def _cells(points: FloatArray, voxel: float) -> tuple[FloatArray, float]:
    """Bone in cells so coarse that shortest ways are quick: the mean of the points of each cell, and a cell's edge."""
    step = max(voxel, float(np.cbrt(len(points) * voxel**3 / COARSE)))
    index = np.floor(points / step).astype(np.int64)
    index -= index.min(0)
    size = index.max(0) + 1
    code = np.ravel_multi_index(tuple(index.T), tuple(size))
    _, inverse, count = np.unique(code, return_inverse=True, return_counts=True)
    out = np.stack([np.bincount(inverse, points[:, i]) / count for i in range(3)], axis=1)
    full = count >= 0.25 * (step / voxel) ** 3
    return out[full], step


def _walk(cells: FloatArray, step: float) -> FloatArray:
    """Length of the shortest way within the bone from its front, mm; inf where there is none."""
    tree = cKDTree(cells)
    pairs = tree.query_pairs(1.75 * step, output_type="ndarray")
    far = np.linalg.norm(cells[pairs[:, 0]] - cells[pairs[:, 1]], axis=1)
    n = len(cells)
    graph = coo_matrix((far, (pairs[:, 0], pairs[:, 1])), shape=(n, n)).tocsr()
    front = np.flatnonzero(cells[:, 2] > cells[:, 2].max() - 0.1 * np.ptp(cells[:, 2]))
    out: FloatArray = dijkstra(graph, directed=False, indices=front, min_only=True)
    return out


def _neighbours(cells: FloatArray, step: float) -> list[list[int]]:
    return [list(n) for n in cKDTree(cells).query_ball_point(cells, 1.75 * step)]


def _summits(cells: FloatArray, walk: FloatArray, step: float) -> list[tuple[int, float, list[int]]]:
    """Far ends: cell, persistence (mm) and the cells above the level at which it joins a farther one."""
    order = np.argsort(-walk)
    near = _neighbours(cells, step)
    root = np.full(len(cells), -1)
    members: dict[int, list[int]] = {}
    done: list[tuple[int, float, list[int]]] = []

    def find(i: int) -> int:
        while root[i] != i:
            root[i] = root[root[i]]
            i = int(root[i])
        return i

    for i in (int(v) for v in order):
        met = {find(j) for j in near[i] if root[j] >= 0}
        if not met:
            root[i] = i
            members[i] = [i]
            continue
        first = max(met, key=lambda r: walk[r])
        for other in met - {first}:
            lasts = float(walk[other] - walk[i])
            if lasts > 1.5 * step:
                done.append((other, lasts, list(members[other])))
            root[other] = first
            members[first] += members.pop(other)
        root[i] = first
        members[first].append(i)
    top = int(order[0])
    done.append((top, float(walk[top]), []))
    return done


def _sort_ends(
    cells: FloatArray, walk: FloatArray, ends: list[tuple[int, float, list[int]]], length: float
) -> tuple[int | None, int | None, tuple[int, float, list[int]] | None]:
    """Which far end is the condyle, which the coronoid's tip, which the angular process."""
    hind = cells[:, 2].min() + 0.45 * length
    behind = [e for e in ends if cells[e[0]][2] < hind and (e[1] > LEAST_PROCESS * length or not e[2])]
    if not behind:
        return None, None, None
    body = float(np.median(cells[cells[:, 2] > hind][:, 1]))
    upper = [e for e in behind if cells[e[0]][1] > body]
    coronoid = max(upper, key=lambda e: cells[e[0]][1], default=None)
    rest = [e for e in behind if e is not coronoid]
    # the condyle is the hindmost end above the lower border of the body; the angle lies below it
    condyle = max(rest, key=lambda e: cells[e[0]][1], default=None)
    below = [e for e in rest if e is not condyle and condyle is not None and cells[e[0]][1] < cells[condyle[0]][1]]
    angular = max(below, key=lambda e: e[1], default=None)
    return (
        None if condyle is None else condyle[0],
        None if coronoid is None else coronoid[0],
        angular,
    )


def _symphysis(
    space: Space, points: FloatArray, others: Sequence[Side], side: Side, frame: JawFrame
) -> Literal["fused", "open", "other side absent"]:
    """Whether bone bridges the midplane in front: the least grey across it, over the jaw's medial face."""
    if not [s for s in others if s != side]:
        return "other side absent"
    front = points[points[:, 2] > np.quantile(points[:, 2], 0.8)]
    face = front[front[:, 0] < np.quantile(front[:, 0], 0.1)]
    across = np.linspace(-1, 1, 9) * max(3 * space.voxel, 0.004 * float(np.ptp(points[:, 2])))
    line = np.repeat(face[:, None, :], len(across), axis=1)
    line[..., 0] = across
    least = space.at(frame.to_skull(line)).min(axis=1)
    return "fused" if float((least > 0.8).mean()) > 0.3 else "open"
