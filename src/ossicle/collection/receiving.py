"""Readings and decisions that come from elsewhere, kept as they were made there."""

from __future__ import annotations

import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from ossicle.errors import OssicleError
from ossicle.scans.labels import write_labels_list

from .catalogue import Catalogue
from .decisions import broken_at, row_of
from .files import FileLock, Layout, digest_tree, sync_tree, unwritable, work_folder
from .history import Decision
from .specimens import find_row
from .tables import DecisionRow, ReadingRow, ScanRow

__all__ = ["Arriving", "receive"]

Arriving = tuple[Mapping[str, Any], Path, Path]
"""What is told of a reading (as `ReadingInfo`), the folder of its records, that of its labels."""


def receive(
    catalogue: Catalogue,
    layout: Layout,
    handle: str | int,
    readings: Sequence[Arriving],
    decisions: Sequence[Decision],
) -> None:
    """Keep readings and decisions of a specimen that has none yet; its scans must be there.

    Raises
    ------
    OssicleError
        It has some already, a scan is missing, or the decisions are not as they were made.
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
    for info, records, labels in readings:
        _place(layout, str(info["scan_key"]), str(info["uid"]), records, labels)
    with catalogue.writing() as session:
        row = find_row(session, handle)
        for info, _, _ in readings:
            key, uid = str(info["scan_key"]), str(info["uid"])
            scan = session.scalar(sa.select(ScanRow).where(ScanRow.key == key))
            if scan is None:
                raise OssicleError(
                    f"the scan {key[:8]} of reading {info['number']} is not there", mend="take it in first"
                )
            session.add(
                ReadingRow(
                    uid=uid,
                    specimen_id=row.id,
                    scan_id=scan.id,
                    number=int(info["number"]),
                    settings=dict(info["settings"]),
                    code_version=str(info["code_version"]),
                    seconds=float(info["seconds"]),
                    peak_mb=float(info["peak_mb"]),
                    heeded=list(info["heeded"]),
                    folder_sha256=digest_tree(layout.reading(uid)),
                    labels_sha256=digest_tree(layout.labels(key, uid)),
                    at=str(info["at"]),
                )
            )
        session.add_all(row_of(d, row.id) for d in decisions)


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
                    raise OssicleError(
                        f"the reading {uid[:8]} is in the collection already", mend="receive it elsewhere"
                    )
                (folder / "labels").rename(target)
                write_labels_list(layout.scan(key))
                (folder / "reading").rename(layout.reading(uid))
        except OSError as error:
            raise unwritable(layout.root, error) from error
