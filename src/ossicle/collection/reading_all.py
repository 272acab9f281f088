"""Reading a whole collection: what is current is left, what was cut off goes on, what fails is told at the end.

The unit is a specimen's scan, read as a job (`jobs`): its result is moved into place whole before it is entered in the
catalogue, and its lock is let go when its process ends, however it ends. So a lost worker loses no result, and no
reading is kept twice. Work is done by processes of this machine, or by the workers of a Dask cluster that see the same
folder and catalogue.
"""

from __future__ import annotations

import subprocess
import time
from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from ossicle import __version__
from ossicle.errors import Cancelled, OssicleError

from . import jobs
from .decisions import load_decisions
from .keeping import readings_of
from .local import heeds_otherwise
from .records import Job
from .tables import ScanRow, SpecimenRow, SpecimenScan

if TYPE_CHECKING:
    from .collection import Collection

__all__ = ["Failure", "Outcome", "Unread", "read_all", "unread"]

Progress = Callable[[str, float], None]
_POLL_S = 0.1
_LOOK_S = 5.0
NO_WORKER_S = 120.0
"""How long a cluster may be without any worker: one that was lost takes a while to be replaced."""
_LOST = "its process ended without a word, {times}"


@dataclass(frozen=True)
class Unread:
    """A scan of a specimen of which there is no current reading."""

    specimen_id: int
    name: str
    scan: str


@dataclass(frozen=True)
class Failure:
    """A reading that could not be made, and why."""

    name: str
    scan: str
    job: int
    reason: str


@dataclass(frozen=True)
class Outcome:
    """What became of a collection: how many scans were ``read`` now, how many were ``current``, and what ``failed``."""

    read: int
    current: int
    failed: tuple[Failure, ...]


def unread(held: Collection, dentition: str = "auto") -> tuple[list[Unread], int]:
    """Return the scans that have no current reading, and how many have one.

    A reading is current that was made by this version, with this dentition and the decisions that hold now.
    """
    query = (
        sa.select(SpecimenRow.id, SpecimenRow.catalog_number, ScanRow.key)
        .join(SpecimenScan, SpecimenScan.specimen_id == SpecimenRow.id)
        .join(ScanRow, ScanRow.id == SpecimenScan.scan_id)
        .order_by(SpecimenRow.id, ScanRow.id)
    )
    with held.catalogue.reading() as session:
        pairs = [(int(row[0]), str(row[1]), str(row[2])) for row in session.execute(query)]
    due, current = [], 0
    for specimen, name, key in pairs:
        own = [r for r in readings_of(held.catalogue, specimen) if r.scan_key == key]
        if own and own[-1].code_version == __version__ and own[-1].settings.get("dentition") == dentition:
            with held.catalogue.reading() as session:
                decisions = load_decisions(session, specimen)
            if not heeds_otherwise(own[-1].heeded, key, decisions):
                current += 1
                continue
        due.append(Unread(specimen, name or f"#{specimen}", key))
    return due, current


def read_all(
    held: Collection,
    *,
    dentition: str = "auto",
    threads: int = 2,
    workers: int = 1,
    cluster: str | None = None,
    retries: int = 2,
    memory_mb: float | None = None,
    who: str = "",
    progress: Progress | None = None,
) -> Outcome:
    """Read every scan of a collection of which there is no current reading.

    Parameters
    ----------
    dentition, threads
        As for one specimen; ``threads`` of each.
    workers
        Processes at a time on this machine; of no meaning with a cluster.
    cluster
        Address of a Dask scheduler (``tcp://host:8786``) or its scheduler file (``*.json``).
    retries
        How often a reading is begun again whose process was lost.
    memory_mb
        Most memory of each reading, MB.
    progress
        Told after each specimen; may raise ``Cancelled``: what has not begun then waits for the next time.

    Raises
    ------
    OssicleError
        The cluster cannot be reached, or the packages for it are not installed.
    """
    jobs.recover(held.catalogue, held.layout)
    due, current = unread(held, dentition)
    settings: dict[str, Any] = {"dentition": dentition, "threads": threads}
    if memory_mb is not None:
        settings["memory_mb"] = memory_mb
    waiting = {
        (job.specimen_id, str(job.settings.get("scan"))): job
        for job in jobs.listed(held.catalogue, unfinished=True, most=1_000_000)
        if job.settings.get("dentition") == dentition
    }
    queued: dict[int, Unread] = {}
    for one in due:
        job = waiting.get((one.specimen_id, one.scan))
        if job is None:
            job = jobs.queue(held.catalogue, f"#{one.specimen_id}", {**settings, "scan": one.scan}, who)
        queued[job.id] = one
    ended = (
        _on_cluster(held, list(queued), cluster, retries)
        if cluster is not None
        else _here(held, list(queued), max(1, workers), retries)
    )
    read, failed = 0, []
    for job in ended:
        one = queued[job.id]
        if job.state == "done":
            read += 1
        else:
            reason = job.message or {"cancelled": "it was cancelled"}.get(job.state, f"it is {job.state}")
            failed.append(Failure(one.name, one.scan, job.id, reason.rstrip(".")))
        if progress is not None:
            total = read + len(failed)
            try:
                progress(f"{total} of {len(queued)} read, {one.name}", total / len(queued))
            except Cancelled:
                ended.close()
                raise
    return Outcome(read, current, tuple(sorted(failed, key=lambda f: f.job)))


def _lost(held: Collection, job: int, times: int) -> Job:
    """End a job whose process was lost too often."""
    said = "once" if times == 1 else f"{times} times"
    jobs.fail(held.catalogue, held.layout, job, _LOST.format(times=said))
    return jobs.get(held.catalogue, job)


def _here(held: Collection, queued: Sequence[int], workers: int, retries: int) -> Generator[Job, None, None]:
    """Do jobs in processes of this machine, so many at a time; yield each as it ended."""
    ahead = list(reversed(queued))
    running: dict[int, subprocess.Popen[bytes]] = {}
    times: dict[int, int] = {}
    try:
        while ahead or running:
            while ahead and len(running) < workers:
                job = ahead.pop()
                times[job] = times.get(job, 0) + 1
                running[job] = jobs.start_worker(held.layout, held.catalogue, job)
            over = [job for job, process in running.items() if process.poll() is not None]
            if not over:
                time.sleep(_POLL_S)
                continue
            jobs.recover(held.catalogue, held.layout)
            for job in over:
                del running[job]
                now = jobs.get(held.catalogue, job)
                if now.state == "waiting" and times[job] <= retries:
                    ahead.append(job)
                elif now.state == "waiting":
                    yield _lost(held, job, times[job])
                elif now.state == "running":  # another process has it
                    yield _waited_for(held, job)
                else:
                    yield now
    finally:
        for job, process in running.items():
            jobs.cancel(held.catalogue, job)
            try:
                process.wait(timeout=30)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        if running:
            jobs.recover(held.catalogue, held.layout)


def _waited_for(held: Collection, job: int) -> Job:
    while jobs.get(held.catalogue, job).state == "running":
        jobs.recover(held.catalogue, held.layout)
        time.sleep(_POLL_S)
    return jobs.get(held.catalogue, job)


def _on_cluster(held: Collection, queued: Sequence[int], cluster: str, retries: int) -> Generator[Job, None, None]:
    """Do jobs by the workers of a Dask cluster; yield each as it ended."""
    if not queued:
        return
    try:
        from distributed import Client
    except ImportError as error:
        raise OssicleError(
            f"a cluster needs the package {error.name}", where="--cluster", mend="install ossicle[cluster]"
        ) from error
    where: dict[str, Any] = {"scheduler_file": cluster} if cluster.endswith(".json") else {"address": cluster}
    try:
        if "scheduler_file" in where and not Path(cluster).is_file():
            raise FileNotFoundError(cluster)
        client = Client(**where, timeout="15s", set_as_default=False)
    except (OSError, ValueError) as error:
        raise OssicleError(
            "no Dask scheduler answers there", where=cluster, mend="start one with `dask scheduler`, and workers to it"
        ) from error
    with client, client.as_current():
        root = str(held.layout.root)
        # In their order; else one that was begun again after its worker was lost waits until all others are done.
        futures = {
            client.submit(
                work, root, job, key=f"ossicle-{job}-{time.time_ns()}", retries=retries, pure=False, priority=-place
            ): job
            for place, job in enumerate(queued)
        }
        try:
            for future in _ended(client, list(futures), cluster):
                job = futures[future]
                if future.status == "error":  # its worker was lost too often, or could not see the collection
                    jobs.recover(held.catalogue, held.layout)
                    jobs.fail(held.catalogue, held.layout, job, _why(future))
                yield jobs.get(held.catalogue, job)
                future.release()
        finally:
            client.cancel([f for f in futures if not f.done()])


def _ended(client: Any, futures: list[Any], cluster: str) -> Iterator[Any]:
    """Yield futures as they end; raises OssicleError where no worker has been there for some time."""
    from distributed import wait

    deserted: float | None = None
    while futures:
        try:
            done = wait(futures, timeout=_LOOK_S, return_when="FIRST_COMPLETED").done
        except TimeoutError:
            if client.nthreads():
                deserted = None
            elif deserted is None:
                deserted = time.monotonic()
            elif time.monotonic() - deserted > NO_WORKER_S:
                raise OssicleError(
                    "the cluster has no worker",
                    where=cluster,
                    mend="start workers to its scheduler and run this again; what has been read is kept",
                ) from None
            continue
        deserted = None
        yield from done
        futures = [f for f in futures if f not in done]


def _why(future: Any) -> str:
    error = future.exception()
    if type(error).__name__ == "KilledWorker":
        return "the workers that read it were lost, each time"
    if isinstance(error, OssicleError):
        return error.sentence()
    return f"its worker failed ({type(error).__name__}: {error})"


def work(folder: str, job: int) -> str:
    """Do a job of a collection in this process; a worker of a cluster calls it. Returns how it ended.

    One that another process still does (of a worker that was lost sight of) is waited for, and done if that one fails.
    """
    from .worker import held_for

    catalogue, layout = held_for(Path(folder), job)
    try:
        while True:
            ended = jobs.work_on(catalogue, layout, job)
            if ended.state not in ("waiting", "running"):
                return ended.state
            time.sleep(_POLL_S)
            jobs.recover(catalogue, layout)
    finally:
        catalogue.close()
