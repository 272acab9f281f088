"""Long work as the page watches it: scans being taken in, here, and readings, in processes of their own.

Scans are taken in one after another by this process; what was asked for is written down, so that a desk that was ended
meanwhile can say so and begin again. Readings go on when the desk ends. One reading runs at a time.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Literal

from ossicle.collection import Collection, Job
from ossicle.collection.files import write_file
from ossicle.collection.glimpses import glimpse_file
from ossicle.errors import Cancelled, OssicleError

__all__ = ["Board", "Task"]

State = Literal["waiting", "running", "done", "failed", "cancelled", "stopped"]
_ENDED = ("done", "failed", "cancelled")
_LOOK_S = 0.4


@dataclass(frozen=True)
class Task:
    """A scan to take in. ``stopped`` says that the desk ended before it was done."""

    number: int
    name: str
    source: str
    spacing: str | None
    series: str | None
    mirrored: bool
    terms: Mapping[str, str]
    read: bool
    who: str
    dentition: str = "auto"
    state: State = "waiting"
    stage: str = ""
    share: float = 0.0
    message: str = ""
    specimen: int | None = None
    notes: tuple[str, ...] = ()


class Board:
    """Jobs of one collection.

    Parameters
    ----------
    cabinet
        An open collection.
    folder
        Where it is written down which scans are to be taken in.
    threads
        How many threads a job may use.
    on_read
        Called with the number of a specimen whose reading is done.
    """

    def __init__(
        self, cabinet: Collection, folder: Path, threads: int = 2, on_read: Callable[[int], None] | None = None
    ) -> None:
        self.cabinet, self.folder, self.threads, self.on_read = cabinet, folder, threads, on_read
        self._lock = threading.RLock()
        self._wake = threading.Event()
        self._ending = threading.Event()
        self._cancelled: set[int] = set()
        self._threads: list[threading.Thread] = []
        self._tasks: dict[int, Task] = {}
        for file in sorted(folder.glob("intake-*.json")) if folder.is_dir() else []:
            task = _load(file)
            if task is not None:
                state = task.state if task.state in _ENDED else "stopped"
                self._tasks[task.number] = replace(task, state=state)

    def open(self) -> None:
        """Begin to work through what waits."""
        for work in (self._take_in, self._start_readings):
            thread = threading.Thread(target=work, daemon=True, name=f"desk {work.__name__}")
            thread.start()
            self._threads.append(thread)

    def close(self) -> None:
        """Stop working; a scan that is being taken in is left off, and may be begun again."""
        self._ending.set()
        self._wake.set()
        for thread in self._threads:
            thread.join(timeout=5)

    @property
    def ending(self) -> bool:
        """Whether the desk is ending."""
        return self._ending.is_set()

    # -- what the page asks

    def listed(self) -> list[dict[str, Any]]:
        """Return all jobs that are not long over, the newest first."""
        with self._lock:
            tasks = [_task_row(t) for t in self._tasks.values()]
        jobs = [self._told(j) for j in self.cabinet.jobs()]
        return sorted([*tasks, *jobs], key=lambda j: (j["state"] in _ENDED, -j["order"]))

    def job(self, name: str) -> dict[str, Any]:
        """Return one job by its id: ``intake-3`` or ``reading-5``."""
        kind, number = _parsed(name)
        if kind == "reading":
            return self._told(self.cabinet.job(number))
        with self._lock:
            if number not in self._tasks:
                raise OssicleError(f"there is no job {name}", mend="the list of jobs names them")
            return _task_row(self._tasks[number])

    def take_in(
        self,
        source: Path,
        terms: Mapping[str, str],
        *,
        spacing: str | None,
        series: str | None,
        mirrored: bool,
        read: bool,
        who: str,
        dentition: str = "auto",
    ) -> dict[str, Any]:
        """Queue a scan to take in, and after it its reading where asked for."""
        from ossicle.collection.intake import name_of
        from ossicle.collection.terms import specimen_data
        from ossicle.scans import parse_spacing

        said = {k: str(v) for k, v in terms.items() if str(v).strip()}
        said.setdefault("catalogNumber", name_of(source))
        specimen_data(said)
        if spacing is not None:
            parse_spacing(spacing)
        with self._lock:
            number = max(self._tasks, default=0) + 1
            task = Task(
                number, source.name, str(source), spacing, series, mirrored, said, read, who, dentition, stage="waiting"
            )
            self._keep(task)
        self._wake.set()
        return _task_row(task)

    def read(self, specimen: int, who: str, dentition: str = "auto", scan: str | None = None) -> dict[str, Any]:
        """Queue a reading of a specimen; where one waits or runs already, that one is told."""
        for job in self.cabinet.jobs(unfinished=True):
            if job.specimen_id == specimen:
                return self._told(job)
        job = self.cabinet.queue(f"#{specimen}", dentition=dentition, threads=self.threads, who=who, scan=scan)
        self._wake.set()
        return self._told(job)

    def cancel(self, name: str) -> dict[str, Any]:
        """Ask a job to stop."""
        kind, number = _parsed(name)
        if kind == "reading":
            return self._told(self.cabinet.cancel(number))
        with self._lock:
            task = self._tasks.get(number)
            if task is None:
                raise OssicleError(f"there is no job {name}", mend="the list of jobs names them")
            if task.state in ("waiting", "stopped"):
                task = replace(task, state="cancelled")
                self._keep(task)
            elif task.state == "running":
                self._cancelled.add(number)
            return _task_row(task)

    def again(self, name: str, spacing: str | None = None) -> dict[str, Any]:
        """Begin a job again that failed, was cancelled or was stopped; with another spacing where given."""
        kind, number = _parsed(name)
        if kind == "reading":
            job = self.cabinet.job(number)
            return self.read(job.specimen_id, job.who, str(job.settings["dentition"]), str(job.settings["scan"]))
        with self._lock:
            task = self._tasks.get(number)
            if task is None or task.state in ("running", "waiting", "done"):
                raise OssicleError(f"there is no job {name} to begin again", mend="the list of jobs names them")
            if spacing is not None:
                from ossicle.scans import parse_spacing

                parse_spacing(spacing)
            self._cancelled.discard(number)
            task = replace(
                task, state="waiting", stage="waiting", share=0.0, message="", spacing=spacing or task.spacing
            )
            self._keep(task)
        self._wake.set()
        return _task_row(task)

    def _told(self, job: Job) -> dict[str, Any]:
        """A reading's row, under the catalogue number of its specimen."""
        name: str | None = None
        with suppress(OssicleError):
            name = self.cabinet.specimen(f"#{job.specimen_id}").catalog_number
        return {**_job_row(job), "name": name, "found_url": self._found_url(job)}

    def _found_url(self, job: Job) -> str | None:
        """Where what a reading under way has found so far is shown; it changes with what is found."""
        if job.state != "running":
            return None
        with suppress(OSError):
            at = glimpse_file(self.cabinet.layout, job.uid).stat().st_mtime_ns
            return f"/api/jobs/reading-{job.id}/found.png?at={at}"
        return None

    def found(self, name: str) -> bytes:
        """Return what a reading under way has found so far, as a picture to lay over that of its scan."""
        from .found import coloured

        kind, number = _parsed(name)
        nothing = OssicleError(f"there is no picture of what job {name} has found", mend="look again when it runs")
        if kind != "reading":
            raise nothing
        try:
            return coloured(glimpse_file(self.cabinet.layout, self.cabinet.job(number).uid).read_bytes())
        except OSError as error:
            raise nothing from error

    # -- the work

    def _keep(self, task: Task, *, written: bool = True) -> None:
        with self._lock:
            self._tasks[task.number] = task
        if written:
            self.folder.mkdir(parents=True, exist_ok=True)
            text = json.dumps(asdict(task), ensure_ascii=False, indent=1)
            write_file(self.folder / f"intake-{task.number:06}.json", text.encode())

    def _take_in(self) -> None:
        while not self._ending.is_set():
            with self._lock:
                task = next((t for _, t in sorted(self._tasks.items()) if t.state == "waiting"), None)
            if task is None:
                self._wake.wait(_LOOK_S)
                self._wake.clear()
                continue
            self._one(task)

    def _one(self, task: Task) -> None:
        def told(stage: str, share: float) -> None:
            if self._ending.is_set() or task.number in self._cancelled:
                raise Cancelled
            self._keep(replace(running, stage=stage.partition(": ")[2] or stage, share=share), written=False)

        running = replace(task, state="running", stage="opening")
        self._keep(running)
        try:
            taken = self.cabinet.take_in(
                task.source,
                task.terms,
                spacing=task.spacing,
                series=task.series,
                mirrored=task.mirrored,
                who=task.who,
                threads=self.threads,
                progress=told,
            )[0]
            specimen = self.cabinet.specimen(taken.specimen).id
            done = replace(running, state="done", stage="done", share=1.0, specimen=specimen, notes=taken.notes)
            self._keep(done)
            if task.read:
                self.read(specimen, task.who, task.dentition, taken.scan_key)
        except Cancelled:
            ended = self._ending.is_set() and task.number not in self._cancelled
            self._keep(replace(running, state="stopped" if ended else "cancelled"))
        except OssicleError as error:
            self._keep(replace(running, state="failed", message=error.sentence()))
        except Exception as error:
            self._keep(
                replace(
                    running, state="failed", message=f"This is a fault in Ossicle ({type(error).__name__}: {error})."
                )
            )

    def _start_readings(self) -> None:
        before: dict[int, int] = {}
        while not self._ending.wait(_LOOK_S):
            try:
                unfinished = self.cabinet.jobs(unfinished=True)
                if unfinished and not any(j.state == "running" for j in unfinished):
                    oldest = min(unfinished, key=lambda j: j.id)
                    self.cabinet.start(oldest.id)
                    self._await_start(oldest.id)
                now = {j.id: j.specimen_id for j in unfinished}
                for job in sorted(set(before) - set(now)):
                    if self.on_read is not None and self.cabinet.job(job).state == "done":
                        self.on_read(before[job])
                before = now
            except OssicleError:  # the catalogue may be busy; the next look tells
                continue

    def _await_start(self, job: int) -> None:
        for _ in range(75):
            if self._ending.wait(_LOOK_S) or self.cabinet.job(job).state != "waiting":
                return


def _parsed(name: str) -> tuple[str, int]:
    kind, _, number = name.partition("-")
    if kind not in ("intake", "reading") or not number.isdigit():
        raise OssicleError(f"there is no job {name}", mend="the list of jobs names them")
    return kind, int(number)


def _load(file: Path) -> Task | None:
    try:
        data = json.loads(file.read_text(encoding="utf-8"))
        return Task(**{**data, "notes": tuple(data["notes"])})
    except (OSError, ValueError, TypeError, KeyError):
        return None


def _task_row(task: Task) -> dict[str, Any]:
    return {
        "id": f"intake-{task.number}",
        "kind": "intake",
        "order": task.number,
        "name": task.terms.get("catalogNumber", task.name),
        "source": task.name,
        "specimen": task.specimen,
        "state": task.state,
        "stage": task.stage,
        "fraction": round(task.share, 4),
        "error": task.message or None,
        "needs_spacing": task.state == "failed" and "spacing" in task.message,
        "notes": list(task.notes),
        "read": task.read,
        "who": task.who,
        "picture_url": None,
        "found_url": None,
    }


def _job_row(job: Job) -> dict[str, Any]:
    return {
        "id": f"reading-{job.id}",
        "kind": "reading",
        "order": job.id,
        "name": None,
        "source": None,
        "specimen": job.specimen_id,
        "state": job.state,
        "stage": job.stage,
        "fraction": round(job.share, 4),
        "error": job.message or None,
        "needs_spacing": False,
        "notes": [],
        "read": True,
        "who": job.who,
        "queued": job.queued,
        "started": job.started or None,
        "ended": job.ended or None,
        "picture_url": f"/api/specimens/{job.specimen_id}/scan.png",
    }
