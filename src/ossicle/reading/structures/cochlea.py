"""Turns of the cochlea: how often the canal's middle line winds about its own axis."""

from __future__ import annotations

import edt
import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from .labyrinth import Labyrinth
from .membrane import plane_axes
from .records import Value

__all__ = ["cochlear_turns", "turns_of_coil"]

FloatArray = npt.NDArray[np.float64]

LATE_START = 0.15
"""Turns by which a count from the vestibule may be out. Common practice, no source."""


def cochlear_turns(labyrinth: Labyrinth, round_window: FloatArray | None) -> tuple[Value | None, str]:
    """Count the cochlea's turns from the round window; where that is not found, from where the canal leaves the
    vestibule, which adds `LATE_START` turns to the error."""
    depth = edt.edt(labyrinth.mask, parallel=1)
    seat = labyrinth.point(np.unravel_index(int(np.argmax(depth)), depth.shape))
    points = labyrinth.point(np.argwhere(labyrinth.mask))
    deep = depth[labyrinth.mask] * labyrinth.step
    if round_window is not None:
        front = points[:, 2] > round_window[2] - 3 * labyrinth.step
        start = round_window
    else:
        # the canal runs forward and down from the vestibule, the semicircular canals back and up
        front = (points - seat) @ np.array([0.0, -0.35, 0.94]) > 0.6 * float(depth.max()) * labyrinth.step
        start = seat
    if front.sum() < 30:
        return None, "nothing of the labyrinth lies before the vestibule"
    turns, why = turns_of_coil(points[front], deep[front], start, labyrinth.step)
    if turns is not None and round_window is None:
        turns = Value(turns.value, float(np.hypot(turns.error, LATE_START)))
    return turns, why


def turns_of_coil(points: FloatArray, depth: FloatArray, start: FloatArray, step: float) -> tuple[Value | None, str]:
    """Count the turns of a coiled canal.

    ``points`` (n, 3) fill the canal on a grid of ``step`` mm, ``depth`` (mm) is how far each lies from its wall;
    ``start`` lies at its base. Its middle line is the way through the deepest points from the base to the point
    farthest off along the canal; the turns are the angle that its direction winds about the direction to which it
    keeps most nearly one angle, over a full circle (counted from the round window: West 1985, J. Acoust. Soc. Am.
    77:1091; value from memory). None, with the reason, where it does not wind evenly.
    """
    pairs = cKDTree(points).query_pairs(1.75 * step, output_type="ndarray")
    gaps = np.linalg.norm(points[pairs[:, 0]] - points[pairs[:, 1]], axis=1)
    first = int(np.argmin(np.linalg.norm(points - start, axis=1)))
    shape = (len(points),) * 2
    graph = coo_matrix((gaps, (pairs[:, 0], pairs[:, 1])), shape=shape).tocsr()
    way = dijkstra(graph, directed=False, indices=first)
    reach = np.isfinite(way)
    last = int(np.argmax(np.where(reach, way, -1)))
    room = np.maximum(np.minimum(depth[pairs[:, 0]], depth[pairs[:, 1]]), 0.3 * step) / step
    inner = coo_matrix((gaps / room**2, (pairs[:, 0], pairs[:, 1])), shape=shape).tocsr()
    before = dijkstra(inner, directed=False, indices=first, return_predecessors=True)[1]
    path = [last]
    while path[-1] != first and len(path) < len(points):
        path.append(int(before[path[-1]]))
    line = points[path[::-1]]
    if len(line) < 12:
        return None, "the canal is too short to wind"
    line = gaussian_filter1d(line, 3.0, axis=0, mode="nearest")
    long = np.r_[0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]
    even = np.linspace(0, long[-1], max(24, int(long[-1] / (2 * step))))
    line = np.stack([np.interp(even, long, line[:, i]) for i in range(3)], axis=1)
    tangent = np.gradient(line, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    axis = np.linalg.svd(tangent - tangent.mean(0), full_matrices=False)[2][2]
    u, v = plane_axes(axis)
    angle = np.unwrap(np.arctan2(tangent @ v, tangent @ u))
    turn = np.diff(angle) * np.sign(angle[-1] - angle[0])
    total = float(np.abs(angle[-1] - angle[0])) / (2 * np.pi)
    back = float(-turn[turn < 0].sum()) / (2 * np.pi)
    if total < 0.5 or back > 0.15 * total:
        return None, "its middle line does not wind evenly: the walls between its turns are not resolved"
    coil = float(np.linalg.norm(line - line.mean(0), axis=1).mean())
    return Value(total, float(np.hypot(2 * step / (2 * np.pi * coil), 0.05 + back))), ""
