"""What a collection holds: specimens with their catalogue data, scans, attached files."""

from __future__ import annotations

import getpass
import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from ossicle.errors import OssicleError
from ossicle.scans import Scan, open_store
from ossicle.scans.naming import shown
from ossicle.scans.paths import missing

from . import intake as takes
from . import specimens
from .catalogue import Catalogue
from .files import FileLock, Layout, digest_file, sync_tree, unwritable, work_folder
from .records import AttachmentInfo, DataChange, Page, ScanInfo, Specimen
from .table import read_table
from .tables import Attachment, ScanRow, SpecimenRow, SpecimenScan
from .terms import specimen_data

__all__ = ["Handle", "Holdings", "Progress", "person"]

Handle = str | int
Progress = Callable[[str, float], None]


def person() -> str:
    """Return who decides where nobody is named: ``OSSICLE_PERSON`` where set, else the name of the user."""
    try:
        return os.environ.get("OSSICLE_PERSON", "").strip() or getpass.getuser()
    except (OSError, KeyError):
        return "somebody"


class Holdings:
    """The part of a collection that knows of specimens, scans and files; see `ossicle.collection.Collection`."""

    layout: Layout
    catalogue: Catalogue

    def specimens(self, words: str = "", *, page: int = 1, per_page: int = 50) -> Page[Specimen]:
        """Return a page of specimens, by catalogue number; each of ``words`` must occur in their data."""
        return specimens.listed(self.catalogue, words, page, per_page)

    def specimen(self, handle: Handle) -> Specimen:
        """Return a specimen; raises `OssicleError` where there is none."""
        return specimens.get(self.catalogue, handle)

    def add_specimen(self, said: Mapping[str, str], *, who: str | None = None) -> Specimen:
        """Add a specimen without a scan, by Darwin Core terms (`ossicle.collection.terms`)."""
        with self.catalogue.writing() as session:
            row = specimens.add(session, specimen_data(said), who or person())
            number = row.catalog_number
        return self.specimen(number)

    def describe(
        self, handle: Handle, said: Mapping[str, str], *, who: str | None = None, version: int | None = None
    ) -> Specimen:
        """Change catalogue data; give the ``version`` that was looked at, so that nobody's change is overwritten.

        Raises
        ------
        Conflict
            It was changed since.
        """
        return specimens.change(self.catalogue, handle, said, who or person(), version)

    def exact_terms(self, handle: Handle) -> dict[str, Any]:
        """Return all catalogue data as held, the exact locality among them: for the keeper's eyes only."""
        return specimens.exact_terms(self.catalogue, handle)

    def changes_of(self, handle: Handle, *, exact: bool = False) -> list[DataChange]:
        """Return the changes of a specimen's catalogue data, oldest first.

        Those of a sensitive locality are told without values, unless ``exact``: for the keeper's eyes only.
        """
        return specimens.changes(self.catalogue, handle, exact=exact)

    def allow_export(self, handle: Handle, allowed: bool = True, *, who: str | None = None) -> None:
        """Say whether human remains may be exported; refused while consent or provenance are not filled in."""
        specimens.allow_export(self.catalogue, handle, allowed, who or person())

    def check_export(self, handle: Handle) -> None:
        """Raise `OssicleError` where a specimen may not leave the collection. Every export asks this first."""
        specimens.check_export(self.catalogue, handle)

    # -- scans and files

    def take_in(
        self,
        source: str | Path,
        said: Mapping[str, str] | None = None,
        *,
        table: str | Path | None = None,
        columns: Mapping[str, str] | None = None,
        spacing: str | None = None,
        series: str | None = None,
        mirrored: bool = False,
        box_zyx: tuple[tuple[int, int], ...] | None = None,
        keep: takes.Keep = "reference",
        dry_run: bool = False,
        again: bool = False,
        who: str | None = None,
        threads: int = 2,
        progress: Progress | None = None,
    ) -> list[takes.Taken]:
        """Take in one scan with its catalogue data ``said``, or with ``table`` all scans that a CSV names.

        Stopped, the same call goes on where it was. See `ossicle.collection.intake.take_in` and
        `ossicle.collection.table.read_table`.
        """
        source = Path(source)
        if not source.exists():
            raise OssicleError("there is no such file or folder", where=shown(source), mend=missing(source))
        if table is not None:
            items = takes.plan_many(source, read_table(Path(table), columns), spacing, mirrored)
        else:
            known = dict(said or {})
            known.setdefault("catalogNumber", takes.name_of(source))
            items = [takes.Item(source, known, spacing, series, mirrored, box_zyx)]
        return takes.take_in(
            self.catalogue,
            self.layout,
            items,
            keep=keep,
            dry_run=dry_run,
            again=again,
            who=who or person(),
            threads=threads,
            progress=progress,
        )

    def scans(self, handle: Handle) -> list[ScanInfo]:
        """Return the scans of a specimen."""
        with self.catalogue.reading() as session:
            row = specimens.find_row(session, handle)
            query = (
                sa.select(ScanRow, SpecimenScan.box_zyx)
                .join(SpecimenScan, SpecimenScan.scan_id == ScanRow.id)
                .where(SpecimenScan.specimen_id == row.id)
                .order_by(ScanRow.id)
            )
            return [_scan_info(scan, box) for scan, box in session.execute(query)]

    def scan(self, key: str, *, threads: int = 2) -> Scan:
        """Open a scan by its key; voxels are read when asked for."""
        return open_store(self.layout.scan(key), threads=threads)

    def shown_by(self, key: str) -> list[str]:
        """Return the catalogue numbers of all specimens that a scan shows."""
        query = (
            sa.select(SpecimenRow.catalog_number)
            .join(SpecimenScan, SpecimenScan.specimen_id == SpecimenRow.id)
            .join(ScanRow, ScanRow.id == SpecimenScan.scan_id)
            .where(ScanRow.key == key)
            .order_by(SpecimenRow.id)
        )
        with self.catalogue.reading() as session:
            return list(session.scalars(query))

    def attach(self, handle: Handle, file: str | Path, note: str = "") -> AttachmentInfo:
        """Keep a copy of a file with a specimen."""
        file = Path(file)
        if not file.is_file():
            raise OssicleError("there is no such file", where=shown(file), mend="name one that is there")
        with work_folder(self.layout) as folder, FileLock(self.layout.placing):
            try:
                copy = Path(shutil.copyfile(file, folder / "file"))
                sync_tree(folder)
                digest = digest_file(copy)
                size = copy.stat().st_size
                copy.replace(self.layout.attachment(digest))
            except OSError as error:
                raise unwritable(self.layout.root, error) from error
            with self.catalogue.writing() as session:
                row = specimens.find_row(session, handle)
                kept = Attachment(
                    specimen_id=row.id,
                    name=shown(file.name),
                    sha256=digest,
                    bytes=size,
                    note=note,
                    added=specimens.now(),
                )
                session.add(kept)
                session.flush()
                return _attachment(kept)

    def attachments(self, handle: Handle) -> list[AttachmentInfo]:
        """Return the files kept with a specimen."""
        with self.catalogue.reading() as session:
            row = specimens.find_row(session, handle)
            query = sa.select(Attachment).where(Attachment.specimen_id == row.id).order_by(Attachment.id)
            return [_attachment(a) for a in session.scalars(query)]


def _scan_info(row: ScanRow, box: Sequence[Sequence[int]] | None) -> ScanInfo:
    return ScanInfo(
        id=row.id,
        key=row.key,
        name=row.name,
        shape_zyx=tuple(row.shape_zyx),
        spacing_mm_zyx=tuple(row.geometry["spacing_mm_zyx"]),
        grey_unit=row.grey_unit,
        calibration=row.calibration,
        scanner=row.scanner,
        sources=tuple(row.sources),
        source_kept=row.source_kept,
        warnings=tuple(row.warnings),
        added=row.added,
        content_sha256=row.content_sha256,
        box_zyx=None if box is None else tuple((int(a), int(b)) for a, b in box),
    )


def _attachment(row: Attachment) -> AttachmentInfo:
    return AttachmentInfo(row.id, row.name, row.sha256, row.bytes, row.note, row.added)
