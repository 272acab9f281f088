"""Turns and length of the cochlea: how its middle line winds about its own axis, from the round window to its apex.

The walls between turns are often no thicker than the blur; so greys are first sharpened by about the blur's own width
(unsharp masking), and the middle line is the cheapest way through the dark, not through cells told bone from not bone.
"""

from __future__ import annotations

import cc3d
import edt
import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation, gaussian_filter, gaussian_filter1d, map_coordinates
from scipy.optimize import least_squares
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from ..records import Side
from .labyrinth import BRAIN, LABYRINTH, OPEN, Labyrinth
from .membrane import plane_axes
from .records import Opening, Value
from .space import Space

__all__ = ["Coil", "cochlear_coil", "coil_of_points", "sharp_box", "sharpened", "turns_of_coil", "turns_of_line"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

SHARPEN = 1.5
"""Weight of what blurring by the blur's own width takes away. Common practice, no source."""
STEEP = 20.0
"""By how much (powers of e) a way through bone costs more than one through the empty canal."""
DARKEST = 0.62
"""Cells brighter than this when sharpened are bone."""
MOST_BRIGHT = 0.7
"""Where the middle line found is brighter than this in sharpened greys, it leads through a wall."""
LEAST_LENGTH = 4.0
"""No cochlear canal is shorter than so many radii of the vestibule. Common practice, no source."""
AHEAD = (-0.25, -0.5, 0.83)
"""Where the cochlea lies from the vestibule, on the left: a little inward, down and forward (any handbook)."""

Coil = tuple[Value, Value, FloatArray]
"""Turns, length (mm) and middle line (n, 3), skull mm, from base to apex."""


def sharpened(values: npt.NDArray[np.float32], blur: float) -> npt.NDArray[np.float32]:
    """Greys with what blurring by ``blur`` cells takes away added ``SHARPEN`` times."""
    out: npt.NDArray[np.float32] = values + np.float32(SHARPEN) * (values - gaussian_filter(values, blur))
    return out


def sharp_box(space: Space, labyrinth: Labyrinth) -> tuple[npt.NDArray[np.float32], BoolArray, FloatArray]:
    """Sharpened greys of the box about a labyrinth, which cells are dark and not beside what lies without, and where
    cells lie (skull mm)."""
    cells = np.argwhere(labyrinth.mask)
    low = np.maximum(cells.min(0) - 4, 0)
    high = np.minimum(cells.max(0) + 5, labyrinth.mask.shape)
    block = space.block(labyrinth.point(low), labyrinth.point(high - 1), labyrinth.step)
    grey = sharpened(block.values, space.blur_mm / labyrinth.step)
    zones = labyrinth.zones[tuple(slice(a, b) for a, b in zip(low, high, strict=True))]
    cut = tuple(slice(0, min(a, b)) for a, b in zip(grey.shape, zones.shape, strict=True))
    grey, zones = grey[cut], zones[cut]
    outside = binary_dilation((zones == OPEN) | (zones == BRAIN), iterations=2)
    allowed = (grey < DARKEST) & ((zones == LABYRINTH) | ~outside)
    grid = np.stack(np.meshgrid(*(np.arange(n) for n in grey.shape), indexing="ij"), axis=-1)
    return grey, allowed, block.low + grid * labyrinth.step


def cochlear_coil(
    space: Space, labyrinth: Labyrinth, round_window: Opening | None, side: Side
) -> tuple[Coil | None, str]:
    """Follow the cochlea from the round window to its apex; None, with the reason, where that is not told."""
    if round_window is None:
        return None, "the round window, where the cochlea begins, was not found"
    grey, allowed, place = sharp_box(space, labyrinth)
    ahead = np.array(AHEAD) * [1.0 if side == "left" else -1.0, 1.0, 1.0]
    from_middle = place - labyrinth.vestibule
    # the vestibule itself is no part of the coil, nor what lies behind it (semicircular canals)
    allowed &= from_middle @ ahead > min(0.0, float((round_window.centre - labyrinth.vestibule) @ ahead)) - 1e-6
    far = np.linalg.norm(from_middle, axis=-1)
    if (allowed & (far > 1.15 * labyrinth.vestibule_mm)).sum() < 60:
        return None, "nothing of the labyrinth lies before the round window"
    # as much of the vestibule's surroundings stays out as leaves the canal in one piece with the window
    for out in (1.15, 1.0, 0.85, 0.7):
        some = allowed & (far > out * labyrinth.vestibule_mm)
        held = _one_piece(some, place, round_window.centre, 0.5 * labyrinth.vestibule_mm)
        if held is not None:
            allowed = held
            break
    else:
        return None, "the canal does not hang together with the round window at this voxel size"
    wide = 2 * float(np.quantile(edt.edt(allowed, parallel=1)[allowed], 0.95)) * labyrinth.step
    if wide < 2.0 * space.voxel:
        return None, f"the cochlear canal is {wide / space.voxel:.1f} voxels wide, and two are needed"
    found, why = coil_of_points(place[allowed], grey[allowed].astype(float), round_window.centre, labyrinth.step)
    if found is not None and found[1].value < LEAST_LENGTH * labyrinth.vestibule_mm:
        return None, "the way found from the round window is too short for a cochlea"
    if found is not None:
        index = np.moveaxis((found[2] - place[0, 0, 0]) / labyrinth.step, -1, 0)
        if float(map_coordinates(grey, index, order=1, mode="nearest").max()) > MOST_BRIGHT:
            return None, "the way found from the round window runs through bone"
    return found, why


def _one_piece(allowed: BoolArray, place: FloatArray, start: FloatArray, reach: float) -> BoolArray | None:
    """The largest piece of cells, where it comes within ``reach`` mm of ``start``."""
    pieces = cc3d.connected_components(allowed, connectivity=26)
    counts = np.bincount(pieces.ravel())[1:]
    if not len(counts):
        return None
    own: BoolArray = pieces == int(np.argmax(counts)) + 1
    return own if float(np.linalg.norm(place[own] - start, axis=1).min()) < reach else None


def coil_of_points(points: FloatArray, grey: FloatArray, start: FloatArray, step: float) -> tuple[Coil | None, str]:
    """Follow a coiled canal through ``points`` (n, 3) of a grid of ``step`` mm with their ``grey`` (0 empty, 1 bone)
    from near ``start`` to its far end; see `turns_of_line`."""
    pairs = cKDTree(points).query_pairs(1.75 * step, output_type="ndarray")
    gaps = np.linalg.norm(points[pairs[:, 0]] - points[pairs[:, 1]], axis=1)
    steep = np.exp(STEEP * np.clip(np.maximum(grey[pairs[:, 0]], grey[pairs[:, 1]]), 0, 1))
    near = np.linalg.norm(points - start, axis=1)
    first = int(np.argmin(near + 0.5 * np.clip(grey, 0, 1)))
    best: tuple[Coil | None, str] = (None, "no way through the canal winds evenly from the round window to an end")
    for line in _far_lines(points, pairs, gaps * steep, first, 6 * step):
        found, why = turns_of_line(_centred(line, points, grey, 3.5 * step), step)
        if found is None:
            best = best if best[0] is not None or not why else (None, why)
        elif best[0] is None or found[0].value > best[0][0].value:
            best = (found, "")
    return best


def _centred(line: FloatArray, points: FloatArray, grey: FloatArray, reach: float) -> FloatArray:
    """A way through a canal moved to its middle, as the cheapest way cuts the bends: thrice to where the dark within
    ``reach`` mm weighs most, across the way only."""
    tree, dark = cKDTree(points), np.exp(-8 * np.clip(grey, 0, 1))
    for _ in range(3):
        smooth = gaussian_filter1d(line, 1.5, axis=0, mode="nearest")
        along = np.gradient(smooth, axis=0)
        along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
        near = tree.query_ball_point(smooth, reach)
        heavy = np.array(
            [np.average(points[n], axis=0, weights=dark[n]) if n else p for n, p in zip(near, smooth, strict=True)]
        )
        shift = heavy - smooth
        line = smooth + shift - (shift * along).sum(1, keepdims=True) * along
    return line


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
    line = _far_lines(points, pairs, gaps / room**2, first, 6 * step)[0]
    found, why = turns_of_line(line, step)
    return (None if found is None else found[0]), why


MOST_ENDS = 12


def _far_lines(
    points: FloatArray, pairs: npt.NDArray[np.intp], costs: FloatArray, first: int, apart: float
) -> list[FloatArray]:
    """The cheapest ways from ``first`` to the points that are farthest off along them, longest first, their ends more
    than ``apart`` mm from each other."""
    n = len(points)
    graph: csr_matrix = coo_matrix((costs, (pairs[:, 0], pairs[:, 1])), shape=(n, n)).tocsr()
    cost, before = dijkstra(graph, directed=False, indices=first, return_predecessors=True)
    reached = np.isfinite(cost)
    long = np.where(reached, 0.0, -1.0)
    for i in np.argsort(cost)[: int(reached.sum())]:
        if before[i] >= 0:
            long[i] = long[before[i]] + float(np.linalg.norm(points[i] - points[before[i]]))
    free = reached.copy()
    out: list[FloatArray] = []
    while free.any() and len(out) < MOST_ENDS:
        last = int(np.argmax(np.where(free, long, -1.0)))
        free &= np.linalg.norm(points - points[last], axis=1) > apart
        path = [last]
        while path[-1] != first and before[path[-1]] >= 0:
            path.append(int(before[path[-1]]))
        out.append(points[path[::-1]])
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
    line = np.vstack([line[:1], gaussian_filter1d(line, 3.0, axis=0, mode="nearest"), line[-1:]])  # its ends stay
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
    uneven = float(np.std(radius - np.polyval(np.polyfit(np.arange(len(radius)), radius, 1), np.arange(len(radius)))))
    if total < 0.5 or back > 0.12 * total or uneven > 0.3 * float(radius.mean()):
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
