"""The ear region: labyrinth, its windows, the stapes.

The labyrinth is the largest void in the dense bone beside the hind braincase that closes when bone is grown by less
than half the braincase's radius; where it opens, a membrane is laid across the canal. Ossicles are told present or
absent only where a strut of the usual stoutness spans two voxels; else the scan does not resolve them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cc3d
import edt
import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation, gaussian_filter1d, map_coordinates, maximum_filter
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree
from skimage.segmentation import watershed

from ..records import Side
from .braincase import Cavity
from .membrane import Membrane, narrowest, section
from .records import Ear, EarState, Opening, Value
from .space import Space, unit

__all__ = ["Labyrinth", "find_labyrinth", "read_ear", "strut_resolved", "turns_of_coil"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

STRUT = 0.3
"""Thickness of the stapes' thinnest strut as a share of the oval window's width. Common practice, no source."""
LEAST_STRUT_VOXELS = 2.0
LEAST_VESTIBULE_VOXELS = 3.5
"""A void that is nowhere so many voxels wide is not taken for a labyrinth."""
LEAST_CANAL_VOXELS = 3.0
"""Width of the cochlear canal, in voxels, under which its turns are not counted."""


@dataclass(frozen=True)
class Labyrinth:
    """The bony labyrinth: cells of a box in skull pose, its way out, and how dense its wall is."""

    mask: BoolArray
    low: FloatArray
    step: float
    zones: npt.NDArray[np.int32]
    wall: float

    def point(self, index: npt.ArrayLike) -> FloatArray:
        """Skull mm of cells (..., 3)."""
        out: FloatArray = self.low + np.asarray(index, float) * self.step
        return out


def find_labyrinth(space: Space, cavity: Cavity, side: Side) -> Labyrinth | None:
    """Find the labyrinth of one side; None where no void in dense bone lies beside the hind braincase."""
    within = cavity.block.point(np.argwhere(cavity.within))
    k = 1.0 if side == "left" else -1.0
    radius = cavity.depth_mm
    centre = within.mean(0)
    hind, front = np.quantile(within[:, 2], [0.0, 0.62])
    reach = float(np.quantile(np.abs(within[:, 0]), 0.995))
    floor = float(np.quantile(within[:, 1], 0.01))
    x = np.sort([k * 0.22 * reach, k * 1.25 * reach])
    low = np.array([x[0], floor - 0.6 * radius, hind])
    high = np.array([x[1], centre[1] + 0.35 * radius, front])
    step = max(0.5 * space.voxel, float(np.cbrt(np.prod(high - low) / 1_200_000)))
    block = space.block(low, high, step)
    solid = block.values > 0.5
    void = ~solid
    brain = _of_cavity(cavity, block.low, block.step, solid.shape)
    best: tuple[float, BoolArray, float] | None = None
    for size in (0.05, 0.075, 0.1):
        closed = _closed(solid, size * radius / step)
        pieces, count = cc3d.connected_components(closed & void & ~brain, connectivity=6, return_N=True)
        if not count:
            continue
        volume = np.bincount(pieces.ravel(), minlength=count + 1)[1:] * step**3
        for n in np.argsort(-volume)[:4]:
            mask = pieces == n + 1
            if not 2e-4 * radius**3 < volume[n] < 0.12 * radius**3 or _on_face(mask):
                continue
            shell = binary_dilation(mask, iterations=3) & ~binary_dilation(mask, iterations=1) & solid
            wall = float(np.median(block.values[shell])) if shell.any() else 0.0
            score = float(volume[n] ** 0.5 * wall**4)
            if best is None or score > best[0]:
                best = (score, mask, wall)
    if best is None:
        return None
    vestibule = _vestibule(block.values, solid, best[1], radius / step)
    zones = _zones(void, brain, best[1], vestibule, _closed(solid, 0.11 * radius / step))
    return Labyrinth(zones == LABYRINTH, block.low, step, zones, best[2])


LABYRINTH, OPEN, BRAIN = 1, 2, 3


def _vestibule(values: npt.NDArray[np.float32], solid: BoolArray, core: BoolArray, radius: float) -> BoolArray:
    """The roomiest place beside the core that bone walls off nearly all round: where the windows are as wide as the
    vestibule, closing does not seal it. Distances in cells; ``radius`` is the braincase's. Empty where there is none.
    """
    depth = edt.edt(~solid, parallel=1)
    near = edt.edt(~core, parallel=1) < 0.3 * radius
    top = (depth == maximum_filter(depth, 3)) & near & ~core & (depth > max(2.0, 0.04 * radius))
    seats = np.argwhere(top & (depth < 0.22 * radius))
    for seat in seats[np.argsort(-depth[tuple(seats.T)])]:
        deep = float(depth[tuple(seat)])
        if _walled_share(values, seat, 2.6 * deep) < 0.84:
            continue
        for level in (0.8, 0.88, 0.95):
            room = cc3d.connected_components(depth > level * deep, connectivity=6)
            own: BoolArray = room == room[tuple(seat)]
            if float(depth[own].max()) <= 1.1 * deep:
                return own
    return np.zeros(solid.shape, bool)


def _walled_share(values: npt.NDArray[np.float32], seat: npt.NDArray[np.intp], reach: float) -> float:
    """Of how many of 120 even directions (a spiral on the sphere) from a cell bone is met within ``reach`` cells."""
    n = np.arange(120) + 0.5
    polar, turn = np.arccos(1 - 2 * n / 120), np.pi * (1 + 5**0.5) * n
    way = np.stack([np.cos(turn) * np.sin(polar), np.sin(turn) * np.sin(polar), np.cos(polar)], axis=1)
    far = np.arange(1.0, reach, 0.5)
    path = seat + way[:, None, :] * far[None, :, None]
    seen = map_coordinates(values, np.moveaxis(path, -1, 0), order=1, mode="nearest")
    return float((seen > 0.5).any(axis=1).mean())


def _zones(
    void: BoolArray, brain: BoolArray, core: BoolArray, vestibule: BoolArray, closed: BoolArray
) -> npt.NDArray[np.int32]:
    """Air shared out between labyrinth, what lies open to the outside, and the braincase: floods meet where a way is
    narrowest. Small voids that nothing reaches but that lie by the labyrinth's core (ends of its canals) are its
    own."""
    depth = edt.edt(void, parallel=1)
    markers = np.zeros(void.shape, np.int32)
    free = void & ~closed & ~brain
    if vestibule.any():  # its own middle is too roomy to close: what is open begins beyond its walls
        free &= edt.edt(~vestibule, parallel=1) > 1.5 * float(depth[vestibule].max())
    markers[free] = OPEN
    markers[brain] = BRAIN
    markers[core | vestibule] = LABYRINTH
    zones: npt.NDArray[np.int32] = watershed(-depth, markers, mask=void).astype(np.int32)
    lone, count = cc3d.connected_components(void & (zones == 0), connectivity=26, return_N=True)
    if count:
        far = edt.edt(~core, parallel=1)
        reach = 1.5 * float(np.cbrt(core.sum()))
        most = np.zeros(count + 1)
        np.maximum.at(most, lone.ravel(), far.ravel())
        near = np.flatnonzero(most < reach)
        zones[np.isin(lone, near[near > 0])] = LABYRINTH
    return zones


def _closed(solid: BoolArray, cells: float) -> BoolArray:
    """Bone closed by a ball of so many cells."""
    pad = int(np.ceil(cells)) + 1
    wide = np.pad(solid, pad)
    grown = edt.edt(~wide, parallel=1) <= cells
    back = edt.edt(grown, parallel=1) > cells
    out: BoolArray = (back | wide)[pad:-pad, pad:-pad, pad:-pad]
    return out


def _of_cavity(cavity: Cavity, low: FloatArray, step: float, shape: tuple[int, ...]) -> BoolArray:
    """The braincase's cells on another grid."""
    index = [
        np.rint(cavity.block.index(low)[i] + np.arange(n) * step / cavity.block.step).astype(int)
        for i, n in enumerate(shape)
    ]
    fits = [(i >= 0) & (i < n) for i, n in zip(index, cavity.zones.shape, strict=True)]
    held = [np.clip(i, 0, n - 1) for i, n in zip(index, cavity.zones.shape, strict=True)]
    # only its roomy part: narrow ways off it (meatus, canals) are not brain
    core = edt.edt(cavity.within, parallel=1) > 1.5
    roomy = cavity.within & binary_dilation(core, iterations=2)
    inside = fits[0][:, None, None] & fits[1][None, :, None] & fits[2][None, None, :]
    out: BoolArray = roomy[np.ix_(*held)] & inside
    return out


def _on_face(mask: BoolArray) -> bool:
    return any(bool(f.any()) for f in (mask[0], mask[-1], mask[:, 0], mask[:, -1], mask[:, :, 0], mask[:, :, -1]))


def _ways_out(labyrinth: Labyrinth) -> list[tuple[FloatArray, FloatArray, int]]:
    """Where the labyrinth opens, away from the brain: middle, way out, and cells of each."""
    seam = (labyrinth.zones == OPEN) & binary_dilation(labyrinth.mask)
    pieces = cc3d.connected_components(seam, connectivity=26)
    inner = np.argwhere(labyrinth.mask)
    tree = cKDTree(inner)
    out = []
    for k in range(1, int(pieces.max()) + 1):
        at = np.argwhere(pieces == k)
        if len(at) < 4:
            continue
        middle = at.mean(0)
        near = inner[tree.query_ball_point(middle, 8.0)]
        if len(near) < 4:
            near = inner[tree.query(middle, 8)[1]]
        out.append((labyrinth.point(middle), unit(middle - near.mean(0)), len(at)))
    return sorted(out, key=lambda w: -w[2])


def read_ear(space: Space, cavity: Cavity, side: Side) -> tuple[Ear, Labyrinth] | None:
    """Read one ear, with its labyrinth; None where none is found or it is too small for the voxels."""
    labyrinth = find_labyrinth(space, cavity, side)
    if labyrinth is None:
        return None
    step = labyrinth.step
    cells = np.argwhere(labyrinth.mask)
    if 2 * float(edt.edt(labyrinth.mask, parallel=1).max()) * step < LEAST_VESTIBULE_VOXELS * space.voxel:
        return None
    centre = labyrinth.point(cells).mean(0)
    reasons: dict[str, str] = {}
    volume = float(len(cells)) * step**3
    faces = float((labyrinth.mask & binary_dilation(~labyrinth.mask)).sum()) * step**2
    wide = 2 * float(np.quantile(edt.edt(labyrinth.mask, parallel=1)[labyrinth.mask], 0.9)) * step
    oval, round_ = _windows(space, labyrinth, side, reasons)
    state, why = _stapes(space, oval)
    if why:
        reasons["stapes"] = why
    for bone in ("incus", "malleus"):
        reasons[bone] = "not told apart from the walls of the middle ear by this version"
    turns = None
    if wide < LEAST_CANAL_VOXELS * space.voxel:
        reasons["cochlear_turns"] = (
            f"the labyrinth's canals are {wide / space.voxel:.1f} voxels wide, and {LEAST_CANAL_VOXELS:g} are needed"
        )
    else:
        turns, why = _turns(labyrinth, None if round_ is None else round_.centre)
        if why:
            reasons["cochlear_turns"] = why
    ratio = None
    if oval is not None and oval.width_mm.value > 0:
        ratio = oval.length_mm.value / oval.width_mm.value
    ear = Ear(
        side,
        centre,
        Value(volume, faces * max(0.15 * space.blur_mm, 0.1 * step)),
        oval,
        round_,
        ratio,
        turns,
        {},
        {"stapes": state, "incus": "not_resolved", "malleus": "not_resolved"},
        reasons,
    )
    return ear, labyrinth


def _windows(
    space: Space, labyrinth: Labyrinth, side: Side, reasons: dict[str, str]
) -> tuple[Opening | None, Opening | None]:
    """Oval and round window: of the ways out that face down or outward, the two largest; the round one lies behind
    and below."""
    k = 1.0 if side == "left" else -1.0
    reach = 0.9 * float(np.cbrt(labyrinth.mask.sum())) * labyrinth.step
    found: list[tuple[Membrane, FloatArray]] = []
    for middle, way, _ in _ways_out(labyrinth)[:6]:
        if way @ np.array([0.5 * k, -1.0, 0.0]) < 0.1:
            continue
        m = _across_canal(space, middle, way, reach)
        if m is None or m.width < 1.5 * space.voxel:
            continue
        if all(np.linalg.norm(m.centre - other.centre) > 0.5 * (m.width + other.width) / 2 for other, _ in found):
            found.append((m, way))
    if len(found) < 2:
        reasons["oval_window_mm2"] = reasons["round_window_mm2"] = (
            "only one way out to the middle ear shows where two windows are looked for, so that the bone between them "
            "does not show at this voxel size"
            if found or len(_ways_out(labyrinth)) == 1
            else "no way out to the middle ear is closed all round by bone that this voxel size shows"
        )
        return None, None
    two = sorted(found, key=lambda f: -f[0].area)[:2]
    two.sort(key=lambda f: float(f[0].centre @ np.array([0.35 * k, 0.6, 1.0])), reverse=True)
    gap = abs(two[0][0].centre[2] - two[1][0].centre[2])
    sure = 0.85 if gap > 0.5 * two[1][0].width else 0.6

    def opening(m: Membrane, term: str) -> Opening:
        fault = 0.29 * space.voxel * np.sqrt(2)
        return Opening(
            term,
            side,
            Value(m.area, m.error(space.noise, space.blur_mm)),
            Value(m.length, fault),
            Value(m.width, fault),
            m.perimeter,
            m.centre,
            m.rim,
            sure,
            "of the labyrinth's two ways out into the middle ear, "
            + ("the one before and above" if term == "oval window" else "the one behind and below"),
        )

    return opening(two[0][0], "oval window"), opening(two[1][0], "round window")


def _across_canal(space: Space, middle: FloatArray, way: FloatArray, reach: float) -> Membrane | None:
    """The membrane of median area along a short canal: its narrowest place gives direction and middle; a footplate
    that sits in one plane of it does not lessen it."""
    step = 0.4 * space.voxel
    blur = space.sampled_blur
    span = max(3 * space.voxel, 0.35 * reach)
    tight = narrowest(space.at, middle, way, reach=reach, along=(-span, span), step=step, blur=blur, tilt_deg=40)
    if tight is None:
        return None
    some = [tight]
    for offset in np.arange(-span, span, 0.5 * space.voxel):
        m = section(space.at, tight.centre + offset * tight.normal, tight.normal, reach, step, blur)
        if m is not None and m.area < 1.6 * tight.area:
            some.append(m)
    some.sort(key=lambda m: m.area)
    return some[len(some) // 2]


def strut_resolved(window_width_mm: float, voxel_mm: float) -> tuple[bool, str]:
    """Whether a stapes of the usual stoutness would show, and if not, why."""
    voxels = STRUT * window_width_mm / voxel_mm
    if voxels >= LEAST_STRUT_VOXELS:
        return True, ""
    return False, f"a strut of the stapes would be about {voxels:.1f} voxels thick, and two are needed"


def _stapes(space: Space, oval: Opening | None) -> tuple[EarState, str]:
    if oval is None:
        return "not_resolved", "the oval window was not found"
    resolved, why = strut_resolved(oval.width_mm.value, space.voxel)
    u = _normal_of(oval.rim, oval.centre)
    if u @ np.array([np.sign(oval.centre[0]) * 0.5, -1.0, 0.0]) < 0:
        u = -u
    long = oval.length_mm.value
    a, b = _spanning(u)
    turn = np.linspace(0, 2 * np.pi, 16, endpoint=False)
    rings = np.concatenate([[[0.0, 0.0]]] + [[[r * np.cos(t), r * np.sin(t)] for t in turn] for r in (0.15, 0.3, 0.45)])
    offsets = np.arange(0.15, 1.0, 0.05) * long
    disc = rings * long
    tops = [float(space.at(oval.centre + o * u + disc[:, :1] * a + disc[:, 1:] * b).max()) for o in offsets]
    bridged = float(np.quantile(tops, 0.15))
    if bridged > 0.45:
        return "present", ""
    if not resolved:
        return "not_resolved", why
    return "absent", ""


def _normal_of(rim: FloatArray, centre: FloatArray) -> FloatArray:
    out: FloatArray = np.linalg.svd(rim - centre, full_matrices=False)[2][2]
    return out


def _spanning(normal: FloatArray) -> tuple[FloatArray, FloatArray]:
    u = unit(np.cross(normal, np.eye(3)[int(np.argmin(np.abs(normal)))]))
    return u, np.cross(normal, u)


def _turns(labyrinth: Labyrinth, round_window: FloatArray | None) -> tuple[Value | None, str]:
    if round_window is None:
        return None, "the round window, where the cochlea begins, was not found"
    cells = np.argwhere(labyrinth.mask)
    depth = edt.edt(labyrinth.mask, parallel=1)[labyrinth.mask] * labyrinth.step
    points = labyrinth.point(cells)
    front = points[:, 2] > round_window[2] - 3 * labyrinth.step
    if front.sum() < 30:
        return None, "nothing of the labyrinth lies before the round window"
    return turns_of_coil(points[front], depth[front], round_window, labyrinth.step)


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
    u, v = _spanning(axis)
    angle = np.unwrap(np.arctan2(tangent @ v, tangent @ u))
    turn = np.diff(angle) * np.sign(angle[-1] - angle[0])
    total = float(np.abs(angle[-1] - angle[0])) / (2 * np.pi)
    back = float(-turn[turn < 0].sum()) / (2 * np.pi)
    if total < 0.5 or back > 0.15 * total:
        return None, "its middle line does not wind evenly: the walls between its turns are not resolved"
    coil = float(np.linalg.norm(line - line.mean(0), axis=1).mean())
    return Value(total, float(np.hypot(2 * step / (2 * np.pi * coil), 0.05 + back))), ""


def paired_values(ear: Ear) -> Mapping[str, tuple[float, float, str]]:
    """Numbers of an ear that are compared between sides: value, error, unit."""
    out: dict[str, tuple[float, float, str]] = {}
    if ear.labyrinth_mm3 is not None:
        out["labyrinth volume"] = (ear.labyrinth_mm3.value, ear.labyrinth_mm3.error, "mm3")
    for name, window in (("oval window area", ear.oval), ("round window area", ear.round)):
        if window is not None:
            out[name] = (window.area_mm2.value, window.area_mm2.error, "mm2")
    return out
