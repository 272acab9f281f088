"""Verifying a collection: stores, checksums, references, histories; and what to do about each fault."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import sqlalchemy as sa

from ossicle.errors import OssicleError
from ossicle.scans import open_store
from ossicle.scans.labels import list_labels, open_labels, write_labels_list
from ossicle.scans.naming import shown

from .catalogue import Catalogue
from .decisions import broken_at, load_decisions
from .files import FileLock, Layout, digest_file, digest_tree, read_json, sweep_work
from .history import Decision
from .jobs import recover
from .readings import load_reading
from .tables import Attachment, JobRow, ReadingRow, ScanRow, SpecimenRow, SpecimenScan

__all__ = ["Fault", "Report", "check"]

Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Fault:
    """One thing that is not as it should be. A ``left-over`` does no harm and may be removed; a ``fault`` does."""

    kind: Literal["fault", "left-over"]
    where: str
    what: str
    mend: str

    def sentence(self) -> str:
        """Return it as one sentence."""
        return f"{self.where}: {self.what}; {self.mend}."


@dataclass
class Report:
    """What a check looked at and found."""

    specimens: int = 0
    scans: int = 0
    readings: int = 0
    decisions: int = 0
    attachments: int = 0
    faults: list[Fault] = field(default_factory=list)
    mended: list[str] = field(default_factory=list)

    @property
    def sound(self) -> bool:
        """Whether there is no fault; left-overs do not count."""
        return not any(f.kind == "fault" for f in self.faults)


def check(
    catalogue: Catalogue, layout: Layout, *, quick: bool = False, mend: bool = False, progress: Progress | None = None
) -> Report:
    """Verify a collection.

    Parameters
    ----------
    quick
        Look whether everything is there, without computing checksums.
    mend
        Remove left-overs, let jobs wait again whose process is gone, write lists of labels anew. Nothing that a person
        decided and nothing that the catalogue knows of is ever removed.
    progress
        Called with a text and a share.
    """
    checker = _Check(catalogue, layout, quick, mend, progress or (lambda stage, share: None))
    return checker.run()


class _Check:
    def __init__(self, catalogue: Catalogue, layout: Layout, quick: bool, mend: bool, told: Progress) -> None:
        self.catalogue, self.layout, self.quick, self.mend, self.told = catalogue, layout, quick, mend, told
        self.report = Report()

    def fault(self, where: object, what: str, mend: str) -> None:
        self.report.faults.append(Fault("fault", _short(where, self.layout), what, mend))

    def left_over(self, where: Path) -> None:
        if self.mend:
            shutil.rmtree(where, ignore_errors=True)
            where.unlink(missing_ok=True)
            self.report.mended.append(f"removed {_short(where, self.layout)}")
        else:
            mend = "`ossicle check --mend` removes it"
            self.report.faults.append(
                Fault("left-over", _short(where, self.layout), "left behind by work that was stopped", mend)
            )

    def run(self) -> Report:
        if self.mend:
            for job in recover(self.catalogue, self.layout):
                self.report.mended.append(f"job {job} waits again")
        with self.catalogue.reading() as session:
            scans = list(session.scalars(sa.select(ScanRow)))
            readings = [
                (r, key)
                for r, key in session.execute(
                    sa.select(ReadingRow, ScanRow.key).join(ScanRow, ScanRow.id == ReadingRow.scan_id)
                )
            ]
            attachments = list(session.scalars(sa.select(Attachment)))
            links = set(session.scalars(sa.select(SpecimenScan.scan_id)))
            self.report.specimens = session.scalar(sa.select(sa.func.count()).select_from(SpecimenRow)) or 0
            for specimen, name in session.execute(sa.select(SpecimenRow.id, SpecimenRow.catalog_number)):
                self._history(name, load_decisions(session, specimen))
            session.expunge_all()
        self.report.scans, self.report.readings = len(scans), len(readings)
        self.report.attachments = len(attachments)
        steps = max(1, len(scans) + len(readings))
        for n, scan in enumerate(scans):
            self.told(f"scan {scan.name}", n / steps)
            self._scan(scan, links)
        for n, (reading, key) in enumerate(readings):
            self.told(f"reading {reading.number}", (len(scans) + n) / steps)
            self._reading(reading, key)
        for kept in attachments:
            self._attachment(kept)
        with FileLock(self.layout.placing), self.catalogue.reading() as session:
            coming = set(session.scalars(sa.select(JobRow.uid).where(JobRow.state.in_(("waiting", "running")))))
            self._strays(
                set(session.scalars(sa.select(ScanRow.key))),
                set(session.scalars(sa.select(ReadingRow.uid))) | coming,
                set(session.scalars(sa.select(Attachment.sha256))),
            )
        self.told("checked", 1.0)
        return self.report

    def _history(self, name: str, decisions: list[Decision]) -> None:
        self.report.decisions += len(decisions)
        broken = broken_at(decisions)
        if broken is not None:
            self.fault(
                f"specimen {name}",
                f"decision {broken} is not as it was kept, or one before it is missing",
                "restore the catalogue from a copy",
            )

    def _scan(self, scan: ScanRow, links: set[int]) -> None:
        store = self.layout.scan(scan.key)
        if scan.id not in links:
            self.fault(store, "no specimen belongs to this scan", "take the scan in again with its catalogue data")
        if not store.is_dir():
            self.fault(store, "the store of this scan is missing", _again(scan))
            return
        try:
            open_store(store)
            if not self.quick and digest_tree(store, leave_out=("labels",)) != scan.store_sha256:
                self.fault(store, "its content is not what was taken in", _again(scan))
        except (OssicleError, OSError) as error:
            what = error.what if isinstance(error, OssicleError) else str(error)
            self.fault(store, what, _again(scan))
        if scan.source_kept == "copy" and not self.layout.sources(scan.key).is_dir():
            self.fault(self.layout.sources(scan.key), "the copies of the source files are missing", _again(scan))
        elif scan.source_kept == "copy" and not self.quick:
            self._copies(scan)
        if (store / "labels").is_dir():
            self._list(store, scan.key)

    def _copies(self, scan: ScanRow) -> None:
        folder = self.layout.sources(scan.key)
        digests = {digest_file(p) for p in folder.rglob("*") if p.is_file()}
        for source in scan.sources:
            alone = sum(1 for _ in scan.sources) == 1
            if source["sha256"] not in digests and not (alone and _is_tree(folder)):
                self.fault(folder, f"the copy of {source['name']} is not the file that was taken in", _again(scan))
                return

    def _list(self, store: Path, key: str) -> None:
        try:
            listed = read_json(store / "labels" / "zarr.json")["attributes"]["ome"]["labels"]
        except (OssicleError, KeyError, TypeError):
            listed = None
        if listed != list_labels(store):
            if self.mend:
                with FileLock(self.layout.work / f"labels-{key}.lock"):
                    write_labels_list(store)
                self.report.mended.append(f"wrote the list of labels of {_short(store, self.layout)} anew")
            else:
                self.report.faults.append(
                    Fault(
                        "left-over",
                        _short(store / "labels", self.layout),
                        "the list of labels is not up to date",
                        "`ossicle check --mend` writes it anew",
                    )
                )

    def _reading(self, reading: ReadingRow, key: str) -> None:
        place, labels = self.layout.reading(reading.uid), self.layout.labels(key, reading.uid)
        again = "read the specimen again; its decisions are kept and replayed"
        try:
            if not self.quick:
                if not place.is_dir() or digest_tree(place) != reading.folder_sha256:
                    self.fault(place, "the records of this reading are missing or not as they were written", again)
                    return
                if not labels.is_dir() or digest_tree(labels) != reading.labels_sha256:
                    self.fault(labels, "the parts of this reading are missing or not as they were written", again)
                    return
            load_reading(place, open_labels(labels))
        except (OssicleError, OSError) as error:
            self.fault(place, error.what if isinstance(error, OssicleError) else str(error), again)

    def _attachment(self, kept: Attachment) -> None:
        place = self.layout.attachment(kept.sha256)
        if not place.is_file() or (not self.quick and digest_file(place) != kept.sha256):
            self.fault(place, f"the attachment {kept.name} is missing or damaged", "attach the file again")

    def _strays(self, keys: set[str], uids: set[str], attached: set[str]) -> None:
        if self.mend:
            self.report.mended += [f"removed {_short(p, self.layout)}" for p in sweep_work(self.layout)]
        else:
            for path in sorted(self.layout.work.iterdir()) if self.layout.work.is_dir() else []:
                lock = FileLock(self.layout.work / f"{path.name}.lock")
                if path.suffix != ".lock" and lock.take(wait=False):
                    lock.path.unlink(missing_ok=True)
                    lock.let_go()
                    self.left_over(path)
        for path in sorted((self.layout.root / "scans").glob("*")):
            key = path.name.removesuffix(".ome.zarr")
            if key not in keys:
                self.left_over(path)
                continue
            for label in list_labels(path):
                if label not in uids:
                    self.left_over(path / "labels" / label)
                    if self.mend:
                        self._list(path, key)
        for name, known in (("readings", uids), ("sources", keys), ("attachments", attached)):
            for path in sorted((self.layout.root / name).glob("*")):
                if path.name not in known:
                    self.left_over(path)


def _is_tree(folder: Path) -> bool:
    """Whether a copy is of a folder that is itself one image, whose digest is of a list and not of one file."""
    return any(p.name in ("zarr.json", ".zgroup", ".zattrs") for p in folder.iterdir())


def _again(scan: ScanRow) -> str:
    place = f" from {shown(scan.source_path)}" if scan.source_path else ""
    return f"restore it from a copy, or take the scan in again{place} with `ossicle intake --again`"


def _short(where: object, layout: Layout) -> str:
    if isinstance(where, Path) and layout.root in where.parents:
        return where.relative_to(layout.root).as_posix()
    return shown(str(where))
