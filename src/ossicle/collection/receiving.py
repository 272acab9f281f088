"""Readings and decisions that come from elsewhere, kept as they were made there."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

import sqlalchemy as sa

from ossicle.errors import OssicleError
from ossicle.scans import open_store
from ossicle.scans.labels import write_labels_list

from .catalogue import Catalogue
from .decisions import broken_at, row_of
from .files import FileLock, Layout, digest_tree, sync_tree, unwritable, work_folder
from .history import Decision
from .records import ReadingInfo
from .specimens import find_row
from .tables import DecisionRow, ReadingRow, ScanRow

__all__ = ["Arriving", "receivable", "receive"]

Arriving = tuple[ReadingInfo, Path, Path]
"""What is told of a reading, the folder of its records, that of its labels."""


def receive(
    catalogue: Catalogue,
    layout: Layout,
    handle: str | int,
    readings: Sequence[Arriving],
    decisions: Sequence[Decision],
) -> None:
    """Keep readings and decisions of a specimen that has none yet; its scans must be there.

    All is looked at before any file is placed, and what was placed goes again where the entry fails.

    Raises
    ------
    OssicleError
        It has some already, a scan or a file of a reading is missing, or the decisions are not as they were made.
    """
    if broken_at(decisions) is not None:
        raise OssicleError("the decisions are not as they were made", mend="fetch them again")
    with catalogue.reading() as session:
        row = find_row(session, handle)
        for table in (ReadingRow, DecisionRow):
            if session.scalar(sa.select(table.id).where(table.specimen_id == row.id).limit(1)) is not None:
                raise OssicleError(
                    f"{row.catalog_number} has readings or decisions already", mend="receive it elsewhere"
                )
        scans: dict[str, int] = {}
        for info, _, _ in readings:
            key = info.scan_key
            known = session.scalar(sa.select(ScanRow.id).where(ScanRow.key == key))
            if known is None:
                raise OssicleError(f"the scan {key[:8]} of reading {info.number} is not there", mend="take it in first")
            scans[key] = known
    _files_there(catalogue, readings)
    with _all_or_none(layout) as placed:
        for info, records, labels in readings:
            key, uid = info.scan_key, info.uid
            _place(layout, key, uid, records, labels)
            placed.append((key, uid))
        _enter(catalogue, layout, handle, scans, readings, decisions)


def receivable(
    catalogue: Catalogue,
    layout: Layout,
    scans: Mapping[str, tuple[Path, str]],
    readings: Sequence[Arriving],
) -> None:
    """Raise `OssicleError` where the scans and readings of a specimen that arrives could not all be kept.

    Parameters
    ----------
    scans
        By key the store of each scan, and the digest of its greys (`ScanInfo.content_sha256`).
    readings
        What is to be kept with them.
    """
    for key, (store, content) in scans.items():
        if not store.is_dir():
            raise OssicleError(f"the scan {key[:8]} is not among its files", mend="fetch it again from where it lies")
        open_store(store)
        with catalogue.reading() as session:
            same = session.scalar(sa.select(ScanRow).where(ScanRow.content_sha256 == content, ScanRow.key != key))
            if same is not None and layout.scan(same.key).is_dir():
                raise OssicleError(
                    f"its scan {key[:8]} is in the collection already as {same.name!r}, taken in from other files",
                    mend="receive it into another collection",
                )
    for info, _, _ in readings:
        if info.scan_key not in scans:
            raise OssicleError(
                f"the scan {info.scan_key[:8]} of reading {info.number} is not among its scans",
                mend="fetch it again from where it lies",
            )
    _files_there(catalogue, readings)


def _files_there(catalogue: Catalogue, readings: Sequence[Arriving]) -> None:
    """Look for the files of readings that arrive, and that none of them is known already."""
    with catalogue.reading() as session:
        for info, records, labels in readings:
            if not (records.is_dir() and labels.is_dir()):
                raise OssicleError(f"files of reading {info.number} are missing", mend="fetch them again")
            if session.scalar(sa.select(ReadingRow.id).where(ReadingRow.uid == info.uid)) is not None:
                raise _there_already(info.uid)


def _enter(
    catalogue: Catalogue,
    layout: Layout,
    handle: str | int,
    scans: Mapping[str, int],
    readings: Sequence[Arriving],
    decisions: Sequence[Decision],
) -> None:
    """Write readings, whose files are placed, and decisions into the catalogue: all or none."""
    with catalogue.writing() as session:
        row = find_row(session, handle)
        for info, _, _ in readings:
            key, uid = info.scan_key, info.uid
            session.add(
                ReadingRow(
                    uid=uid,
                    specimen_id=row.id,
                    scan_id=scans[key],
                    number=info.number,
                    settings=dict(info.settings),
                    code_version=info.code_version,
                    seconds=info.seconds,
                    peak_mb=info.peak_mb,
                    heeded=list(info.heeded),
                    folder_sha256=digest_tree(layout.reading(uid)),
                    labels_sha256=digest_tree(layout.labels(key, uid)),
                    at=info.at,
                )
            )
        session.add_all(row_of(d, row.id) for d in decisions)


@contextmanager
def _all_or_none(layout: Layout) -> Iterator[list[tuple[str, str]]]:
    """Give a list of readings (scan key, uid) that are placed; on failure their files are taken away again."""
    placed: list[tuple[str, str]] = []
    try:
        yield placed
    except BaseException:
        for key, uid in placed:
            shutil.rmtree(layout.reading(uid), ignore_errors=True)
            with FileLock(layout.work / f"labels-{key}.lock"):
                shutil.rmtree(layout.labels(key, uid), ignore_errors=True)
                write_labels_list(layout.scan(key))
        raise


def _there_already(uid: str) -> OssicleError:
    return OssicleError(f"the reading {uid[:8]} is in the collection already", mend="receive it elsewhere")


def _place(layout: Layout, key: str, uid: str, records: Path, labels: Path) -> None:
    """Copy the files of a reading into place, each folder whole."""
    with work_folder(layout) as folder:
        try:
            shutil.copytree(records, folder / "reading")
            shutil.copytree(labels, folder / "labels")
            sync_tree(folder)
            target = layout.labels(key, uid)
            target.parent.mkdir(exist_ok=True)
            with FileLock(layout.work / f"labels-{key}.lock"):
                if target.exists() or layout.reading(uid).exists():
                    raise _there_already(uid)
                (folder / "labels").rename(target)
                write_labels_list(layout.scan(key))
                (folder / "reading").rename(layout.reading(uid))
        except OSError as error:
            raise unwritable(layout.root, error) from error
