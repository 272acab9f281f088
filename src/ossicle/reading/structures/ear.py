"""The ear region: labyrinth, its windows, the stapes.

Ossicles are told present or absent only where a strut of the usual stoutness spans two voxels; else the scan does not
resolve them.
"""

from __future__ import annotations

from collections.abc import Mapping

import edt
import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation

from ..records import Side
from .braincase import Cavity
from .cochlea import cochlear_coil
from .labyrinth import LABYRINTH, Labyrinth, find_labyrinth
from .labyrinth_canals import canal_radii
from .membrane import plane_axes
from .records import Ear, EarState, Opening, Value
from .space import Space
from .windows import read_windows

__all__ = ["ear_of", "paired_values", "read_ear", "strut_resolved"]

FloatArray = npt.NDArray[np.float64]

STRUT = 0.3
"""Thickness of the stapes' thinnest strut as a share of the oval window's width. Common practice, no source."""
LEAST_STRUT_VOXELS = 2.0
LEAST_VESTIBULE_VOXELS = 3.5
"""A void that is nowhere so many voxels wide is not taken for a labyrinth."""


def read_ear(space: Space, cavity: Cavity, side: Side) -> tuple[Ear, Labyrinth] | None:
    """Read one ear, with its labyrinth; None where none is found or it is too small for the voxels."""
    labyrinth = find_labyrinth(space, cavity, side)
    ear = None if labyrinth is None else ear_of(space, labyrinth, side)
    return None if labyrinth is None or ear is None else (ear, labyrinth)


def ear_of(space: Space, labyrinth: Labyrinth, side: Side) -> Ear | None:
    """Read the ear round a labyrinth; None where the labyrinth is too small for the voxels."""
    if 2 * labyrinth.vestibule_mm < LEAST_VESTIBULE_VOXELS * space.voxel:
        return None
    centre = labyrinth.point(np.argwhere(labyrinth.mask)).mean(0)
    reasons: dict[str, str] = {}
    oval, round_ = read_windows(space, labyrinth, side, reasons)
    state, why = _stapes(space, oval)
    if why:
        reasons["stapes"] = why
    for bone in ("incus", "malleus"):
        reasons[bone] = "not told apart from each other and from the walls of the middle ear by this version"
    reasons["footplate"] = (
        "the gap round a footplate is thinner than a voxel; the oval window's size stands for its own"
    )
    coil, why = cochlear_coil(space, labyrinth, round_, side)
    if why:
        reasons["cochlear_turns"] = reasons["cochlear_canal_length_mm"] = why
    radii, arcs, why = canal_radii(space, labyrinth, side, None if coil is None else coil[2])
    if why:
        reasons["semicircular_canal_radii_mm"] = why
    ratio = None
    if oval is not None and oval.width_mm.value > 0:
        ratio = oval.length_mm.value / oval.width_mm.value
    lines = {f"{name} semicircular canal": arc.points() for name, arc in arcs.items()}
    if coil is not None:
        lines["cochlea"] = coil[2]
    return Ear(
        side,
        centre,
        _volume(space, labyrinth),
        oval,
        round_,
        ratio,
        None if coil is None else coil[0],
        radii,
        {"stapes": state, "incus": "not_resolved", "malleus": "not_resolved"},
        reasons,
        cochlea_length_mm=None if coil is None else coil[1],
        lines=lines,
    )


def _volume(space: Space, labyrinth: Labyrinth) -> Value:
    """The labyrinth's volume: what its cells and those about it lack of the wall's grey, so that canals which blur
    fills in count for what they hold. Cells nearer to what lies without are not its own."""
    step, reach = labyrinth.step, 2.0 * space.blur_mm
    low, high = labyrinth.low, labyrinth.point(np.array(labyrinth.mask.shape) - 1)
    grey = space.block(low, high, step).values[tuple(slice(0, n) for n in labyrinth.mask.shape)]
    near = edt.edt(~labyrinth.mask, parallel=1) * step
    other = edt.edt((labyrinth.zones == LABYRINTH) | (labyrinth.zones == 0), parallel=1) * step
    own = labyrinth.mask | ((near < reach) & (near < other) & (labyrinth.zones == 0))
    wall = max(0.8, labyrinth.wall)
    lacking = 1 - grey[own] / wall
    faces = float((labyrinth.mask & binary_dilation(~labyrinth.mask)).sum()) * step**2
    return Value(float(lacking.sum()) * step**3, faces * max(0.15 * space.blur_mm, 0.1 * step))


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
    a, b = plane_axes(u)
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


def paired_values(ear: Ear) -> Mapping[str, tuple[float, float, str]]:
    """Numbers of an ear that are compared between sides: value, error, unit."""
    out: dict[str, tuple[float, float, str]] = {}
    if ear.labyrinth_mm3 is not None:
        out["labyrinth volume"] = (ear.labyrinth_mm3.value, ear.labyrinth_mm3.error, "mm3")
    if ear.cochlear_turns is not None:
        out["turns of the cochlea"] = (ear.cochlear_turns.value, ear.cochlear_turns.error, "turns")
    if ear.cochlea_length_mm is not None:
        out["length of the cochlear canal"] = (ear.cochlea_length_mm.value, ear.cochlea_length_mm.error, "mm")
    for name, radius in ear.canal_radii_mm.items():
        out[f"radius of the {name} semicircular canal"] = (radius.value, radius.error, "mm")
    for name, window in (("oval window area", ear.oval), ("round window area", ear.round)):
        if window is not None:
            out[name] = (window.area_mm2.value, window.area_mm2.error, "mm2")
    return out
