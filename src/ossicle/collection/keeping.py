"""Readings kept: moved into place whole, then entered in the catalogue; and opened again.

A reading that lies in place but is not entered belongs to a job that was cut off between the two; the job, done again,
enters it without reading anew.
"""

from __future__ import annotations

import json
import shutil

import sqlalchemy as sa

from ossicle.scans.labels import open_labels, write_labels, write_labels_list
from ossicle.scans.model import Scan

from .catalogue import Catalogue
from .files import FileLock, Layout, digest_tree, sync_tree, unwritable, work_folder
from .readings import KeptReading, load_reading, write_reading
from .records import Job, ReadingInfo
from .specimens import now
from .tables import JobRow, ReadingRow, ScanRow

__all__ = ["enter", "open_reading", "readings_of", "write_to_place"]


def write_to_place(layout: Layout, scan: Scan, kept: KeptReading, uid: str, threads: int = 2) -> None:
    """Write a reading and its parts into the collection's folder, each whole or not at all; the records come last."""
    names = {p.part: p.term for p in kept.reading.parts}
    names |= {t.part: f"{t.side} {t.jaw} {t.name}" for t in kept.reading.teeth}
    with work_folder(layout) as folder:
        write_labels(folder / "labels", kept.reading.labels, scan.geometry, names=names, threads=threads)
        (folder / "reading").mkdir()
        write_reading(folder / "reading", kept)
        sync_tree(folder)
        try:
            labels = layout.labels(kept.scan, uid)
            labels.parent.mkdir(exist_ok=True)
            with FileLock(layout.work / f"labels-{kept.scan}.lock"):
                shutil.rmtree(labels, ignore_errors=True)
                (folder / "labels").rename(labels)
                write_labels_list(layout.scan(kept.scan))
            shutil.rmtree(layout.reading(uid), ignore_errors=True)
            (folder / "reading").rename(layout.reading(uid))
        except OSError as error:
            raise unwritable(layout.root, error) from error


def enter(catalogue: Catalogue, layout: Layout, job: Job, key: str) -> None:
    """Enter a reading that lies in place, where that is still to do, and end its job, in one transaction."""
    data = json.loads((layout.reading(job.uid) / "reading.json").read_bytes())
    made = data["made_by"]
    digests = digest_tree(layout.reading(job.uid)), digest_tree(layout.labels(key, job.uid))
    with catalogue.writing() as session:
        if not catalogue.is_sqlite:
            session.execute(sa.text("SELECT 1 FROM specimen WHERE id = :id FOR UPDATE"), {"id": job.specimen_id})
        scan = session.scalar(sa.select(ScanRow).where(ScanRow.key == key))
        assert scan is not None
        known = session.scalar(sa.select(ReadingRow).where(ReadingRow.uid == job.uid))
        if known is None:
            last = session.scalar(
                sa.select(sa.func.max(ReadingRow.number)).where(ReadingRow.specimen_id == job.specimen_id)
            )
            session.add(
                ReadingRow(
                    uid=job.uid,
                    specimen_id=job.specimen_id,
                    scan_id=scan.id,
                    number=(last or 0) + 1,
                    settings=made["settings"],
                    code_version=made["version"],
                    seconds=made["seconds"] or 0.0,
                    peak_mb=made["peak_mb"] or 0.0,
                    heeded=data["heeded"],
                    folder_sha256=digests[0],
                    labels_sha256=digests[1],
                    at=now(),
                )
            )
        row = session.get(JobRow, job.id)
        if row is not None:
            row.state, row.stage, row.share, row.ended = "done", "done", 1.0, now()


def readings_of(catalogue: Catalogue, specimen_id: int) -> list[ReadingInfo]:
    """Return the readings of a specimen, oldest first."""
    query = (
        sa.select(ReadingRow, ScanRow.key)
        .join(ScanRow, ScanRow.id == ReadingRow.scan_id)
        .where(ReadingRow.specimen_id == specimen_id)
        .order_by(ReadingRow.number)
    )
    with catalogue.reading() as session:
        return [
            ReadingInfo(
                number=r.number,
                uid=r.uid,
                scan_key=key,
                settings=r.settings,
                code_version=r.code_version,
                seconds=r.seconds,
                peak_mb=r.peak_mb,
                heeded=tuple(r.heeded),
                at=r.at,
            )
            for r, key in session.execute(query)
        ]


def open_reading(layout: Layout, info: ReadingInfo) -> KeptReading:
    """Open a reading; its labels are read when asked for."""
    return load_reading(layout.reading(info.uid), open_labels(layout.labels(info.scan_key, info.uid)))
