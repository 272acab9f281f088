"""Palate, jaw, ear and braincase of one specimen, and what of them the scan does not hold."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from ..elements import Element
from ..greys import Normalised
from ..hints import PlaceLandmark
from ..records import Pose, ScanStatistics, Side, ToothRecord
from ..working_grid import WorkingGrid
from .asymmetry import asymmetries
from .braincase import Cavity, read_braincase
from .dental import LEAST_ENAMEL_VOXELS, enamel_of_crowns, sections_of_crowns
from .dental_cusps import cusps_of_crowns
from .ear import EarRead, read_ear
from .gallery import looks_of
from .jaw import jaw_frame, read_jaw
from .lengths import Ruler, cranial_lengths, jaw_lengths, row_lengths
from .lengths_placed import marks_at, with_placed
from .loci import StandingTooth, standing_teeth
from .nose import find_nose
from .occiput import condyle_breadth
from .painting import Painter
from .palate import read_palate
from .records import Braincase, Ear, JawHalf, Measured, NasalCavity, Palate, Structures, Suture, openings_of
from .space import Space, spread
from .surface import surface_points
from .sutures import read_suture

__all__ = ["read_structures", "structures_of"]

FloatArray = npt.NDArray[np.float64]
T = TypeVar("T")
SIDES: tuple[Side, Side] = ("left", "right")
LEAST_SHARE = 0.02
"""A dentary of less than this share of the cranium's volume is a piece. Common practice, no source."""

MOST_UNEVEN = 0.2
"""By how much of the braincase's radius the labyrinths of both sides may be out of mirror. Common practice, no source.
"""

NO_POSE = "The pose of the skull was not found, so nothing is said of palate, jaw, ear region or braincase."
NO_SUTURES = (
    "The elements of the cranium are not parted from each other in this reading; it is described as one piece but for "
    "what is said of single sutures and the petrosal, and what needs other sutures (nasal length, the element that "
    "floors the middle ear) is left out."
)


def structures_of(
    normal: Normalised,
    labels: npt.NDArray[np.int32],
    grid: WorkingGrid,
    pose: Pose,
    elements: Sequence[Element],
    teeth: Sequence[ToothRecord],
    statistics: ScanStatistics,
    placed: Sequence[PlaceLandmark] = (),
    threads: int = 1,
) -> tuple[Structures, npt.NDArray[np.int32], list[Element]]:
    """Read all structures from a normalised volume and its labels, both (z, y, x).

    Returns the structures, the labels with cavities and openings added, and what was added.

    ``pose`` is of the whole scan, of which ``grid`` is a part; ``placed`` are landmarks that a person placed (scan mm).
    """
    to_skull = np.asarray(pose.scan_to_skull, float)
    marks = {p.name: to_skull[:3, :3] @ np.array(p.point_mm) + to_skull[:3, 3] for p in placed}
    if not pose.found:
        return Structures(absent=(NO_POSE,), landmarks=marks), labels, []
    shift = np.eye(4)
    shift[:3, 3] = grid.offset_mm_xyz
    voxel = float(np.cbrt(np.prod(grid.spacing_mm_zyx)))
    space = Space(
        normal.values,
        labels,
        grid.spacing_mm_zyx,
        to_skull @ shift,
        float(np.hypot(statistics.blur_sigma_mm, normal.sigma * voxel)),
        normal.noise,
    )
    bones = {(e.term, e.side): e.label for e in elements if e.kind == "bone"}
    return read_structures(
        space,
        teeth,
        cranium=next((label for (term, _), label in bones.items() if term == "cranium"), None),
        dentaries={side: bones["dentary", side] for side in SIDES if ("dentary", side) in bones},
        tilt_deg=0.5 + 4.0 * (1 - pose.confidence),
        enamel=normal.enamel,
        placed=marks,
        threads=threads,
    )


def read_structures(
    space: Space,
    teeth: Sequence[ToothRecord],
    *,
    cranium: int | None,
    dentaries: Mapping[Side, int],
    tilt_deg: float = 1.0,
    enamel: float | None = None,
    placed: Mapping[str, FloatArray] | None = None,
    threads: int = 1,
) -> tuple[Structures, npt.NDArray[np.int32], list[Element]]:
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
    enamel
        Grey of mature enamel (surround 0, bone 1); None leaves its thickness out.
    placed
        Landmarks (skull mm) that a person placed; they stand in for those found, and measures of the cranium are taken
        from them. Others that this reading does not look for are kept beside them.
    threads
        How many may be used; the ears are read side by side.
    """
    standing = standing_teeth(space, teeth)
    ruler = Ruler(space, tilt_deg)
    absent: list[str] = []
    painter = Painter.on(space)
    jaws = _jaws(space, dentaries, cranium, standing, placed or {}, absent)
    head = _Head()
    if cranium is None:
        absent.append("No cranium lies in the scan, so nothing is said of palate, ear region or braincase.")
    else:
        apart = (*dentaries.values(), *(t.part for t in teeth if t.jaw == "lower"))
        head = _head(ruler, cranium, apart, standing, placed or {}, painter, absent, threads)
    caps = {} if enamel is None else enamel_of_crowns(space, standing, teeth, enamel)
    if enamel is not None and standing and not caps:
        absent.append(
            f"Enamel thickness is told where it spans {LEAST_ENAMEL_VOXELS:g} voxels; in no whole crown it does."
        )
    cusps = cusps_of_crowns(space, standing, teeth)
    measured = [*head.measured, *jaw_lengths(jaws), *row_lengths(ruler, standing)]
    measured = with_placed(measured, placed or {}, ruler, jaws)
    jaws = [replace(j, mental=painter.openings(j.mental)) for j in jaws]
    openings = openings_of(head.palate, head.brain, head.ears, jaws)
    laid = replace(space, labels=painter.labels)
    pictures = looks_of(laid, head.palate, jaws, head.ears, head.brain, head.nose, head.sutures, measured)
    found = Structures(
        head.palate,
        tuple(jaws),
        head.ears,
        head.brain,
        tuple(measured),
        {**head.marks, **_jaw_marks(jaws), **marks_at(measured), **(placed or {})},
        asymmetries(openings, jaws, head.ears, measured, teeth, space.voxel, caps, cusps),
        tuple(absent),
        pictures,
        _bones(cranium, dentaries),
        caps,
        {} if enamel is None else sections_of_crowns(space, standing, caps, enamel),
        cusps,
        head.nose,
        head.sutures,
    )
    return found, painter.labels, painter.elements


@dataclass(frozen=True)
class _Head:
    """What is read of a cranium."""

    palate: Palate | None = None
    brain: Braincase | None = None
    ears: tuple[Ear, ...] = ()
    nose: NasalCavity | None = None
    sutures: tuple[Suture, ...] = ()
    measured: tuple[Measured, ...] = ()
    marks: Mapping[str, FloatArray] = field(default_factory=dict)


def _head(
    ruler: Ruler,
    cranium: int,
    apart: Collection[int],
    standing: Sequence[StandingTooth],
    placed: Mapping[str, FloatArray],
    painter: Painter,
    absent: list[str],
    threads: int,
) -> _Head:
    space = ruler.space
    palate = _tried("palate", partial(read_palate, space, standing, cranium), absent)
    if palate is None:
        absent.append("The palate was not read: it needs two cheek teeth in place on either side.")
    unread = Braincase(None, None, None, "it could not be read")
    brain, cavity = _tried("braincase", partial(read_braincase, space, cranium), absent) or (unread, None)
    if brain.volume_mm3 is None:
        absent.append(f"The endocranial volume is not told: {brain.reason}.")
    if brain.magnum is None and cavity is not None:
        absent.append("The foramen magnum was not found as an opening that bone closes all round.")
    heard = _ears(space, cavity, apart, absent, threads)
    skin = surface_points(space, cranium)
    measured, marks = cranial_lengths(ruler, skin, cavity, brain.magnum, palate, standing, placed)
    if brain.magnum is not None:
        across = condyle_breadth(ruler, skin, brain.magnum)
        measured += [] if across is None else [across]
    nose = _nose(space, cranium, palate, cavity, apart, painter, absent)
    absent.append(NO_SUTURES)
    if palate is not None:
        palate = replace(palate, openings=painter.openings(palate.openings))
    if brain.magnum is not None:
        brain = replace(brain, magnum=painter.opening(brain.magnum))
    if cavity is not None and brain.volume_mm3 is not None:
        brain = replace(brain, part=painter.cavity(cavity))
    ears = tuple(painter.ear(read, cranium) for read in heard)
    read = (_tried(f"{side} suture", partial(read_suture, space, cranium, standing, side), absent) for side in SIDES)
    sutures = tuple(s for s in read if s is not None)
    return _Head(palate, brain, ears, nose, sutures, tuple(measured), marks)


def _nose(
    space: Space,
    cranium: int,
    palate: Palate | None,
    cavity: Cavity | None,
    apart: Collection[int],
    painter: Painter,
    absent: list[str],
) -> NasalCavity:
    if palate is None or cavity is None:
        found = NasalCavity(None, None, "it is looked for between palate and braincase, which were not both found")
    else:
        read = partial(find_nose, space, cranium, palate, cavity, apart)
        nose, why = _tried("nasal cavity", read, absent) or (None, "it could not be read")
        if nose is None:
            found = NasalCavity(None, None, why)
        else:
            points = spread(nose.points, nose.block.step, space.voxel)
            part = painter.cells(points, "cavity", "nasal cavity", "midline", 0.8)
            found = NasalCavity(nose.volume_mm3, nose.points.mean(0), part=part)
    if found.volume_mm3 is None:
        absent.append(f"The volume of the nasal cavity is not told: {found.reason}.")
    return found


def _jaw_marks(jaws: Sequence[JawHalf]) -> dict[str, FloatArray]:
    """Landmarks of the dentaries."""
    marks: dict[str, FloatArray] = {}
    for j in jaws:
        for name, point in (("condyle", j.condyle), ("coronoid process", j.coronoid)):
            if point is not None:
                marks[f"{name} {j.side}"] = point
        if j.angle is not None and j.angle.tip is not None and j.angle.base is not None:
            marks[f"angular process, base {j.side}"] = j.angle.base
            marks[f"angular process, tip {j.side}"] = j.angle.tip
    return marks


def _tried(what: str, read: Callable[[], T], absent: list[str]) -> T | None:
    """What ``read`` returns; where its sums fail, None and a sentence: a reading of many minutes is not lost."""
    try:
        return read()
    except (ArithmeticError, IndexError, ValueError, np.linalg.LinAlgError) as error:
        absent.append(f"The {what} could not be read, for a fault of this program ({type(error).__name__}: {error}).")
        return None


def _bones(cranium: int | None, dentaries: Mapping[Side, int]) -> dict[str, int]:
    out = {f"{side} dentary": part for side, part in dentaries.items()}
    if cranium is not None:
        out["cranium"] = cranium
    return out


def _jaws(
    space: Space,
    dentaries: Mapping[Side, int],
    cranium: int | None,
    standing: Sequence[StandingTooth],
    placed: Mapping[str, FloatArray],
    absent: list[str],
) -> list[JawHalf]:
    frame = jaw_frame(standing)
    found = []
    for side, part in dentaries.items():
        read = partial(read_jaw, space, part, side, list(dentaries), frame, cranium, standing, placed)
        half = _tried(f"{side} dentary", read, absent)
        if half is not None:
            found.append(half)
    if not found:
        absent.append("No dentary was found in the scan, so nothing is said of the lower jaw, its angle or its joint.")
    elif len(found) == 1:
        side = "right" if found[0].side == "left" else "left"
        absent.append(f"No {side} dentary was found in the scan; nothing is said of it.")
    for half in found:
        for remark in half.remarks:
            absent.append(f"The {half.side} dentary: {remark}; its length is not told.")
    return found


def _ears(
    space: Space, cavity: Cavity | None, apart: Collection[int], absent: list[str], threads: int
) -> list[EarRead]:
    if cavity is None:
        absent.append("The ear region was not read: it is looked for beside the braincase, which was not found.")
        return []
    found = {}

    def read(side: Side) -> tuple[EarRead | None, list[str]]:
        faults: list[str] = []
        return _tried(f"{side} ear", partial(read_ear, space, cavity, side, apart), faults), faults

    with ThreadPoolExecutor(max(1, min(len(SIDES), threads))) as pool:
        read_ears = list(pool.map(read, SIDES))
    for side, (ear, faults) in zip(SIDES, read_ears, strict=True):
        absent += faults
        if ear is None:
            absent.append(
                f"The {side} labyrinth was not found; nothing is said of the {side} ear, which is not to say that it "
                "has none."
            )
        else:
            found[side] = ear
    if len(found) == 2:
        left, right = (found[side].ear.centre for side in SIDES)
        if float(np.linalg.norm(left * [-1.0, 1.0, 1.0] - right)) > MOST_UNEVEN * cavity.depth_mm:
            absent.append(
                "What may be the labyrinths does not lie at the same place on both sides, so neither is taken for one: "
                "the ear region is not resolved in this scan."
            )
            return []
    return list(found.values())
