"""The catalogue's tables. Their history stands in ``migrations/``; both are compared in a test.

Times are UTC, ISO 8601. Decisions, readings and changes are append-only: triggers refuse to alter them.
"""

from __future__ import annotations

from typing import Any, TypeVar

from sqlalchemy import JSON, Boolean, Float, ForeignKey, Index, Integer, MetaData, String, Text, UniqueConstraint
from sqlalchemy.orm import DeclarativeBase, Mapped, Session, mapped_column

__all__ = [
    "MOST_ID",
    "Attachment",
    "Base",
    "Change",
    "CollectionInfo",
    "DecisionRow",
    "JobRow",
    "Locality",
    "ReadingRow",
    "ScanRow",
    "SpecimenRow",
    "SpecimenScan",
    "row_at",
]


Row = TypeVar("Row", bound="Base")
MOST_ID = 2**31 - 1
"""Greatest number of a row that a catalogue can hold or be asked for (PostgreSQL's ``integer``)."""


class Base(DeclarativeBase):
    """All tables of the catalogue."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_name)s",
            "uq": "uq_%(table_name)s_%(column_0_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {dict[str, Any]: JSON, list[Any]: JSON, str: String, float: Float, bool: Boolean}  # noqa: RUF012


class CollectionInfo(Base):
    """The collection that this catalogue belongs to: one row."""

    __tablename__ = "collection"
    uid: Mapped[str] = mapped_column(String(32), primary_key=True)
    created: Mapped[str] = mapped_column(String(32))


class SpecimenRow(Base):
    """A specimen. ``terms`` holds the Darwin Core terms that have no column of their own; ``words`` what a search
    looks through, in lower case; ``version`` counts changes, so that none is overwritten unseen."""

    __tablename__ = "specimen"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    catalog_number: Mapped[str] = mapped_column(String(200), unique=True)
    scientific_name: Mapped[str] = mapped_column(String(400), default="", index=True)
    sex: Mapped[str] = mapped_column(String(80), default="")
    life_stage: Mapped[str] = mapped_column(String(80), default="")
    terms: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)
    human_remains: Mapped[bool] = mapped_column(Boolean, default=False)
    consent: Mapped[str] = mapped_column(Text, default="")
    remains_provenance: Mapped[str] = mapped_column(Text, default="")
    export_allowed: Mapped[bool] = mapped_column(Boolean, default=False)
    words: Mapped[str] = mapped_column(Text, default="")
    created: Mapped[str] = mapped_column(String(32))
    changed: Mapped[str] = mapped_column(String(32))
    version: Mapped[int] = mapped_column(Integer, nullable=False)
    __mapper_args__ = {"version_id_col": version}  # noqa: RUF012


class Locality(Base):
    """Where a specimen was found, as held; what may be shown of it is `ossicle.collection.locality`'s to say."""

    __tablename__ = "locality"
    specimen_id: Mapped[int] = mapped_column(ForeignKey("specimen.id"), primary_key=True)
    decimal_latitude: Mapped[float | None]
    decimal_longitude: Mapped[float | None]
    uncertainty_m: Mapped[float | None]
    locality: Mapped[str] = mapped_column(Text, default="")
    category: Mapped[int] = mapped_column(Integer, default=0)
    reason: Mapped[str] = mapped_column(Text, default="")
    review_date: Mapped[str] = mapped_column(String(10), default="")


class Change(Base):
    """A change of a specimen's catalogue data: by field, what it was and what it is."""

    __tablename__ = "change"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    specimen_id: Mapped[int] = mapped_column(ForeignKey("specimen.id"), index=True)
    version: Mapped[int]
    who: Mapped[str] = mapped_column(String(200))
    at: Mapped[str] = mapped_column(String(32))
    fields: Mapped[dict[str, Any]] = mapped_column(JSON)


class ScanRow(Base):
    """A scan. ``key`` names its store, made of sources and calibration; ``content_sha256`` is of the greys alone."""

    __tablename__ = "scan"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    key: Mapped[str] = mapped_column(String(64), unique=True)
    content_sha256: Mapped[str] = mapped_column(String(64), index=True)
    store_sha256: Mapped[str] = mapped_column(String(64))
    name: Mapped[str] = mapped_column(String(400))
    shape_zyx: Mapped[list[Any]] = mapped_column(JSON)
    geometry: Mapped[dict[str, Any]] = mapped_column(JSON)
    grey_unit: Mapped[str] = mapped_column(String(80))
    calibration: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)
    scanner: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)
    sources: Mapped[list[Any]] = mapped_column(JSON)
    source_kept: Mapped[str] = mapped_column(String(16))
    source_path: Mapped[str] = mapped_column(Text, default="")
    source_state: Mapped[str] = mapped_column(String(64), default="", index=True)
    warnings: Mapped[list[Any]] = mapped_column(JSON)
    added: Mapped[str] = mapped_column(String(32))


class SpecimenScan(Base):
    """Which scan shows which specimen. ``box_zyx`` is where, as half-open index ranges; None for the whole scan."""

    __tablename__ = "specimen_scan"
    specimen_id: Mapped[int] = mapped_column(ForeignKey("specimen.id"), primary_key=True)
    scan_id: Mapped[int] = mapped_column(ForeignKey("scan.id"), primary_key=True, index=True)
    box_zyx: Mapped[list[Any] | None] = mapped_column(JSON(none_as_null=True))


class Attachment(Base):
    """A file kept with a specimen."""

    __tablename__ = "attachment"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    specimen_id: Mapped[int] = mapped_column(ForeignKey("specimen.id"), index=True)
    name: Mapped[str] = mapped_column(String(400))
    sha256: Mapped[str] = mapped_column(String(64))
    bytes: Mapped[int]
    note: Mapped[str] = mapped_column(Text, default="")
    added: Mapped[str] = mapped_column(String(32))


class ReadingRow(Base):
    """A reading. ``heeded`` are the numbers of the decisions that it was given."""

    __tablename__ = "reading"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    uid: Mapped[str] = mapped_column(String(32), unique=True)
    specimen_id: Mapped[int] = mapped_column(ForeignKey("specimen.id"))
    scan_id: Mapped[int] = mapped_column(ForeignKey("scan.id"), index=True)
    number: Mapped[int]
    settings: Mapped[dict[str, Any]] = mapped_column(JSON)
    code_version: Mapped[str] = mapped_column(String(40))
    seconds: Mapped[float]
    peak_mb: Mapped[float]
    heeded: Mapped[list[Any]] = mapped_column(JSON)
    folder_sha256: Mapped[str] = mapped_column(String(64))
    labels_sha256: Mapped[str] = mapped_column(String(64))
    at: Mapped[str] = mapped_column(String(32))
    __table_args__ = (UniqueConstraint("specimen_id", "number"),)


class DecisionRow(Base):
    """A decision; see `ossicle.collection.history.Decision`."""

    __tablename__ = "decision"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    specimen_id: Mapped[int] = mapped_column(ForeignKey("specimen.id"))
    number: Mapped[int]
    kind: Mapped[str] = mapped_column(String(16))
    who: Mapped[str] = mapped_column(String(200))
    at: Mapped[str] = mapped_column(String(32))
    why: Mapped[str] = mapped_column(Text, default="")
    scan_key: Mapped[str] = mapped_column(String(64), default="")
    reading_number: Mapped[int | None]
    anchors: Mapped[list[Any]] = mapped_column(JSON)
    said: Mapped[dict[str, Any]] = mapped_column(JSON)
    target: Mapped[int | None]
    digest: Mapped[str] = mapped_column(String(64))
    __table_args__ = (UniqueConstraint("specimen_id", "number"),)


class JobRow(Base):
    """Long work: waiting, running, done, failed or cancelled."""

    __tablename__ = "job"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    kind: Mapped[str] = mapped_column(String(16))
    specimen_id: Mapped[int] = mapped_column(ForeignKey("specimen.id"), index=True)
    uid: Mapped[str] = mapped_column(String(32), unique=True)
    settings: Mapped[dict[str, Any]] = mapped_column(JSON)
    state: Mapped[str] = mapped_column(String(16))
    stage: Mapped[str] = mapped_column(String(80), default="")
    share: Mapped[float] = mapped_column(Float, default=0.0)
    cancel: Mapped[bool] = mapped_column(Boolean, default=False)
    message: Mapped[str] = mapped_column(Text, default="")
    who: Mapped[str] = mapped_column(String(200))
    queued: Mapped[str] = mapped_column(String(32))
    started: Mapped[str] = mapped_column(String(32), default="")
    ended: Mapped[str] = mapped_column(String(32), default="")
    __table_args__ = (Index("ix_job_state", "state"),)


def row_at(session: Session, table: type[Row], number: int) -> Row | None:
    """Return the row of a number; None where there is none, and for numbers that there can be no row of."""
    return session.get(table, number) if 0 < number <= MOST_ID else None
