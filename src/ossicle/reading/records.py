"""What a reading says: plain frozen records, arrays in, records out.

Scan coordinates are (x, y, z) in mm of a voxel centre, index (x, y, z) times spacing, origin at the first voxel.
Skull coordinates have their origin on the midplane at the back of the premaxillae, +x to the specimen's left,
+y dorsal, +z rostral, in mm. Left and right are the animal's.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from ossicle.scans.model import ArrayLike3D

if TYPE_CHECKING:
    from .structures.records import Structures

__all__ = [
    "Completeness",
    "Emergence",
    "Generation",
    "Ground",
    "Jaw",
    "Part",
    "PartKind",
    "Pose",
    "Progress",
    "Reading",
    "Row",
    "RowStrip",
    "ScanStatistics",
    "Side",
    "ToothClass",
    "ToothObservation",
    "ToothRecord",
]

Jaw = Literal["upper", "lower"]
Side = Literal["left", "right"]
ToothClass = Literal["incisor", "canine", "premolar", "molar"]
Generation = Literal["deciduous", "permanent", "unreplaced"]
Emergence = Literal["in_crypt", "erupting", "erupted"]
Completeness = Literal["complete", "cut_by_scan_edge", "broken", "worn", "forming"]
PartKind = Literal["bone", "tooth", "cavity", "opening", "ossicle", "fragment", "foreign"]
Progress = Callable[[str, float], None]
"""Called with a stage name and the share of the whole reading done, 0 to 1; may raise ``Cancelled``."""

Vector = tuple[float, float, float]
FloatArray = npt.NDArray[np.floating]


@dataclass(frozen=True)
class Calibration:
    """grey = ``zero`` + ``slope`` x density (g/cm3 hydroxyapatite); ``error`` is the residual standard deviation in
    g/cm3, ``rods`` how many there are."""

    zero: float
    slope: float
    error: float
    rods: int

    def density(self, grey: float) -> float:
        """Return the density of a grey, g/cm3."""
        return (grey - self.zero) / self.slope


@dataclass(frozen=True)
class ScanStatistics:
    """What the scan itself tells of its greys; all greys in stored grey values, lengths in mm."""

    air: float
    soft: float | None
    bone: float
    dentine: float
    enamel: float | None
    noise_sigma: float
    blur_sigma_mm: float
    contrast_to_noise: float
    wet: bool = False
    calibration: Calibration | None = None
    """What greys mean as densities, where a phantom stood in the scan."""


@dataclass(frozen=True)
class Ground:
    """What a place of the scan is read again with, as all of it was: stored greys that became 0 and 1, the Gaussian
    sigma of the smoothing (voxels of the working grid), how many voxels of the scan a voxel of the working grid spans
    along an edge, and enamel and noise with bone 1."""

    surround: float
    bone: float
    sigma: float
    factor: float
    enamel: float
    noise: float


@dataclass(frozen=True)
class Pose:
    """Where the skull stands in the scan.

    ``scan_to_skull`` is a 4x4 rigid transform of scan mm (x, y, z, 1) into skull mm; its determinant is +1 where the
    scan grid is right-handed and -1 where it is mirrored. ``confidence`` and the two signs run 0 to 1; ``questions``
    hold what a person should settle.
    """

    scan_to_skull: FloatArray
    confidence: float
    up_confidence: float
    front_confidence: float
    found: bool
    questions: tuple[str, ...] = ()


@dataclass(frozen=True)
class ToothObservation:
    """One isolated tooth as measured, before it has a name. Vectors in skull coordinates, mm.

    ``arc_mm`` runs along the fitted row of its quadrant from the midline backwards; ``offset_mm`` is across the row,
    positive towards the cheek; ``depth_mm`` is how far the crown's centre lies beyond the alveolar margin (negative:
    within bone). ``axis`` points from root to crown tip. ``root_fraction`` is the share of a full root that exists
    (0: crown only). ``mineralised`` is the mean grey of the crown relative to the specimen's mature enamel (about 1)
    and dentine (0). ``in_premaxilla`` is the probability that the tooth stands in the premaxilla, or None where the
    suture does not show.
    """

    part: int
    jaw: Jaw
    side: Side
    arc_mm: float
    offset_mm: float
    depth_mm: float
    centroid_skull_mm: Vector
    crown_centroid_skull_mm: Vector
    axis: Vector
    length_mm: float
    width_mm: float
    crown_height_mm: float
    volume_mm3: float
    crown_volume_mm3: float
    enamel_volume_mm3: float
    emergence_fraction: float
    root_fraction: float
    root_count: int | None
    cusp_count: int | None
    mineralised: float
    in_premaxilla: float | None
    touches_edge: bool
    detection: float
    """Probability 0 to 1 that this object is a tooth at all (and one tooth)."""
    occlusal_spread: float | None = None
    """How widely the crown's high parts lie apart, 0 to 1 (`measures.roots.occlusal_spread`); None where not known."""
    deciduous: float | None = None
    """Chance 0 to 1, by the look of its voxels, to be deciduous and not permanent; None where not known."""
    form: tuple[float, float, float, float] | None = None
    """Chances, by the look of its voxels, to be incisor, canine, premolar, molar; None where not known."""


@dataclass(frozen=True)
class ToothRecord:
    """One tooth with its name. Sizes in mm and mm3; ``centroid_mm_xyz`` in scan mm."""

    part: int
    name: str
    jaw: Jaw
    side: Side
    tooth_class: ToothClass
    position: int
    generation: Generation
    emergence: Emergence
    emergence_fraction: float
    completeness: Completeness
    replaces: int | None
    replaced_by: int | None
    centroid_mm_xyz: Vector
    length_mm: float
    width_mm: float
    crown_height_mm: float
    volume_mm3: float
    enamel_volume_mm3: float
    confidence: float
    locus_confidence: float
    detection_confidence: float
    decided_by: Literal["computed", "person"] = "computed"
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True)
class RowStrip:
    """The volume unrolled along a fitted row.

    ``projection`` is the greatest grey value across the row's thickness, float32 of shape (height, along);
    ``section`` the grey values on the row's own surface, same shape; ``spacing_mm`` is the side of a pixel. Column 0
    is at the midline; row 0 is beyond the crowns of an upper row's root side, so that crowns point down in an upper
    strip and up in a lower one. ``parts`` is the int32 part label on the same grid as ``section`` (0: none).
    """

    projection: npt.NDArray[np.float32]
    section: npt.NDArray[np.float32]
    parts: npt.NDArray[np.int32]
    spacing_mm: float


@dataclass(frozen=True)
class Row:
    """One quadrant's tooth row. ``curve_skull_mm`` is (n, 3), from the midline backwards."""

    jaw: Jaw
    side: Side
    curve_skull_mm: FloatArray
    parts: tuple[int, ...]
    strip: RowStrip | None = None


@dataclass(frozen=True)
class Part:
    """One labelled structure of the label volume. ``centroid_mm_xyz`` in scan mm."""

    part: int
    kind: PartKind
    term: str
    side: Side | Literal["midline"] | None
    volume_mm3: float
    centroid_mm_xyz: Vector
    confidence: float


VacancyState = Literal["empty_alveolus", "gap", "closed"]


@dataclass(frozen=True)
class Vacancy:
    """A place in a row without a tooth.

    ``name`` is the locus (or None: a pit where the formula calls for no tooth), ``before`` and ``behind`` the parts of
    the teeth on either side (None at the ends), ``gap_mm`` the way between their crowns, ``middle`` a place in skull
    mm; ``pits`` how many pits lie there and ``depth_mm`` the deepest one's depth.
    """

    jaw: Jaw
    side: Side
    name: str | None
    state: VacancyState
    before: int | None
    behind: int | None
    gap_mm: float | None
    pits: int
    depth_mm: float | None
    middle: Vector
    confidence: float


@dataclass(frozen=True)
class Reading:
    """All that was read from one scan of one specimen.

    ``labels`` is int32 (z, y, x) on the scan's own grid, 0 where there is no part: in memory, or worked out or read
    where they are asked for. ``dentition`` names the template
    whose loci fit best, ``dentition_confidence`` 0 to 1, and ``dentition_candidates`` (name, probability) pairs in
    falling order. ``formula`` counts erupted and erupting teeth per quadrant: ``{"upper_left": {"I": 3, ...}, ...}``.
    """

    labels: ArrayLike3D
    statistics: ScanStatistics
    pose: Pose
    parts: tuple[Part, ...]
    teeth: tuple[ToothRecord, ...]
    rows: tuple[Row, ...]
    formula: Mapping[str, Mapping[str, int]]
    dentition: str | None
    dentition_confidence: float
    dentition_candidates: tuple[tuple[str, float], ...]
    views: Mapping[str, npt.NDArray[np.float32]] = field(default_factory=dict)
    """Greatest-grey projections of the head in skull pose, by anatomical view name (``lateral left``, ``dorsal``,
    ``ventral``).
    """
    view_spacing_mm: float = 0.0
    stages: Mapping[str, float] = field(default_factory=dict)
    """Seconds by stage name."""
    warnings: tuple[str, ...] = ()
    enamel: ArrayLike3D | None = None
    """Which voxels of teeth are enamel, on the grid of ``labels``; None where no tooth was found."""
    observations: tuple[ToothObservation, ...] = ()
    """What was measured of each tooth before it was named, in skull coordinates; empty where it was not kept."""
    ground: Ground | None = None
    """How a place is read again (`ossicle.reading.local`); None where it was not kept."""
    structures: Structures | None = None
    """Palate, jaw, ear and braincase, in skull coordinates; None where they were not looked for."""
    vacancies: tuple[Vacancy, ...] = ()
    """Places in the rows without a tooth."""
