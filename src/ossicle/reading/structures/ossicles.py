"""Ossicles: present, absent, or not resolved with the reason.

The stapes is known by what bridges the way out of the oval window, incus and malleus as bodies that hang free in the
middle ear beyond it. A bone is told present where it spans three voxels, and absent only where one of the usual
stoutness would.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates
from skimage.measure import points_in_poly

from .membrane import plane_axes
from .middle_ear import Bodies, MiddleEar
from .records import EarState, Opening, Value
from .space import Space

__all__ = ["Chain", "footplate_of", "hanging_bones", "stapes_state", "strut_resolved"]

FloatArray = npt.NDArray[np.float64]

STRUT = 0.3
"""Thickness of the stapes' thinnest strut as a share of the oval window's width. Common practice, no source."""
LEAST_STRUT_VOXELS = 2.0
STOUT = 0.5
"""Thickness of the incus' body and of the malleus' head as a share of the oval window's length, at the least. Common
practice, no source."""
LEAST_VOXELS = 3.0
LEAST_SEEN = 2.0
"""A body thinner than so many voxels is not told from noise."""
MOST_HELD = 0.1
"""A body more of whose faces than this touch other bone is part of a wall. Common practice, no source."""
FARTHEST = 3.6
"""How far from the oval window incus and malleus have their stoutest places, in radii of the vestibule. Common
practice, no source."""
NEAREST = 1.6
"""What lies nearer to it than so many is the stapes. Common practice, no source."""
WHOLE = 0.98
"""So much of the place where a bone is looked for must lie in the scan before it is called absent."""
CLEAR = 0.25
"""Where the middle ear's air is greyer than this share of bone, something fills it."""


@dataclass(frozen=True)
class Chain:
    """States of incus and malleus, why they are not told, and the points (n, 3; skull mm) of those that are present."""

    states: Mapping[str, EarState]
    reasons: Mapping[str, str]
    points: Mapping[str, FloatArray]


def hanging_bones(space: Space, ear: MiddleEar, bodies: Bodies, oval: Opening, radius: float) -> Chain:
    """Incus and malleus among the bodies that hang free in a middle ear.

    ``radius`` (mm) is the vestibule's. Of two bodies the one nearer to the oval window is the incus; the malleus lies
    beyond it and in front (any handbook of the skull).
    """
    thick = 2 * bodies.stout / space.voxel
    far = np.linalg.norm(bodies.seat - oval.centre, axis=1) if len(bodies) else np.zeros(0)
    about = np.flatnonzero((far > NEAREST * radius) & (far < FARTHEST * radius) & (thick >= LEAST_SEEN))
    hanging = [int(i) for i in about if bodies.held[i] <= MOST_HELD][:2]
    if len(hanging) == 2:
        incus, malleus = sorted(hanging, key=lambda i: far[i])
        states: dict[str, EarState] = {}
        reasons, points = {}, {}
        for name, i in (("incus", incus), ("malleus", malleus)):
            if thick[i] >= LEAST_VOXELS:
                states[name] = "present"
                points[name] = bodies.points(i + 1)
            else:
                states[name] = "not_resolved"
                reasons[name] = (
                    f"a body hangs where it is looked for, but it is {thick[i]:.1f} voxels thick, and three are needed"
                )
        return Chain(states, reasons, points)
    bound = [int(i) for i in about if bodies.held[i] <= 0.5 and bodies.within[i] > 0.7]
    return _untold(space, ear, oval, radius, hanging, bound, bodies)


def _untold(
    space: Space,
    ear: MiddleEar,
    oval: Opening,
    radius: float,
    hanging: list[int],
    bound: list[int],
    bodies: Bodies,
) -> Chain:
    """One body or none: not resolved with the reason, or absent where bones of the usual stoutness would show."""
    state: EarState = "not_resolved"
    usual = STOUT * oval.length_mm.value / space.voxel
    air = ear.block.values[ear.near]
    places = ear.block.point(np.argwhere(ear.near))
    places = places[np.linalg.norm(places - oval.centre, axis=1) < FARTHEST * radius]
    if ear.cut or not len(places) or float(space.inside(places).mean()) < WHOLE:
        why = "the middle ear is cut by the edge of the scan"
    elif hanging:
        why = (
            f"one body hangs in the middle ear, {2 * bodies.stout[hanging[0]]:.2f} mm thick; whether it is incus, "
            "malleus or both grown together is not told"
        )
    elif bound:
        why = "what stands in the middle ear is not parted from its wall at this voxel size"
    elif usual < LEAST_VOXELS:
        why = f"it would be about {usual:.1f} voxels thick, and three are needed"
    elif not len(air) or float(np.quantile(air, 0.75)) > CLEAR:
        why = "something fills the middle ear"
    else:
        state, why = "absent", ""
    names = ("incus", "malleus")
    return Chain(dict.fromkeys(names, state), dict.fromkeys(names, why) if why else {}, {})


def strut_resolved(window_width_mm: float, voxel_mm: float) -> tuple[bool, str]:
    """Whether a stapes of the usual stoutness would show, and if not, why."""
    voxels = STRUT * window_width_mm / voxel_mm
    if voxels >= LEAST_STRUT_VOXELS:
        return True, ""
    return False, f"a strut of the stapes would be about {voxels:.1f} voxels thick, and two are needed"


def stapes_state(space: Space, oval: Opening | None) -> tuple[EarState, str]:
    """Whether solid matter bridges the way out from the oval window for the window's own length."""
    if oval is None:
        return "not_resolved", "the oval window was not found"
    resolved, why = strut_resolved(oval.width_mm.value, space.voxel)
    u = _normal_of(oval)
    if u @ np.array([np.sign(oval.centre[0]) * 0.5, -1.0, 0.0]) < 0:
        u = -u
    long = oval.length_mm.value
    a, b = plane_axes(u)
    turn = np.linspace(0, 2 * np.pi, 16, endpoint=False)
    rings = np.concatenate([[[0.0, 0.0]]] + [[[r * np.cos(t), r * np.sin(t)] for t in turn] for r in (0.15, 0.3, 0.45)])
    offsets = np.arange(0.15, 1.0, 0.05) * long
    disc = rings * long
    places = [oval.centre + o * u + disc[:, :1] * a + disc[:, 1:] * b for o in offsets]
    tops = [float(space.at(p).max()) for p in places]
    bridged = float(np.quantile(tops, 0.15))
    if bridged > 0.45:
        return "present", ""
    if float(np.mean([space.inside(p).mean() for p in places])) < WHOLE:
        return "not_resolved", "its place is cut by the edge of the scan"
    if not resolved:
        return "not_resolved", why
    return "absent", ""


def _normal_of(oval: Opening) -> FloatArray:
    out: FloatArray = np.linalg.svd(oval.rim - oval.centre, full_matrices=False)[2][2]
    return out


NO_GAP = "no gap shows between a footplate and the oval window's rim; the window's size stands for its own"
NO_PLATE = "no plate fills the oval window"
GAP = 0.25
"""By how much (share of bone's grey) the gap round a footplate must be darker than the plate. Common practice, no
source."""


def footplate_of(space: Space, oval: Opening) -> tuple[Value | None, str]:
    """Area (mm2) of the footplate that lies in the oval window, where the gap round it shows; None with the reason.

    The plate's own rim lies half-way between its grey and that of the gap, on ways from its middle outwards, in the
    plane near the window's where it is brightest.
    """
    normal = _normal_of(oval)
    u, v = plane_axes(normal)
    flat = np.stack([(oval.rim - oval.centre) @ u, (oval.rim - oval.centre) @ v], axis=1)
    step = 0.25 * space.voxel
    reach = float(np.abs(flat).max()) + 2 * step
    grid = np.arange(-reach, reach + step, step)
    place = oval.centre + grid[:, None, None] * u + grid[None, :, None] * v
    inner = points_in_poly(np.stack(np.meshgrid(grid, grid, indexing="ij"), axis=-1).reshape(-1, 2), 0.6 * flat)
    offsets = np.arange(-0.5, 0.51, 0.1) * oval.width_mm.value
    planes = [space.at(place + o * normal) for o in offsets]
    fill = [float(p.reshape(-1)[inner].mean()) for p in planes]
    best = int(np.argmax(fill))
    image, plate = planes[best], fill[best]
    if plate < 0.45:
        return None, NO_PLATE
    turn = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    angle = np.arctan2(flat[:, 1], flat[:, 0])
    order = np.argsort(angle)
    edge = np.interp(turn, angle[order], np.linalg.norm(flat, axis=1)[order], period=2 * np.pi)
    share = np.linspace(0.3, 1.15, 60)
    path = edge[:, None] * share
    at = (np.stack([path * np.cos(turn)[:, None], path * np.sin(turn)[:, None]]) + reach) / step
    seen = map_coordinates(image, at, order=1, mode="nearest")
    darkest = seen.argmin(axis=1)
    dark = seen.min(axis=1)
    if float((dark < plate - GAP).mean()) < 0.75:
        return None, NO_GAP
    rim = np.empty(len(turn))
    for i, k in enumerate(darkest):
        below = np.flatnonzero(seen[i, : k + 1] < (plate + dark[i]) / 2)
        rim[i] = path[i, below[0]] if len(below) else path[i, k]
    area = 0.5 * float((rim**2).sum()) * (turn[1] - turn[0])
    fault = 0.29 * space.voxel * float(rim.sum()) * (turn[1] - turn[0])
    return Value(area, fault), ""
