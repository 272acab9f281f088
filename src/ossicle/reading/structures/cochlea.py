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


def cochlear_turns(labyrinth: Labyrinth, round_window: FloatArray | None) -> tuple[Value | None, str]:
    """Count the cochlea's turns from the round window, skull mm; None, with the reason, where they are not told."""
    if round_window is None:
        return None, "the round window, where the cochlea begins, was not found"
    points = labyrinth.point(np.argwhere(labyrinth.mask))
    deep = edt.edt(labyrinth.mask, parallel=1)[labyrinth.mask] * labyrinth.step
    front = points[:, 2] > round_window[2] - 3 * labyrinth.step
    if front.sum() < 30:
        return None, "nothing of the labyrinth lies before the round window"
    return turns_of_coil(points[front], deep[front], round_window, labyrinth.step)


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
