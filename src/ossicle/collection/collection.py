"""The collection: one object through which notebooks, commands and the desk do everything.

from ossicle.collection import Collection, Rename

with Collection.open("cabinet") as cabinet:
    cabinet.read("OTC 12")
    cabinet.decide("OTC 12", Rename("upper-left/dP3", "dP4"), who="A. Reader", why="two-rooted, last of its row")
    print(cabinet.account("OTC 12").formula.text)
"""

from __future__ import annotations

import secrets
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, Self

from ossicle.account import Account
from ossicle.errors import Cancelled, OssicleError

from . import jobs, specimens
from .anchors import Structures
from .carrying import others_of
from .catalogue import Catalogue
from .changes import Changes, changes_between
from .check import Report, check
from .deciding import anchored, with_target
from .decisions import append_all, load_decisions
from .files import Layout
from .history import Decision
from .holdings import Handle, Holdings, Progress, person
from .keeping import open_reading, readings_of
from .kinds import Redo, Request, Undo
from .opinions import Opinions, opinions
from .place import found_there, made_anew, stopped_while_made
from .readings import KeptReading
from .receiving import Arriving, receive
from .records import Job, ReadingInfo
from .replay import Replayed, Seen, replay

__all__ = ["Collection"]

_KEPT_OPEN = 8


class Collection(Holdings):
    """A folder of scans and readings with a catalogue. Make one with `create`, open one with `open`.

    Specimens are named by their catalogue number, or by ``#`` and their number in the collection.
    """

    def __init__(self, layout: Layout, catalogue: Catalogue, uid: str) -> None:
        self.layout, self.catalogue, self.uid = layout, catalogue, uid
        self._open: dict[str, KeptReading] = {}

    @classmethod
    def create(cls, folder: str | Path, *, catalogue: str | None = None) -> Self:
        """Make a collection in a new or empty folder.

        Parameters
        ----------
        folder
            Where.
        catalogue
            ``postgresql://user@host/name`` of an empty database; left out, SQLite in the folder.

        Raises
        ------
        OssicleError
            The folder holds something, or the database belongs to another collection.
        """
        return cls(*made_anew(Layout(Path(folder).absolute()), catalogue))

    @classmethod
    def open(cls, folder: str | Path) -> Self:
        """Open a collection, bringing its catalogue to the current schema (a copy of an older one is kept).

        Raises
        ------
        OssicleError
            The folder is none, the catalogue cannot be reached, or is of a later Ossicle or another collection.
        """
        return cls(*found_there(Layout(Path(folder).absolute())))

    @classmethod
    def open_or_create(cls, folder: str | Path, *, catalogue: str | None = None) -> Self:
        """Open the collection that is there, or make one in a new or empty folder."""
        root = Path(folder).absolute()
        if Layout(root).marker.is_file():
            return cls.open(root)
        if root.is_dir() and stopped_while_made(root):
            shutil.rmtree(root)
        return cls.create(root, catalogue=catalogue)

    @classmethod
    @contextmanager
    def for_intake(cls, folder: str | Path, *, catalogue: str | None = None, dry_run: bool = False) -> Iterator[Self]:
        """Give a collection to take scans into: the one that is there, or a new one.

        In a dry run a new one is made elsewhere and thrown away.
        """
        if dry_run and not Layout(Path(folder).absolute()).marker.is_file():
            with tempfile.TemporaryDirectory(prefix="ossicle-") as place, cls.create(Path(place) / "dry") as made:
                yield made
            return
        with cls.open_or_create(folder, catalogue=catalogue) as held:
            yield held

    def close(self) -> None:
        """Close the catalogue."""
        self.catalogue.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # -- readings

    def queue(
        self,
        handle: Handle,
        *,
        dentition: str = "auto",
        scan: str | None = None,
        threads: int = 2,
        memory_mb: float | None = None,
        who: str | None = None,
    ) -> Job:
        """Queue a reading of a specimen; nothing is read yet."""
        settings: dict[str, Any] = {"dentition": dentition, "threads": threads, "scan": scan}
        if memory_mb is not None:
            settings["memory_mb"] = memory_mb
        return jobs.queue(self.catalogue, handle, settings, who or person())

    def read(
        self,
        handle: Handle,
        *,
        dentition: str = "auto",
        scan: str | None = None,
        threads: int = 2,
        memory_mb: float | None = None,
        who: str | None = None,
        progress: Progress | None = None,
    ) -> ReadingInfo:
        """Read a specimen in a process of its own, with its decisions, and wait for it.

        Raises
        ------
        OssicleError
            The reading failed.
        Cancelled
            It was cancelled; nothing was kept.
        """
        job = self.queue(handle, dentition=dentition, scan=scan, threads=threads, memory_mb=memory_mb, who=who)
        ended = self.run(job.id, progress=progress)
        if ended.state == "cancelled":
            raise Cancelled("Stopped; nothing was kept of the reading.")
        if ended.state != "done":
            raise OssicleError(
                ended.message.rstrip(".") or "its process ended without a word",
                where=f"job {job.id}",
                mend=None if ended.message else "do it again with `ossicle jobs COLLECTION --run`",
            )
        return next(r for r in self.readings(handle) if r.uid == job.uid)

    def run(self, job: int, *, progress: Progress | None = None) -> Job:
        """Do a waiting job in a process of its own, and wait for it; one cut off before goes on."""
        jobs.recover(self.catalogue, self.layout)
        worker = jobs.start_worker(self.layout, self.catalogue, job)
        return jobs.follow(self.catalogue, self.layout, job, worker, progress)

    def start(self, job: int) -> None:
        """Start a waiting job in a process of its own, and do not wait."""
        jobs.start_worker(self.layout, self.catalogue, job)

    def work_on(self, job: int, *, progress: Progress | None = None) -> Job:
        """Do a waiting job in this process."""
        return jobs.work_on(self.catalogue, self.layout, job, progress)

    def job(self, number: int) -> Job:
        """Return a job."""
        return jobs.get(self.catalogue, number)

    def jobs(self, *, unfinished: bool = False) -> list[Job]:
        """Return jobs, the newest first; those whose process is gone wait again."""
        jobs.recover(self.catalogue, self.layout)
        return jobs.listed(self.catalogue, unfinished=unfinished)

    def cancel(self, job: int) -> Job:
        """Ask a job to stop."""
        return jobs.cancel(self.catalogue, job)

    def readings(self, handle: Handle) -> list[ReadingInfo]:
        """Return the readings of a specimen, oldest first."""
        return readings_of(self.catalogue, self.specimen(handle).id)

    def reading(self, handle: Handle, number: int | None = None) -> KeptReading:
        """Return a reading as it was made, the last where no number is given; its labels are read when asked for."""
        return self._kept(self._info(handle, number))

    def _info(self, handle: Handle, number: int | None) -> ReadingInfo:
        known = self.readings(handle)
        if not known:
            raise OssicleError(
                f"{handle} has not been read yet", mend="read it with `ossicle read SPECIMEN --in COLLECTION`"
            )
        found = known[-1] if number is None else next((r for r in known if r.number == number), None)
        if found is None:
            raise OssicleError(f"{handle} has no reading {number}", mend=f"it has 1 to {known[-1].number}")
        return found

    def _kept(self, info: ReadingInfo) -> KeptReading:
        if info.uid not in self._open:
            while len(self._open) >= _KEPT_OPEN:
                self._open.pop(next(iter(self._open)))
            self._open[info.uid] = open_reading(self.layout, info)
        return self._open[info.uid]

    # -- decisions and accounts

    def decisions(self, handle: Handle, known: Sequence[Decision] = ()) -> list[Decision]:
        """Return all decisions of a specimen, in order, the undone ones too.

        Those that are ``known``, the first of them all, are not loaded again: none is ever altered.
        """
        with self.catalogue.reading() as session:
            number = specimens.find_row(session, handle).id
            if known:
                since = load_decisions(session, number, after=known[-1].number - 1)
                if since and since[0].digest == known[-1].digest:
                    return [*known, *since[1:]]
            return load_decisions(session, number)  # of another specimen that has taken the number, too

    def replayed(self, handle: Handle, *, reading: int | None = None, by: str | None = None) -> Replayed:
        """Return the account with decisions, and what became of each; ``by`` takes one person's alone."""
        return self._seen(handle, self._kept(self._info(handle, reading)), by).replayed

    def _seen(self, handle: Handle, kept: KeptReading, by: str | None = None) -> Seen:
        decisions = self.decisions(handle)
        return Seen(kept, decisions, _replayed(kept, self.structures(handle, kept, decisions), decisions, by))

    def structures(self, handle: Handle, kept: KeptReading, decisions: Sequence[Decision]) -> Structures:
        """Return a reading's structures, with the ways from the other scans on which was decided."""
        if all(d.scan in ("", kept.scan) for d in decisions):
            return kept.structures()
        others = others_of(self.readings(handle), kept.scan, decisions)
        return kept.structures(self._kept(r) for r in others)

    def account(self, handle: Handle, *, reading: int | None = None, by: str | None = None) -> Account:
        """Return the account of a specimen: a reading (the last where none is named) plus decisions."""
        return self.replayed(handle, reading=reading, by=by).account

    def decide(
        self,
        handle: Handle,
        said: Request,
        *,
        who: str | None = None,
        why: str = "",
        expected: int | None = None,
        reading: int | None = None,
        seen: Seen | None = None,
    ) -> Decision:
        """Keep a decision.

        Parameters
        ----------
        said
            One of the kinds of `ossicle.collection.kinds`.
        expected
            Number of the last decision that the person had seen (0: none); None keeps it whatever was said since.
        reading
            The reading that the person looks at; the last where left out.
        seen
            That reading as the person sees it, where it is at hand; what is meant is sought in it.

        Raises
        ------
        Conflict
            Others have decided since ``expected``; nothing was kept.
        OssicleError
            What is meant is not there, or cannot be.
        """
        return self.decide_all(handle, [said], who=who, why=why, expected=expected, reading=reading, seen=seen)[0]

    def decide_all(
        self,
        handle: Handle,
        said: Sequence[Request],
        *,
        who: str | None = None,
        why: str = "",
        expected: int | None = None,
        reading: int | None = None,
        seen: Seen | None = None,
    ) -> list[Decision]:
        """Keep several decisions that a person made at one stroke, all or none; otherwise as `decide`.

        Each is meant of the account as it was before all of them. Where they are several, ``said`` of each decision
        holds one ``act`` that tells that they belong together.
        """
        name = " ".join((who or person()).split())
        if not name:
            raise OssicleError("nobody is named who decides", mend="say who")
        at = specimens.now()
        act = {"act": secrets.token_hex(4)} if len(said) > 1 else {}
        targets = [s for s in said if isinstance(s, Undo | Redo)]
        others = [s for s in said if not isinstance(s, Undo | Redo)]
        made: list[Decision] = []
        if others:
            info = self._info(handle, reading)
            seen = seen or self._seen(handle, self._kept(info))
            structures = self.structures(handle, seen.kept, seen.decisions)
            for one in others:
                decision = anchored(one, name, at, why, seen.replayed, structures, seen.kept.facts)
                made.append(replace(decision, reading=info.number, said={**decision.said, **act}))

        def make(kept_so_far: Callable[[], Sequence[Decision]]) -> list[Decision]:
            before = list(kept_so_far()) if targets else []
            return [*(with_target(t, name, at, why, before) for t in targets), *made]

        return append_all(self.catalogue, handle, make, expected)

    def opinions(self, handle: Handle, first: str, second: str, *, reading: int | None = None) -> Opinions:
        """Return two persons' opinions side by side, with kappa and technical error."""
        kept, decisions = self._kept(self._info(handle, reading)), self.decisions(handle)
        return opinions(self.structures(handle, kept, decisions), decisions, first, second)

    def changes(self, handle: Handle, before: int, after: int | None = None) -> Changes:
        """Return what changed between two readings, without decisions."""
        old, new = self.reading(handle, before), self.reading(handle, after)
        ours, theirs = old.structures(), new.structures([old])
        return changes_between(ours, _replayed(old, ours, ()).account, theirs, _replayed(new, theirs, ()).account)

    def export(self, handle: Handle, out: str | Path) -> Account:
        """Write the folder of an account (as `ossicle read --out` does) out of the collection.

        Raises
        ------
        OssicleError
            The specimen may not be exported, or the place cannot be written to.
        """
        from ossicle.account.run import Outcome, write_outcome

        self.check_export(handle)
        kept = self.reading(handle)
        replayed = self.replayed(handle)
        geometry = self.scan(kept.scan).geometry
        return write_outcome(Path(out), Outcome(replayed.account, replayed.reading, geometry))

    def receive(self, handle: Handle, readings: Sequence[Arriving], decisions: Sequence[Decision]) -> None:
        """Keep readings and decisions that were made elsewhere, as they were made (`ossicle.collection.receiving`).

        Raises
        ------
        OssicleError
            The specimen has some already, or its scan is not there.
        """
        receive(self.catalogue, self.layout, handle, readings, decisions)

    def check(self, *, quick: bool = False, mend: bool = False, progress: Progress | None = None) -> Report:
        """Verify stores, checksums, references and histories (`ossicle.collection.check`)."""
        return check(self.catalogue, self.layout, quick=quick, mend=mend, progress=progress)


def _replayed(
    kept: KeptReading, structures: Structures, decisions: Sequence[Decision], by: str | None = None
) -> Replayed:
    return replay(structures, kept.facts, kept.made_by, decisions, heeded=kept.heeded, warnings=kept.warnings, by=by)
