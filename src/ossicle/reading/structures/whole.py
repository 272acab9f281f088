"""Palate, jaw, ear and braincase of one specimen, and what of them the scan does not hold."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from ..records import Part, Pose, ScanStatistics, Side, ToothRecord
from .asymmetry import asymmetries
from .braincase import Cavity, read_braincase
from .ear import read_ear
from .jaw import jaw_frame, read_jaw
from .lengths import Ruler, cranial_lengths, jaw_lengths, row_lengths
from .loci import StandingTooth, standing_teeth
from .palate import read_palate
from .records import Braincase, Ear, JawHalf, Opening, Palate, Structures
from .space import Space
from .surface import surface_points

__all__ = ["openings_of", "read_structures", "structures_of"]

FloatArray = npt.NDArray[np.float64]
SIDES: tuple[Side, Side] = ("left", "right")
LEAST_SHARE = 0.02
"""A dentary of less than this share of the cranium's volume is a piece. Common practice, no source."""

NO_POSE = "The pose of the skull was not found, so nothing is said of palate, jaw, ear region or braincase."
NO_SUTURES = (
    "The elements of the cranium are not told apart in this reading; it is described as one piece, and what needs a "
    "suture (nasal length, the element that floors the middle ear) is left out."
)


def structures_of(
    values: npt.NDArray[np.float32],
    labels: npt.NDArray[np.int32],
    spacing_mm_zyx: tuple[float, float, float],
    pose: Pose,
    parts: Sequence[Part],
    teeth: Sequence[ToothRecord],
    statistics: ScanStatistics,
    noise: float,
    smoothing: float = 0.6,
) -> Structures:
    """Read all structures from a normalised volume (surround 0, bone 1) and its labels, both (z, y, x).

    ``smoothing`` (voxels, standard deviation) and ``noise`` are those of ``values``; ``pose`` is of the same grid.
    """
    if not pose.found:
        return Structures(absent=(NO_POSE,))
    voxel = float(np.cbrt(np.prod(spacing_mm_zyx)))
    space = Space(
        values,
        labels,
        spacing_mm_zyx,
        np.asarray(pose.scan_to_skull, float),
        float(np.hypot(statistics.blur_sigma_mm, smoothing * voxel)),
        noise,
    )
    bones = {(p.term, p.side): p for p in parts if p.kind == "bone"}
    return read_structures(
        space,
        teeth,
        cranium=next((p.part for (term, _), p in bones.items() if term == "cranium"), None),
        dentaries={side: bones["dentary", side].part for side in SIDES if ("dentary", side) in bones},
        tilt_deg=0.5 + 4.0 * (1 - pose.confidence),
    )


def read_structures(
    space: Space,
    teeth: Sequence[ToothRecord],
    *,
    cranium: int | None,
    dentaries: Mapping[Side, int],
    tilt_deg: float = 1.0,
) -> Structures:
    """Read all structures of a specimen whose bones are labelled.

    Parameters
    ----------
    space
        Greys, labels and pose.
    teeth
        Teeth with their loci.
    cranium, dentaries
        Labels; None, or a side left out, where the scan does not hold the bone.
    tilt_deg
        By how much the pose may be off (degrees, standard deviation); it enters the errors of lengths.
    """
    standing = standing_teeth(space, teeth)
    ruler = Ruler(space, tilt_deg)
    absent: list[str] = []
    jaws = _jaws(space, dentaries, standing, absent)
    palate: Palate | None = None
    brain: Braincase | None = None
    ears: list[Ear] = []
    measured = []
    marks: dict[str, FloatArray] = {}
    if cranium is None:
        absent.append("No cranium lies in the scan, so nothing is said of palate, ear region or braincase.")
    else:
        palate = read_palate(space, standing, cranium)
        if palate is None:
            absent.append("The palate was not read: it needs two cheek teeth in place on either side.")
        brain, cavity = read_braincase(space, cranium)
        if brain.volume_mm3 is None:
            absent.append(f"The endocranial volume is not told: {brain.reason}.")
        if brain.magnum is None and cavity is not None:
            absent.append("The foramen magnum was not found as an opening that bone closes all round.")
        ears = _ears(space, cavity, absent)
        skin = surface_points(space, cranium)
        measured, marks = cranial_lengths(ruler, skin, cavity, brain.magnum, palate, standing)
        absent.append(NO_SUTURES)
    measured += [*jaw_lengths(jaws), *row_lengths(ruler, standing)]
    for j in jaws:
        for name, point in (("condyle", j.condyle), ("coronoid process", j.coronoid)):
            if point is not None:
                marks[f"{name} {j.side}"] = point
        if j.angle is not None and j.angle.tip is not None and j.angle.base is not None:
            marks[f"angular process, base {j.side}"] = j.angle.base
            marks[f"angular process, tip {j.side}"] = j.angle.tip
    openings = openings_of(palate, brain, ears)
    return Structures(
        palate,
        tuple(jaws),
        tuple(ears),
        brain,
        tuple(measured),
        marks,
        asymmetries(openings, jaws, ears, measured, teeth, space.voxel),
        tuple(absent),
    )


def openings_of(palate: Palate | None, brain: Braincase | None, ears: Sequence[Ear]) -> list[Opening]:
    """All openings: of the palate, the foramen magnum, the windows."""
    out = list(palate.openings) if palate is not None else []
    if brain is not None and brain.magnum is not None:
        out.append(brain.magnum)
    return out + [w for e in ears for w in (e.oval, e.round) if w is not None]


def _jaws(
    space: Space, dentaries: Mapping[Side, int], standing: Sequence[StandingTooth], absent: list[str]
) -> list[JawHalf]:
    frame = jaw_frame(standing)
    found = []
    for side, part in dentaries.items():
        half = read_jaw(space, part, side, standing, list(dentaries), frame)
        if half is not None:
            found.append(half)
    if not found:
        absent.append("No dentary was found in the scan, so nothing is said of the lower jaw, its angle or its joint.")
    elif len(found) == 1:
        side = "right" if found[0].side == "left" else "left"
        absent.append(f"No {side} dentary was found in the scan; nothing is said of it.")
    for half in found:
        if half.cut:
            absent.append(f"The {half.side} dentary is cut by the edge of the scan: its length is not told.")
    return found


def _ears(space: Space, cavity: Cavity | None, absent: list[str]) -> list[Ear]:
    if cavity is None:
        absent.append("The ear region was not read: it is looked for beside the braincase, which was not found.")
        return []
    found = []
    for side in SIDES:
        ear = read_ear(space, cavity, side)
        if ear is None:
            absent.append(
                f"The {side} labyrinth was not found; nothing is said of the {side} ear, which is not to say that it "
                "has none."
            )
        else:
            found.append(ear)
    return found
