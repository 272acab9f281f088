"""The voids of a box of bone as rooms with necks between them, and which rooms are the labyrinth's.

A room is what drains to one place farthest from bone (a watershed on the distance from bone: Beucher & Lantuejoul
1979). Rooms that bone walls off nearly all round belong to the labyrinth, roomy open ones do not; where the two part is
the cut through necks of least area in all (a least cut in a graph: Ford & Fulkerson 1956; in images: Greig, Porteous &
Seheult 1989; values from memory). So two windows are cut at once, each where it is narrowest, whatever their sizes
beside those of the canals within.
"""

from __future__ import annotations

from dataclasses import dataclass

import cc3d
import edt
import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter, map_coordinates, maximum_filter
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import breadth_first_order, maximum_flow
from skimage.segmentation import watershed

__all__ = ["Rooms", "contacts", "even_directions", "inner_rooms", "rooms_of", "walled_share"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int32]

FULL = 1_000_000
"""Cost of what may not be: more than any cut."""
GRAIN = 20
"""Costs are whole numbers: so many to a face of a cell."""


@dataclass(frozen=True)
class Rooms:
    """Rooms 1 to n: ``labels`` of cells (0: bone), ``volume`` (cells), greatest ``depth`` (cells), ``seat`` (n, 3)."""

    labels: IntArray
    volume: FloatArray
    depth: FloatArray
    seat: npt.NDArray[np.intp]

    def __len__(self) -> int:
        return len(self.volume)


def rooms_of(void: BoolArray, most: float) -> Rooms:
    """Part a void (x, y, z) into rooms; all that is farther than ``most`` cells from bone is room 1."""
    depth = edt.edt(void, parallel=1)
    smooth = np.minimum(gaussian_filter(depth, 1.0), most)
    seats = (smooth == maximum_filter(smooth, 5)) & void & (depth > 1)
    wide = smooth >= most
    markers, n = cc3d.connected_components(seats & ~wide, connectivity=26, return_N=True)
    markers = markers.astype(np.int32)
    markers[markers > 0] += 1
    markers[wide] = 1
    labels = watershed(-smooth, markers, mask=void).astype(np.int32)
    lone, more = cc3d.connected_components(void & (labels == 0), connectivity=26, return_N=True)
    labels[lone > 0] = lone[lone > 0] + n + 1
    count = int(n + 1 + more)
    volume = np.bincount(labels.ravel(), minlength=count + 1)[1:].astype(float)
    deepest = np.zeros(count + 1)
    np.maximum.at(deepest, labels.ravel(), depth.ravel())
    deep = (depth >= deepest[labels] - 1e-6) & (labels > 0)
    cells = np.argwhere(deep)
    seat = np.zeros((count, 3), np.intp)
    seat[labels[deep] - 1] = cells
    return Rooms(labels, volume, deepest[1:], seat)


def even_directions(count: int) -> FloatArray:
    """So many directions spread evenly over the sphere, on a spiral (n, 3)."""
    n = np.arange(count) + 0.5
    polar, turn = np.arccos(1 - 2 * n / count), np.pi * (1 + 5**0.5) * n
    out: FloatArray = np.stack([np.cos(turn) * np.sin(polar), np.sin(turn) * np.sin(polar), np.cos(polar)], axis=1)
    return out


def walled_share(values: npt.NDArray[np.float32], seat: npt.ArrayLike, reach: float, count: int = 120) -> float:
    """In what share of directions from a cell bone is met within ``reach`` cells."""
    far = np.arange(1.0, max(reach, 2.0), 0.6)
    path = np.asarray(seat, float) + even_directions(count)[:, None, :] * far[None, :, None]
    seen = map_coordinates(values, np.moveaxis(path, -1, 0), order=1, mode="nearest")
    return float((seen > 0.5).any(axis=1).mean())


def contacts(labels: IntArray) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Pairs of labels (n, 2) that touch, and by how many faces."""
    pairs = []
    for axis in range(3):
        a = np.moveaxis(labels, axis, 0)
        one, two = a[:-1], a[1:]
        touch = (one != two) & (one > 0) & (two > 0)
        pairs.append(np.sort(np.stack([one[touch], two[touch]], axis=1), axis=1))
    found, count = np.unique(np.concatenate(pairs), axis=0, return_counts=True)
    return found.astype(np.intp), count.astype(np.intp)


def inner_rooms(rooms: Rooms, within: FloatArray, without: FloatArray) -> BoolArray:
    """Part rooms by the cheapest cut.

    ``within`` and ``without`` (n) are what it costs, in faces of cells, to leave a room out, or to count it in; so does
    each face between rooms that are parted. Returns which rooms are in.
    """
    n = len(rooms)
    pairs, faces = contacts(rooms.labels)
    a, b = pairs[:, 0] - 1, pairs[:, 1] - 1
    price = np.maximum(1, faces * GRAIN)
    inside, outside = (np.minimum(np.rint(v * GRAIN), FULL * GRAIN).astype(np.int64) for v in (within, without))
    of, to = np.flatnonzero(inside), np.flatnonzero(outside)
    rows = np.r_[a, b, np.full(len(of), n), to]
    columns = np.r_[b, a, of, np.full(len(to), n + 1)]
    value = np.r_[price, price, inside[of], outside[to]].astype(np.int32)
    graph = csr_matrix(coo_matrix((value, (rows, columns)), shape=(n + 2, n + 2)))
    flow = maximum_flow(graph, n, n + 1).flow
    left = graph - flow
    left.data[left.data < 0] = 0
    left.eliminate_zeros()
    reached = breadth_first_order(left, n, return_predecessors=False)
    out = np.zeros(n + 2, bool)
    out[reached] = True
    kept: BoolArray = out[:n]
    return kept
