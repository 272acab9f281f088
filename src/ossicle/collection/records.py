"""What the collection gives back: plain frozen records, fit to be shown to anyone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Generic, Literal, TypeVar

__all__ = ["AttachmentInfo", "DataChange", "Job", "JobState", "Page", "ReadingInfo", "ScanInfo", "Specimen"]

T = TypeVar("T")
JobState = Literal["waiting", "running", "done", "failed", "cancelled"]


@dataclass(frozen=True)
class DataChange:
    """One change of a specimen's catalogue data: ``fields`` holds, by name, what it was and what it is since.

    Of a sensitive locality only that it changed is told, unless the exact values were asked for.
    """

    version: int
    who: str
    at: str
    fields: Mapping[str, tuple[Any, Any]]


@dataclass(frozen=True)
class Specimen:
    """A specimen. ``terms`` are Darwin Core terms that may be shown, the locality generalised where it is sensitive.

    ``version`` counts changes of the catalogue data; give it back with a change, so that none is overwritten unseen.
    """

    id: int
    catalog_number: str
    scientific_name: str
    sex: str
    life_stage: str
    terms: Mapping[str, Any]
    human_remains: bool
    version: int
    scans: int = 0
    readings: int = 0
    decisions: int = 0


@dataclass(frozen=True)
class ScanInfo:
    """A scan of a specimen. ``box_zyx`` is where the specimen lies in it, None for the whole."""

    id: int
    key: str
    name: str
    shape_zyx: tuple[int, ...]
    spacing_mm_zyx: tuple[float, ...]
    grey_unit: str
    calibration: Mapping[str, Any]
    scanner: Mapping[str, Any]
    sources: tuple[Mapping[str, Any], ...]
    source_kept: str
    warnings: tuple[str, ...]
    added: str
    content_sha256: str
    box_zyx: tuple[tuple[int, int], ...] | None = None


@dataclass(frozen=True)
class ReadingInfo:
    """A reading: its number within the specimen, what it was made with, and what it cost."""

    number: int
    uid: str
    scan_key: str
    settings: Mapping[str, Any]
    code_version: str
    seconds: float
    peak_mb: float
    heeded: tuple[int, ...]
    at: str


@dataclass(frozen=True)
class AttachmentInfo:
    """A file kept with a specimen."""

    id: int
    name: str
    sha256: str
    bytes: int
    note: str
    added: str


@dataclass(frozen=True)
class Job:
    """Long work and where it stands; ``share`` runs 0 to 1."""

    id: int
    kind: str
    specimen_id: int
    uid: str
    state: JobState
    stage: str
    share: float
    message: str
    who: str
    settings: Mapping[str, Any] = field(default_factory=dict)
    queued: str = ""
    started: str = ""
    ended: str = ""


@dataclass(frozen=True)
class Page(Generic[T]):
    """One page of a list. ``number`` counts from 1; ``total`` is of all pages."""

    items: tuple[T, ...]
    number: int
    pages: int
    total: int
