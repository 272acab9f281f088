"""The dentary: condyle, coronoid process, angular process and its inflection, length and height.

A dentary is walked through from its front: the length of the shortest way within the bone. Its far ends are the local
summits of that length (Reeb graph of the geodesic distance, Biasotti et al. 2008, Theor. Comput. Sci. 392:5): the
coronoid's tip above, the condyle behind, and, where there is one, the tip of the angular process below. A summit
counts for as much as one must come back from it to reach a higher one (persistence); the process's base is where its
cross-sections, followed back, join the ramus.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from ..records import Jaw, Side
from .inflection import angular_process
from .loci import StandingTooth
from .records import JawHalf, Value
from .space import Space
from .surface import extent, surface_points, tip

__all__ = ["JawFrame", "jaw_frame", "read_jaw"]

FloatArray = npt.NDArray[np.float64]

COARSE = 5200
"""About so many cells of bone the shortest ways are looked for in."""
MOST_CONTACT = 0.065
"""Side of a square, as a share of the jaw's length, over which a contact with the cranium is more than a joint's.
Common practice, no source."""
LEAST_PROCESS = 0.035
"""Persistence, as a share of the jaw's length, under which a corner is no process. Common practice, no source."""


@dataclass(frozen=True)
class JawFrame:
    """Turns skull mm into the jaw's own: the lower row level, whatever the gape."""

    pitch_rad: float

    def to_jaw(self, points: npt.ArrayLike) -> FloatArray:
        """Return points (..., 3) in the jaw's frame."""
        out: FloatArray = np.asarray(points, float) @ self._matrix().T
        return out

    def to_skull(self, points: npt.ArrayLike) -> FloatArray:
        """Return points (..., 3) back in skull coordinates."""
        out: FloatArray = np.asarray(points, float) @ self._matrix()
        return out

    def _matrix(self) -> FloatArray:
        c, s = np.cos(self.pitch_rad), np.sin(self.pitch_rad)
        return np.array([[1, 0, 0], [0, c, -s], [0, s, c]])


def jaw_frame(teeth: Sequence[StandingTooth]) -> JawFrame:
    """Close the lower jaw: turn it until the necks of its cheek teeth run as the upper ones do.

    Without upper cheek teeth it is levelled; without four lower ones it is left as it stands.
    """
    lower, upper = _slope(teeth, "lower"), _slope(teeth, "upper")
    if lower is None:
        return JawFrame(0.0)
    return JawFrame(float(np.arctan(lower) - np.arctan(upper or 0.0)))


def _slope(teeth: Sequence[StandingTooth], jaw: Jaw) -> float | None:
    """Rise of a row towards the front: the median slope of all pairs of necks (Theil 1950; Sen 1968)."""
    necks = np.array([t.neck for t in teeth if t.jaw == jaw and t.tooth_class in ("premolar", "molar")])
    if len(necks) < 4 or np.ptp(necks[:, 2]) < 1e-6:
        return None
    slopes = [
        (b[1] - a[1]) / (b[2] - a[2]) for i, a in enumerate(necks) for b in necks[i + 1 :] if abs(b[2] - a[2]) > 1e-3
    ]
    return float(np.median(slopes))


def read_jaw(
    space: Space, part: int, side: Side, others: Sequence[Side], frame: JawFrame, cranium: int | None = None
) -> JawHalf | None:
    """Read one dentary, label ``part``; ``others`` holds the sides that have one. None where it is a mere piece.

    Where it hangs together with ``cranium`` over more than a joint's surface, its hind end is not sure: no length is
    told then, and no process is called absent.
    """
    where = np.argwhere(space.labels == part)
    if len(where) < 200:
        return None
    edge = (where.min(0) <= 1) | (where.max(0) >= np.array(space.labels.shape) - 2)
    points = frame.to_jaw(space.skull_mm(where))
    points[:, 0] *= 1.0 if side == "left" else -1.0  # lateral positive
    length = float(np.ptp(points[:, 2]))
    cells, step = _cells(points, space.voxel)
    walk = _walk(cells, step)
    cut = bool(edge.any())
    joined = _contact(space, part, where, cranium) > (MOST_CONTACT * length) ** 2
    keep = np.isfinite(walk)
    cells, walk = cells[keep], walk[keep]
    ends = _summits(cells, walk, step)
    condyle, coronoid, angular = _sort_ends(cells, walk, ends, length)
    remarks: list[str] = []

    def back(p: FloatArray | None) -> FloatArray | None:
        if p is None:
            return None
        q = p * np.array([1.0 if side == "left" else -1.0, 1.0, 1.0])
        return frame.to_skull(q)

    jaw_length = height = None
    at_condyle = at_coronoid = None
    fault = 0.29 * space.voxel * float(np.sqrt(2))
    skin = frame.to_jaw(surface_points(space, part))
    skin[:, 0] *= 1.0 if side == "left" else -1.0
    if condyle is not None:
        near = skin[np.linalg.norm(skin - cells[condyle], axis=1) < 0.07 * length]
        hind, front = tip(near, 2, -1, space), tip(skin, 2, 1, space)
        at_condyle = cells[condyle] if hind is None else hind
        if not (cut or joined) and hind is not None and front is not None:
            jaw_length = Value(float(front[2] - hind[2]), fault)
    if coronoid is not None:
        near = skin[np.linalg.norm(skin - cells[coronoid], axis=1) < 0.07 * length]
        top = tip(near, 1, 1, space)
        at_coronoid = cells[coronoid] if top is None else top
        below = skin[np.abs(skin[:, 2] - at_coronoid[2]) < 1.5 * space.voxel]
        if not (cut or joined) and top is not None and len(below) > 12:
            height = Value(float(top[1]) - extent(below[:, 1])[0], fault)
    angle = None
    if condyle is not None and not (joined and angular is None):
        angle = angular_process(points, cells, walk, angular, step, length, space.voxel, back)
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
        back(skin[np.argmax(skin[:, 2])] if len(skin) else None),
        jaw_length,
        height,
        _symphysis(space, points, others, side, frame),
        cut,
        tuple(remarks),
    )


def _contact(space: Space, part: int, where: npt.NDArray[np.intp], cranium: int | None) -> float:
    """Surface (mm2) along which a dentary hangs together with the cranium."""
    if cranium is None:
        return 0.0
    low, high = np.maximum(where.min(0) - 1, 0), where.max(0) + 2
    near = space.labels[tuple(slice(a, b) for a, b in zip(low, high, strict=True))]
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
