"""Jobs: readings that wait, run in processes of their own, can be cancelled, and go on after a crash.

A running job holds a lock that the system lets go when its process ends, however it ends; whoever sees a job that
claims to run and finds its lock free knows that it was cut off, and it waits again. What it makes is kept by
`ossicle.collection.keeping`.
"""

from __future__ import annotations

import os
import secrets
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from ossicle.errors import Cancelled, OssicleError
from ossicle.scans import open_store
from ossicle.scans.naming import shown

from .anchors import Structures
from .carrying import others_of
from .catalogue import Catalogue
from .decisions import load_decisions
from .files import FileLock, Layout
from .glimpses import drop_glimpse, keep_glimpse
from .history import Decision
from .keeping import enter, open_reading, readings_of, write_to_place
from .reader import read_specimen
from .records import Job
from .specimens import find_row, now
from .tables import JobRow, ScanRow, SpecimenScan, row_at

__all__ = ["cancel", "fail", "follow", "get", "listed", "queue", "recover", "start_worker", "work_on"]

_TELL_EVERY_S = 0.5
Progress = Callable[[str, float], None]


def _record(row: JobRow) -> Job:
    return Job(
        id=row.id,
        kind=row.kind,
        specimen_id=row.specimen_id,
        uid=row.uid,
        state=row.state,  # type: ignore[arg-type]
        stage=row.stage,
        share=row.share,
        message=row.message,
        who=row.who,
        settings=row.settings,
        queued=row.queued,
        started=row.started,
        ended=row.ended,
    )


def queue(catalogue: Catalogue, handle: str | int, settings: Mapping[str, Any], who: str) -> Job:
    """Queue a reading of a specimen.

    Parameters
    ----------
    settings
        ``dentition``, ``threads``, ``memory_mb`` and, where the specimen has several scans, ``scan`` (a scan's key or
        its start).

    Raises
    ------
    OssicleError
        The specimen has no scan, or several and none is named.
    """
    with catalogue.writing() as session:
        row = find_row(session, handle)
        scan = _scan_of(session, row.id, str(settings.get("scan") or ""))
        job = JobRow(
            kind="reading",
            specimen_id=row.id,
            uid=secrets.token_hex(16),
            settings={"dentition": "auto", "threads": 2, **settings, "scan": scan.key},
            state="waiting",
            stage="",
            share=0.0,
            cancel=False,
            message="",
            who=who,
            queued=now(),
            started="",
            ended="",
        )
        session.add(job)
        session.flush()
        return _record(job)


def _scan_of(session: Session, specimen_id: int, wanted: str) -> ScanRow:
    linked = session.scalars(
        sa.select(ScanRow).join(SpecimenScan).where(SpecimenScan.specimen_id == specimen_id).order_by(ScanRow.id)
    ).all()
    found = [s for s in linked if s.key.startswith(wanted)] if wanted else list(linked)
    if not linked:
        raise OssicleError("the specimen has no scan", mend="take one in with `ossicle intake`")
    if len(found) != 1:
        names = ", ".join(f"{s.key[:8]} ({s.name})" for s in linked)
        raise OssicleError(f"the specimen has {len(linked)} scans: {names}", mend="name one with --scan")
    return found[0]


def get(catalogue: Catalogue, job: int) -> Job:
    """Return a job; raises `OssicleError` where there is none."""
    with catalogue.reading() as session:
        row = row_at(session, JobRow, job)
        if row is None:
            raise OssicleError(f"there is no job {job}", mend="`ossicle jobs COLLECTION` lists them")
        return _record(row)


def listed(catalogue: Catalogue, *, unfinished: bool = False, most: int = 100) -> list[Job]:
    """Return jobs, the newest first."""
    query = sa.select(JobRow).order_by(JobRow.id.desc()).limit(most)
    if unfinished:
        query = query.where(JobRow.state.in_(("waiting", "running")))
    with catalogue.reading() as session:
        return [_record(row) for row in session.scalars(query)]


def cancel(catalogue: Catalogue, job: int) -> Job:
    """Ask a job to stop: at once where it waits, at its next step where it runs."""
    with catalogue.writing() as session:
        row = row_at(session, JobRow, job)
        if row is None:
            raise OssicleError(f"there is no job {job}", mend="`ossicle jobs COLLECTION` lists them")
        if row.state == "waiting":
            row.state, row.ended = "cancelled", now()
        elif row.state == "running":
            row.cancel = True
        session.flush()
        return _record(row)


def _lock(layout: Layout, job: int) -> FileLock:
    return FileLock(layout.work / f"job-{job}.lock")


def recover(catalogue: Catalogue, layout: Layout) -> list[int]:
    """Let jobs wait again whose process is gone; return their numbers."""
    found = []
    for job in listed(catalogue, unfinished=True):
        if job.state != "running":
            continue
        lock = _lock(layout, job.id)
        if not lock.take(wait=False):
            continue
        try:
            with catalogue.writing() as session:
                row = session.get(JobRow, job.id)
                if row is not None and row.state == "running":
                    row.state = "cancelled" if row.cancel else "waiting"
                    row.ended = now() if row.cancel else ""
                    found.append(job.id)
        finally:
            lock.let_go()
    return found


def work_on(catalogue: Catalogue, layout: Layout, job: int, progress: Progress | None = None) -> Job:
    """Do a job in this process; return it as it ended. One that another process does, or that has ended, is let be."""
    lock = _lock(layout, job)
    if not lock.take(wait=False):
        return get(catalogue, job)
    try:
        with catalogue.writing() as session:
            row = row_at(session, JobRow, job)
            if row is None or row.state not in ("waiting", "running"):
                return get(catalogue, job)
            row.state, row.started, row.share, row.message = "running", now(), 0.0, ""
            record = _record(row)
        try:
            _read(catalogue, layout, record, progress)
        except Cancelled:
            _end(catalogue, job, "cancelled", "")
        except OssicleError as error:
            _end(catalogue, job, "failed", error.sentence())
        except MemoryError:
            _end(catalogue, job, "failed", "The memory of this machine does not suffice for this scan.")
        except Exception as error:
            _end(catalogue, job, "failed", f"This is a fault in Ossicle ({type(error).__name__}: {error}).")
            raise
        finally:
            drop_glimpse(layout, record.uid)
        lock.path.unlink(missing_ok=True)
        return get(catalogue, job)
    finally:
        lock.let_go()


def _end(catalogue: Catalogue, job: int, state: str, message: str) -> None:
    with catalogue.writing() as session:
        row = row_at(session, JobRow, job)
        if row is not None:
            row.state, row.message, row.ended = state, message, now()


def fail(catalogue: Catalogue, layout: Layout, job: int, why: str) -> None:
    """End a job as failed that waits, or whose process is gone; one that another process does is let be."""
    lock = _lock(layout, job)
    if not lock.take(wait=False):
        return
    try:
        if get(catalogue, job).state in ("waiting", "running"):
            _end(catalogue, job, "failed", why)
        lock.path.unlink(missing_ok=True)
    finally:
        lock.let_go()


def _read(catalogue: Catalogue, layout: Layout, job: Job, progress: Progress | None) -> None:
    told_at = 0.0

    def told(stage: str, share: float) -> None:
        nonlocal told_at
        if progress is not None:
            progress(stage, share)
        if time.monotonic() - told_at < _TELL_EVERY_S:
            return
        told_at = time.monotonic()
        with catalogue.writing() as session:
            row = session.get(JobRow, job.id)
            if row is not None:
                row.stage, row.share = stage, share
                if row.cancel:
                    raise Cancelled

    key = str(job.settings["scan"])
    place = layout.reading(job.uid)
    if not (place / "reading.json").is_file() or not layout.labels(key, job.uid).is_dir():
        with catalogue.reading() as session:
            decisions = load_decisions(session, job.specimen_id)
            scan_row = session.scalar(sa.select(ScanRow).where(ScanRow.key == key))
            link = None if scan_row is None else session.get(SpecimenScan, (job.specimen_id, scan_row.id))
            box = None if link is None else link.box_zyx
        scan = open_store(layout.scan(key), threads=int(job.settings["threads"]))
        told("reading", 0.0)
        kept = read_specimen(
            scan,
            key,
            decisions,
            box_zyx=box,
            dentition=str(job.settings["dentition"]),
            threads=int(job.settings["threads"]),
            memory_mb=job.settings.get("memory_mb"),
            progress=lambda stage, share: told(stage, 0.95 * share),
            seen=lambda found: keep_glimpse(layout, job.uid, found),
            earlier=_earlier(catalogue, layout, job.specimen_id, key, decisions),
        )
        told("writing", 0.95)
        write_to_place(layout, scan, kept, job.uid, int(job.settings["threads"]))
    enter(catalogue, layout, job, key)


def _earlier(
    catalogue: Catalogue, layout: Layout, specimen_id: int, key: str, decisions: Sequence[Decision]
) -> Structures | None:
    """Return the structures of the last reading of a scan, with the ways from other scans on which was decided.

    None where all was decided on this scan, or it has not been read before.
    """
    if all(d.scan in ("", key) for d in decisions):
        return None
    known = readings_of(catalogue, specimen_id)
    own = [r for r in known if r.scan_key == key]
    if not own:
        return None
    others = others_of(known, key, decisions)
    return open_reading(layout, own[-1]).structures(open_reading(layout, r) for r in others)


def start_worker(layout: Layout, catalogue: Catalogue, job: int) -> subprocess.Popen[bytes]:
    """Start a process that does a job; it goes on when this one ends."""
    command = [sys.executable, "-m", "ossicle.collection.worker", str(layout.root), str(job)]
    environment = dict(os.environ)
    if not catalogue.is_sqlite:
        environment["OSSICLE_CATALOGUE"] = catalogue.url.render_as_string(hide_password=False)
    environment["PYTHONPATH"] = os.pathsep.join([str(_package_root()), environment.get("PYTHONPATH", "")])
    try:
        return subprocess.Popen(
            command,
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
    except OSError as error:
        raise OssicleError(
            f"no process could be started ({error.strerror})", where=shown(sys.executable), mend="try again"
        ) from error


def _package_root() -> Path:
    return Path(__file__).resolve().parents[2]


def follow(
    catalogue: Catalogue,
    layout: Layout,
    job: int,
    worker: subprocess.Popen[bytes],
    progress: Progress | None = None,
    every_s: float = 0.2,
) -> Job:
    """Wait for a job that a worker does, telling its progress; where ``progress`` raises, the job is cancelled."""
    try:
        while worker.poll() is None:
            now_at = get(catalogue, job)
            if progress is not None and now_at.state == "running":
                progress(now_at.stage, now_at.share)
            time.sleep(every_s)
    except BaseException:
        cancel(catalogue, job)
        try:
            worker.wait(timeout=30)
        except subprocess.TimeoutExpired:
            worker.kill()
            worker.wait()
            recover(catalogue, layout)
        raise
    recover(catalogue, layout)
    return get(catalogue, job)
