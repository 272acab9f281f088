"""What was read of palate, jaw, ear and braincase: plain frozen records. Points in skull mm unless a name says scan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from ..records import Side

__all__ = [
    "Angle",
    "Asymmetry",
    "Braincase",
    "Cusps",
    "Ear",
    "EarState",
    "EnamelThickness",
    "JawHalf",
    "Look",
    "Measured",
    "NasalCavity",
    "Opening",
    "Paired",
    "Palate",
    "Structures",
    "Suture",
    "Value",
    "openings_of",
]

Paired = Side | Literal["midline"]
EarState = Literal["present", "absent", "not_resolved"]
FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Cusps:
    """Cusps of one crown: their number, the prominence (mm) that each has at least, their tips (skull mm, n x 3)."""

    count: int
    prominence_mm: float
    tips: FloatArray
    confidence: float


@dataclass(frozen=True)
class EnamelThickness:
    """Average thickness (mm) and relative thickness (no unit), with what they are made of (mm, mm2 or mm3)."""

    average_mm: float
    relative: float
    enamel: float
    junction: float
    dentine: float


@dataclass(frozen=True)
class Value:
    """A number with its standard error, in the unit that the field's name tells. ``error`` holds what voxels, noise
    and pose do; not whether the right structure was found."""

    value: float
    error: float


@dataclass(frozen=True)
class Opening:
    """An opening with the membrane that closes it. ``certain`` (0 to 1) is how sure its name is."""

    term: str
    side: Paired
    area_mm2: Value
    length_mm: Value
    width_mm: Value
    perimeter_mm: float
    centre: FloatArray
    rim: FloatArray
    certain: float
    basis: str
    part: int | None = None


@dataclass(frozen=True)
class Palate:
    """The bony palate: its area with openings closed (mm2), that of the openings as a share, its hind border (z)."""

    openings: tuple[Opening, ...]
    area_mm2: float
    fenestration: float
    hind_border_z: float
    image: npt.NDArray[np.float32]
    image_low: tuple[float, float]
    image_step: float


@dataclass(frozen=True)
class Angle:
    """The angular process: base and tip, inflection (degrees, medial positive), form, and how it looks from behind."""

    form: Literal["shelf", "rod", "absent"]
    inflection_deg: Value | None
    from_behind_deg: float | None
    length_mm: float | None
    base: FloatArray | None
    tip: FloatArray | None
    reason: str = ""


@dataclass(frozen=True)
class JawHalf:
    """One dentary in skull coordinates; points are None where they are not found."""

    side: Side
    part: int
    angle: Angle | None
    condyle: FloatArray | None
    coronoid: FloatArray | None
    front: FloatArray | None
    length_mm: Value | None
    coronoid_height_mm: Value | None
    symphysis: Literal["fused", "open", "other side absent"]
    cut: bool
    remarks: tuple[str, ...] = ()
    mental: tuple[Opening, ...] = ()
    """Mental foramina from front to back; none also where the side has no cheek tooth to place them by."""
    joint_gap_mm: Value | None = None
    """Least distance of the condyle from the cranium; None where either is missing or they hang together."""
    up: FloatArray | None = None
    """Direction (skull, length 1) that points up in the closed jaw."""


@dataclass(frozen=True)
class Ear:
    """One ear. Values are None where they are not resolved; ``reasons`` says why, by field."""

    side: Side
    centre: FloatArray
    labyrinth_mm3: Value | None
    oval: Opening | None
    round: Opening | None
    stapedial_ratio: float | None
    cochlear_turns: Value | None
    canal_radii_mm: Mapping[str, Value]
    ossicles: Mapping[str, EarState]
    reasons: Mapping[str, str] = field(default_factory=dict)
    part: int | None = None
    cochlea_length_mm: Value | None = None
    lines: Mapping[str, FloatArray] = field(default_factory=dict)
    """Middle lines (n, 3) of the cochlea and of the semicircular canals' circles, by name."""
    footplate_mm2: Value | None = None
    middle_ear_mm3: Value | None = None
    walled_share: float | None = None
    """In what share of directions bone walls the middle ear's roomiest place."""
    floor_share: float | None = None
    """In what share of the directions within 60 degrees of straight down bone does."""
    middle: FloatArray | None = None
    """That place."""
    petrosal_contrast: float | None = None
    """By what share the petrosal is brighter than the bone about it; None where it is not told apart."""
    parts: Mapping[str, int] = field(default_factory=dict)
    """Parts by term: bony labyrinth, tympanic cavity, ossicles, petrosal."""


@dataclass(frozen=True)
class Braincase:
    """The endocranial cavity and the foramen magnum."""

    volume_mm3: Value | None
    magnum: Opening | None
    centre: FloatArray | None
    reason: str = ""
    part: int | None = None


@dataclass(frozen=True)
class NasalCavity:
    """The nasal cavity; its volume is None where it is not told, for ``reason``."""

    volume_mm3: Value | None
    centre: FloatArray | None
    reason: str = ""
    part: int | None = None


@dataclass(frozen=True)
class Measured:
    """One linear measure: name (as in the measurement list, with its side), mm, definition's id, end points.

    ``marks`` are the names of its ends as landmarks; ``along`` (skull, length 1) is the direction in which it counts,
    None where it is the plain distance.
    """

    name: str
    definition: str
    value_mm: Value
    ends: tuple[FloatArray, FloatArray]
    side: Side | None = None
    marks: tuple[str, str] = ("", "")
    along: FloatArray | None = None


@dataclass(frozen=True)
class Asymmetry:
    """A paired quantity: left and right, their difference as a share of their mean, and the error of that share."""

    name: str
    left: float
    right: float
    unit: str
    share: float
    error: float


@dataclass(frozen=True)
class Look:
    """A picture that shows a structure.

    ``image`` (row, column) holds greys with surround 0 and bone 1, row 0 at the top; ``step_mm`` is a pixel's side.
    ``lines`` are drawn on it: name and points (n, 2), mm from the upper left corner, across then down.
    """

    title: str
    said: str
    image: npt.NDArray[np.float32]
    step_mm: float
    lines: tuple[tuple[str, FloatArray], ...] = ()


@dataclass(frozen=True)
class Suture:
    """The suture between premaxilla and maxilla of one side: its line (n, 3; skull mm) up from the alveolar margin, and
    by what share it is darker than the bone beside it; None for both where it does not show, for ``reason``.

    ``image`` is the snout's side laid out, its first row at the top and its front at the right, and ``drawn`` the line
    on it (cells across, then down)."""

    side: Side
    points: FloatArray | None = None
    dip: float | None = None
    reason: str = ""
    image: npt.NDArray[np.float32] | None = None
    step: float = 0.0
    drawn: FloatArray | None = None


@dataclass(frozen=True)
class Structures:
    """All of it. ``absent`` holds sentences of what the scan does not hold, or what was not resolved."""

    palate: Palate | None = None
    jaws: tuple[JawHalf, ...] = ()
    ears: tuple[Ear, ...] = ()
    braincase: Braincase | None = None
    measured: tuple[Measured, ...] = ()
    landmarks: Mapping[str, FloatArray] = field(default_factory=dict)
    asymmetries: tuple[Asymmetry, ...] = ()
    absent: tuple[str, ...] = ()
    pictures: Mapping[str, Look] = field(default_factory=dict)
    bones: Mapping[str, int] = field(default_factory=dict)
    """Parts by name, such as ``left dentary``."""
    enamel: Mapping[int, EnamelThickness] = field(default_factory=dict)
    """Enamel thickness by part, of crowns where it is resolved."""
    enamel_sections: Mapping[int, EnamelThickness] = field(default_factory=dict)
    """The same in one section of each of them."""
    cusps: Mapping[int, Cusps] = field(default_factory=dict)
    """Cusps by part, of whole erupted cheek teeth."""
    nose: NasalCavity | None = None
    sutures: tuple[Suture, ...] = ()


def openings_of(
    palate: Palate | None, brain: Braincase | None, ears: Sequence[Ear], jaws: Sequence[JawHalf] = ()
) -> list[Opening]:
    """All openings: of the palate, the foramen magnum, the windows, the mental foramina."""
    out = list(palate.openings) if palate is not None else []
    if brain is not None and brain.magnum is not None:
        out.append(brain.magnum)
    out += [w for e in ears for w in (e.oval, e.round) if w is not None]
    return out + [o for j in jaws for o in j.mental]
