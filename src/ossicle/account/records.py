"""What an account says: plain frozen records, as they stand in ``account.json``.

Lengths in mm, volumes in mm3. Scan coordinates are (x, y, z) mm of a voxel centre; skull coordinates have +x
to the specimen's left, +y dorsal, +z rostral.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from ossicle.reading.records import Part, ToothRecord

__all__ = [
    "REGIONS",
    "SCHEMA",
    "Account",
    "Evidence",
    "Finding",
    "FormulaFacts",
    "MadeBy",
    "PoseFacts",
    "Presence",
    "Region",
    "ScanFacts",
    "Source",
    "StageFacts",
    "Standing",
    "View",
]

SCHEMA = "ossicle-account/1"

Standing = Literal["computed", "agreed", "amended", "disputed"]
Presence = Literal["solid", "veiled", "absent"]
Region = Literal[
    "scan",
    "pose",
    "dentition",
    "teeth",
    "formula",
    "replacement",
    "stage",
    "completeness",
    "palate",
    "jaw",
    "ear",
    "braincase",
    "measurements",
    "asymmetry",
]
REGIONS: Mapping[Region, str] = {
    "scan": "Scan",
    "pose": "Pose",
    "dentition": "Dentition",
    "teeth": "Each tooth",
    "formula": "Dental formula",
    "replacement": "Replacement",
    "stage": "Growth stage",
    "completeness": "Completeness",
    "palate": "Palate",
    "jaw": "Lower jaw",
    "ear": "Ear region",
    "braincase": "Braincase and face",
    "measurements": "Measurements",
    "asymmetry": "Left against right",
}
"""The regions of an account in reading order, with their headings."""

Vector = tuple[float, float, float]
JsonValue = Any


@dataclass(frozen=True)
class Source:
    """A file that the scan came from. ``sha256`` is None where it was not taken."""

    name: str
    sha256: str | None


@dataclass(frozen=True)
class ScanFacts:
    """The scan as read. ``handedness`` says whether the source stated it or whether it was taken for
    granted."""

    shape_zyx: tuple[int, int, int]
    spacing_mm_zyx: Vector
    sources: tuple[Source, ...] = ()
    grey_unit: str = "grey value"
    handedness: Literal["stated", "assumed", "mirrored"] = "assumed"
    affine_mm: tuple[tuple[float, ...], ...] | None = None
    """4x4, index (x, y, z, 1) to mm as the source file states it; None where it states none."""
    note: str | None = None


@dataclass(frozen=True)
class PoseFacts:
    """4x4 transform of scan mm into skull mm, and how sure it is."""

    scan_to_skull: tuple[tuple[float, ...], ...]
    confidence: float
    found: bool
    questions: tuple[str, ...] = ()


@dataclass(frozen=True)
class StageFacts:
    """Growth stage: ``name`` is None where no published table names it; ``basis`` says what it rests on."""

    name: str | None
    basis: str
    confidence: float | None = None


@dataclass(frozen=True)
class FormulaFacts:
    """Erupted and erupting teeth by class and quadrant, either generation, and the matched dentition.

    ``by_generation`` writes the same with deciduous teeth apart; None where none is in place.
    """

    text: str | None
    by_generation: str | None
    quadrants: Mapping[str, Mapping[str, int]]
    dentition: str | None
    dentition_confidence: float
    candidates: tuple[tuple[str, float], ...]
    stage: StageFacts


@dataclass(frozen=True)
class View:
    """Where to stand to see a finding, in skull coordinates.

    ``look`` is the direction from the eye, ``up`` points up on the page; ``centre_mm`` and ``extent_mm``
    frame it (None: the whole skull). ``presence`` overrides ``others`` by part. ``slice`` names a slice
    plane, such as ``{"along": "row", "quadrant": "upper_left"}``.
    """

    look: Vector
    up: Vector
    caption: str
    centre_mm: Vector | None = None
    extent_mm: float | None = None
    others: Presence = "veiled"
    presence: Mapping[int, Presence] = field(default_factory=dict)
    lift_mm: float = 0.0
    slice: Mapping[str, str] | None = None


@dataclass(frozen=True)
class Evidence:
    """The parts that show a finding, and a view of them."""

    parts: tuple[int, ...] = ()
    view: View | None = None


@dataclass(frozen=True)
class Finding:
    """One claim about a specimen.

    ``id`` is made of what the claim is about (``dentition/upper-left/in-place``), not of part numbers, so
    that it stays the same in another reading. ``method`` is a key of ``methods.toml``. ``confidence`` runs 0
    to 1.
    """

    id: str
    region: Region
    subject: str
    statement: str
    method: str
    confidence: float
    value: JsonValue = None
    unit: str | None = None
    evidence: Evidence = Evidence()
    standing: Standing = "computed"


@dataclass(frozen=True)
class MadeBy:
    """What made the account: version, settings, seconds taken and the greatest memory held, in MB."""

    version: str
    settings: Mapping[str, JsonValue]
    seconds: float | None = None
    peak_mb: float | None = None
    stages: Mapping[str, float] = field(default_factory=dict)
    parts_sha256: str | None = None


@dataclass(frozen=True)
class Account:
    """All findings of a specimen, and the records that they rest on."""

    scan: ScanFacts
    pose: PoseFacts
    teeth: tuple[ToothRecord, ...]
    formula: FormulaFacts
    parts: tuple[Part, ...]
    findings: tuple[Finding, ...]
    warnings: tuple[str, ...]
    made_by: MadeBy
    openings: tuple[Mapping[str, JsonValue], ...] = ()
    jaw: tuple[Mapping[str, JsonValue], ...] = ()
    ear: tuple[Mapping[str, JsonValue], ...] = ()
    measurements: tuple[Mapping[str, JsonValue], ...] = ()
    landmarks: tuple[Mapping[str, JsonValue], ...] = ()
