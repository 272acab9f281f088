"""The ear region of one side: labyrinth, windows, ossicles, middle-ear space, petrosal."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation

from ..records import PartKind, Side
from .braincase import Cavity
from .cochlea import cochlear_coil
from .labyrinth import Labyrinth, find_labyrinth
from .labyrinth_canals import canal_radii
from .labyrinth_volume import labyrinth_volume
from .middle_ear import MiddleEar, find_middle_ear, free_bodies
from .ossicles import footplate_of, hanging_bones, stapes_state
from .petrosal import find_petrosal
from .records import Ear, EarState, Opening, Value
from .space import Space, spread
from .windows import read_windows

__all__ = ["Body", "EarRead", "ear_of", "paired_values", "read_ear"]

FloatArray = npt.NDArray[np.float64]

LEAST_VESTIBULE_VOXELS = 3.5
"""A void that is nowhere so many voxels wide is not taken for a labyrinth."""


@dataclass(frozen=True)
class Body:
    """Where a part of the ear lies (n, 3; skull mm), as it is laid among the parts. ``over`` bone: it is bone itself,
    and so goes for its own part and no longer for the cranium's."""

    kind: PartKind
    term: str
    points: FloatArray
    certain: float
    over: bool = False


@dataclass(frozen=True)
class EarRead:
    """One ear, with the bodies that become parts."""

    ear: Ear
    bodies: tuple[Body, ...]


def read_ear(space: Space, cavity: Cavity, side: Side, apart: Collection[int] = ()) -> EarRead | None:
    """Read one ear; None where no labyrinth is found or it is too small for the voxels. ``apart`` are labels of
    bones that have no share in the ear (dentaries)."""
    labyrinth = find_labyrinth(space, cavity, side)
    return None if labyrinth is None else ear_of(space, labyrinth, side, apart)


def ear_of(space: Space, labyrinth: Labyrinth, side: Side, apart: Collection[int] = ()) -> EarRead | None:
    """Read the ear round a labyrinth; None where the labyrinth is too small for the voxels."""
    if 2 * labyrinth.vestibule_mm < LEAST_VESTIBULE_VOXELS * space.voxel:
        return None
    reasons: dict[str, str] = {}
    oval, round_ = read_windows(space, labyrinth, side, reasons)
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
    volume, own, low = labyrinth_volume(space, labyrinth, lines)
    inner = low + np.argwhere(own) * labyrinth.step
    bodies = [Body("cavity", "bony labyrinth", spread(inner, labyrinth.step, space.voxel), 0.7)]
    middle = None if oval is None else find_middle_ear(space, labyrinth, inner, oval, side, apart)
    states = _states(space, labyrinth, oval, middle, reasons, bodies)
    plate = None
    if oval is not None:
        plate, reasons["footplate"] = footplate_of(space, oval)
    else:
        reasons["footplate"] = "the oval window was not found"
    petrosal, why = find_petrosal(space, labyrinth, inner)
    if petrosal is None:
        reasons["petrosal"] = why
    else:
        bodies.append(Body("bone", "petrosal", spread(petrosal.points, petrosal.step, space.voxel), 0.5, over=True))
    room = _space_volume(space, middle, reasons)
    ear = Ear(
        side,
        inner.mean(0),
        volume,
        oval,
        round_,
        ratio,
        None if coil is None else coil[0],
        radii,
        states,
        {k: v for k, v in reasons.items() if v},
        cochlea_length_mm=None if coil is None else coil[1],
        lines=lines,
        footplate_mm2=plate,
        middle_ear_mm3=room,
        walled_share=None if middle is None else middle.walled,
        floor_share=None if middle is None else middle.floor,
        middle=None if middle is None else middle.middle,
        petrosal_contrast=None if petrosal is None else petrosal.contrast,
    )
    return EarRead(ear, tuple(bodies))


def _states(
    space: Space,
    labyrinth: Labyrinth,
    oval: Opening | None,
    middle: MiddleEar | None,
    reasons: dict[str, str],
    bodies: list[Body],
) -> dict[str, EarState]:
    """States of the three ossicles; those that hang free and the middle-ear space are added to ``bodies``."""
    state, reasons["stapes"] = stapes_state(space, oval)
    states: dict[str, EarState] = {"stapes": state}
    if oval is None or middle is None:
        states |= {"incus": "not_resolved", "malleus": "not_resolved"}
        reasons["incus"] = reasons["malleus"] = "the oval window, outward of which it hangs, was not found"
        return states
    chain = hanging_bones(space, middle, free_bodies(space, middle), oval, labyrinth.vestibule_mm)
    reasons.update(chain.reasons)
    bodies += [Body("ossicle", name, points, 0.7, over=True) for name, points in chain.points.items()]
    if middle.enclosed:
        points = middle.block.point(np.argwhere(middle.within))
        bodies.append(Body("cavity", "tympanic cavity", spread(points, middle.block.step, space.voxel), 0.6))
    return {**states, **chain.states}


def _space_volume(space: Space, middle: MiddleEar | None, reasons: dict[str, str]) -> Value | None:
    """The middle-ear space's volume; where bone walls it too little, None, and why in ``reasons``."""
    if middle is None:
        reasons["middle_ear_mm3"] = "the oval window, outward of which it lies, was not found"
        return None
    if not middle.enclosed:
        reasons["middle_ear_mm3"] = (
            "it is cut by the edge of the scan"
            if middle.cut
            else f"bone walls it in {100 * middle.walled:.0f} % of directions only, and nothing else closes it in a "
            "dry skull"
        )
        return None
    within, step = middle.within, middle.block.step
    faces = float((within & binary_dilation(~within)).sum()) * step**2
    return Value(middle.volume_mm3, faces * max(0.1 * space.blur_mm, 0.05 * step))


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
    if ear.middle_ear_mm3 is not None:
        out["volume of the middle ear"] = (ear.middle_ear_mm3.value, ear.middle_ear_mm3.error, "mm3")
    for name, window in (("oval window area", ear.oval), ("round window area", ear.round)):
        if window is not None:
            out[name] = (window.area_mm2.value, window.area_mm2.error, "mm2")
    return out
