"""Turns and length of the cochlea: how its middle line winds about its own axis, from the round window to its apex.

The walls between turns are often no thicker than the blur; so greys are first sharpened by about the blur's own width
(unsharp masking), and the middle line is the cheapest way through the dark, not through cells told bone from not bone.
"""

from __future__ import annotations

import edt
import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter, gaussian_filter1d
from scipy.optimize import least_squares
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from ..records import Side
from .labyrinth import OPEN, Labyrinth
from .membrane import plane_axes
from .records import Opening, Value
from .space import Space

__all__ = ["Coil", "cochlear_coil", "coil_of_points", "sharpened", "turns_of_coil", "turns_of_line"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

SHARPEN = 1.5
"""Weight of what blurring by the blur's own width takes away. Common practice, no source."""
STEEP = 10.0
"""By how much (powers of e) a way through bone costs more than one through the empty canal."""
DARKEST = 0.62
"""Cells brighter than this when sharpened are bone."""
AHEAD = (-0.25, -0.5, 0.83)
"""Where the cochlea lies from the vestibule, on the left: a little inward, down and forward (any handbook)."""

Coil = tuple[Value, Value, FloatArray]
"""Turns, length (mm) and middle line (n, 3), skull mm, from base to apex."""


def sharpened(values: npt.NDArray[np.float32], blur: float) -> npt.NDArray[np.float32]:
    """Greys with what blurring by ``blur`` cells takes away added ``SHARPEN`` times."""
    out: npt.NDArray[np.float32] = values + np.float32(SHARPEN) * (values - gaussian_filter(values, blur))
    return out


def cochlear_coil(
    space: Space, labyrinth: Labyrinth, round_window: Opening | None, side: Side
) -> tuple[Coil | None, str]:
    """Follow the cochlea from the round window to its apex; None, with the reason, where that is not told."""
    if round_window is None:
        return None, "the round window, where the cochlea begins, was not found"
    cells = np.argwhere(labyrinth.mask)
    low = np.maximum(cells.min(0) - 4, 0)
    high = np.minimum(cells.max(0) + 5, labyrinth.mask.shape)
    block = space.block(labyrinth.point(low), labyrinth.point(high - 1), labyrinth.step)
    box = tuple(slice(a, b) for a, b in zip(low, high, strict=True))
    grey = sharpened(block.values, space.blur_mm / labyrinth.step)
    zones = labyrinth.zones[box]
    shape = tuple(np.minimum(grey.shape, zones.shape))
    cut = tuple(slice(0, n) for n in shape)
    grey, zones = grey[cut], zones[cut]
    place = block.low + np.stack(np.meshgrid(*(np.arange(n) for n in shape), indexing="ij"), axis=-1) * labyrinth.step
    ahead = np.array(AHEAD) * [1.0 if side == "left" else -1.0, 1.0, 1.0]
    from_middle = place - labyrinth.vestibule
    # the vestibule itself is no part of the coil, nor what lies behind it (semicircular canals)
    allowed = (grey < DARKEST) & (zones != OPEN)
    allowed &= from_middle @ ahead > min(0.0, float((round_window.centre - labyrinth.vestibule) @ ahead)) - 1e-6
    allowed &= np.linalg.norm(from_middle, axis=-1) > 1.15 * labyrinth.vestibule_mm
    if allowed.sum() < 60:
        return None, "nothing of the labyrinth lies before the round window"
    wide = 2 * float(np.quantile(edt.edt(allowed, parallel=1)[allowed], 0.95)) * labyrinth.step
    if wide < 2.0 * space.voxel:
        return None, f"the cochlear canal is {wide / space.voxel:.1f} voxels wide, and two are needed"
    return coil_of_points(place[allowed], grey[allowed].astype(float), round_window.centre, labyrinth.step)


def coil_of_points(points: FloatArray, grey: FloatArray, start: FloatArray, step: float) -> tuple[Coil | None, str]:
    """Follow a coiled canal through ``points`` (n, 3) of a grid of ``step`` mm with their ``grey`` (0 empty, 1 bone)
    from near ``start`` to its far end; see `turns_of_line`."""
    pairs = cKDTree(points).query_pairs(1.75 * step, output_type="ndarray")
    gaps = np.linalg.norm(points[pairs[:, 0]] - points[pairs[:, 1]], axis=1)
    steep = np.exp(STEEP * np.clip(np.maximum(grey[pairs[:, 0]], grey[pairs[:, 1]]), 0, 1))
    near = np.linalg.norm(points - start, axis=1)
    first = int(np.argmin(near + 0.5 * np.clip(grey, 0, 1)))
    line = _far_line(points, pairs, gaps, gaps * steep, first)
    return turns_of_line(line, step)


def turns_of_coil(points: FloatArray, depth: FloatArray, start: FloatArray, step: float) -> tuple[Value | None, str]:
    """Count the turns of a coiled canal told apart from its walls.

    ``points`` (n, 3) fill the canal on a grid of ``step`` mm, ``depth`` (mm) is how far each lies from its wall;
    ``start`` lies at its base. Its middle line is the way through the deepest points from the base to the point
    farthest off along the canal; see `turns_of_line`.
    """
    pairs = cKDTree(points).query_pairs(1.75 * step, output_type="ndarray")
    gaps = np.linalg.norm(points[pairs[:, 0]] - points[pairs[:, 1]], axis=1)
    first = int(np.argmin(np.linalg.norm(points - start, axis=1)))
    room = np.maximum(np.minimum(depth[pairs[:, 0]], depth[pairs[:, 1]]), 0.3 * step) / step
    found, why = turns_of_line(_far_line(points, pairs, gaps, gaps / room**2, first), step)
    return (None if found is None else found[0]), why


def _far_line(
    points: FloatArray, pairs: npt.NDArray[np.intp], gaps: FloatArray, costs: FloatArray, first: int
) -> FloatArray:
    """The cheapest way from ``first`` to the point whose cheapest way is longest."""
    n = len(points)
    graph: csr_matrix = coo_matrix((costs, (pairs[:, 0], pairs[:, 1])), shape=(n, n)).tocsr()
    cost, before = dijkstra(graph, directed=False, indices=first, return_predecessors=True)
    long = np.zeros(n)
    for i in np.argsort(cost):
        if before[i] >= 0:
            long[i] = long[before[i]] + float(np.linalg.norm(points[i] - points[before[i]]))
    path = [int(np.argmax(np.where(np.isfinite(cost), long, -1.0)))]
    while path[-1] != first and before[path[-1]] >= 0:
        path.append(int(before[path[-1]]))
    out: FloatArray = points[path[::-1]]
    return out


def turns_of_line(line: FloatArray, step: float) -> tuple[Coil | None, str]:
    """Turns and length of a coil's middle line (n, 3), base first, sampled at about ``step`` mm.

    The turns are the angle that the line runs through about the coil's axis, over a full circle, counted from where it
    begins (from the round window: West 1985, J. Acoust. Soc. Am. 77:1091; value from memory). The axis is that to which
    the line keeps most nearly one angle; it stands where the distance from it falls most evenly along the line. None,
    with the reason, where the line does not wind evenly.
    """
    if len(line) < 12:
        return None, "the canal is too short to wind"
    line = gaussian_filter1d(line, 3.0, axis=0, mode="nearest")
    long = np.r_[0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]
    even = np.linspace(0, long[-1], max(24, int(long[-1] / (2 * step))))
    line = np.stack([np.interp(even, long, line[:, i]) for i in range(3)], axis=1)
    tangent = np.gradient(line, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    later = tangent[len(tangent) // 8 :]  # the first of the way leads from the window into the canal
    axis = np.linalg.svd(later - later.mean(0), full_matrices=False)[2][2]
    u, v = plane_axes(axis)
    flat = np.stack([line @ u, line @ v], axis=1)
    middle = _middle(flat)
    off = flat - middle
    radius = np.linalg.norm(off, axis=1)
    angle = np.unwrap(np.arctan2(off[:, 1], off[:, 0]))
    turn = np.diff(angle) * np.sign(angle[-1] - angle[0])
    total = float(np.abs(angle[-1] - angle[0])) / (2 * np.pi)
    back = float(-turn[turn < 0].sum()) / (2 * np.pi)
    if total < 0.5 or back > 0.12 * total:
        return None, "its middle line does not wind evenly: the walls between its turns are not resolved"
    ends = 2 * step / (2 * np.pi * max(float(radius[-1]), step))
    turns = Value(total, float(np.hypot(ends, 0.05 + back)))
    return (turns, Value(float(long[-1]), 2 * step + 0.02 * float(long[-1])), line), ""


def _middle(flat: FloatArray) -> FloatArray:
    """Where a spiral (n, 2) winds about: its distance from there changes evenly along it."""
    along = np.linspace(-1, 1, len(flat))
    basis = np.stack([np.ones_like(along), along], axis=1)

    def rest(p: FloatArray) -> FloatArray:
        radius = np.linalg.norm(flat - p, axis=1)
        out: FloatArray = radius - basis @ np.linalg.lstsq(basis, radius, rcond=None)[0]
        return out

    out: FloatArray = least_squares(rest, flat.mean(0)).x
    return out
