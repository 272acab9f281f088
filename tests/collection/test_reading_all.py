"""A whole collection read: what is current is left, what was cut off goes on, lost workers lose nothing, once each."""

from __future__ import annotations

import json
import os
import shutil
import signal
import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from cli_tools import Run
from stacks import write_scan

from ossicle.collection import Agree, Collection, jobs, reading_all
from ossicle.collection.reading_all import read_all, unread, work
from ossicle.errors import OssicleError

SCANS = 3


@pytest.fixture(scope="module")
def packed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A collection of small scans of noise, taken in once; each test has a copy."""
    place = tmp_path_factory.mktemp("whole")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("OSSICLE_CACHE", str(place / "cache"))
        with Collection.create(place / "cabinet") as made:
            for n in range(SCANS):
                values = np.random.default_rng(n).integers(0, 900, (14, 15, 16), np.uint16)
                made.take_in(write_scan(place / f"scan{n}", values=values), {"catalogNumber": f"OTC {n}"})
    return place / "cabinet"


@pytest.fixture
def cabinet(packed: Path, tmp_path: Path) -> Collection:
    return Collection.open(shutil.copytree(packed, tmp_path / "cabinet"))


def once_each(held: Collection) -> bool:
    return all(len(held.readings(f"OTC {n}")) == 1 for n in range(SCANS)) and held.check().faults == []


def test_what_is_current_is_left_and_what_was_decided_is_read_again(
    cabinet: Collection, run: Callable[..., Run]
) -> None:
    told: list[str] = []
    done = read_all(cabinet, threads=1, workers=2, progress=lambda stage, share: told.append(stage))
    assert (done.read, done.current, done.failed) == (SCANS, 0, ())
    assert told[-1].startswith(f"{SCANS} of {SCANS} read")
    assert once_each(cabinet)
    found = run("read", "--all", "--in", cabinet.layout.root, "--json")
    assert found.code == 0
    assert json.loads(found.out) == {"read": 0, "current": SCANS, "failed": []}
    cabinet.decide("OTC 1", Agree("dentition/none"), who="A. Reader")  # changes no reading
    assert unread(cabinet)[1] == SCANS
    due, current = unread(cabinet, "placental")
    assert (len(due), current) == (SCANS, 0)


def test_a_process_that_is_killed_is_begun_again_and_given_up_in_the_end(
    cabinet: Collection, monkeypatch: pytest.MonkeyPatch
) -> None:
    start, times = jobs.start_worker, [0]

    def killed_at_once(layout, catalogue, job):
        process = start(layout, catalogue, job)
        name = cabinet.specimen(f"#{jobs.get(catalogue, job).specimen_id}").catalog_number
        if name == "OTC 2" or (name == "OTC 1" and times[0] == 0):
            times[0] += name == "OTC 1"
            os.kill(process.pid, signal.SIGKILL)
        return process

    monkeypatch.setattr(jobs, "start_worker", killed_at_once)
    done = read_all(cabinet, threads=1, workers=3, retries=1)
    assert (done.read, done.current) == (SCANS - 1, 0)
    assert [(f.name, f.reason) for f in done.failed] == [("OTC 2", "its process ended without a word, 2 times")]
    monkeypatch.undo()
    again = read_all(cabinet, threads=1)
    assert (again.read, again.current, again.failed) == (1, SCANS - 1, ())
    assert once_each(cabinet)


def test_failures_are_told_at_the_end_with_reasons(cabinet: Collection, run: Callable[..., Run]) -> None:
    scan = cabinet.scans("OTC 0")[0].key
    shutil.rmtree(cabinet.layout.scan(scan) / "0")
    found = run("read", "--all", "--in", cabinet.layout.root, "--workers", "2", "--threads", "2")
    assert found.code == 2
    assert f"{SCANS - 1} read, 0 current, 1 failed" in found.out
    line = next(line for line in found.err.splitlines() if line.startswith("OTC 0"))
    assert scan[:8] in line
    assert "damaged" in line or "lacks" in line or "pieces" in line
    assert len(cabinet.readings("OTC 1")) == 1


def test_a_limit_of_memory_that_is_too_small_is_refused(cabinet: Collection, run: Callable[..., Run]) -> None:
    ended = cabinet.work_on(cabinet.queue("OTC 0", threads=1, memory_mb=50.0).id)
    assert ended.state == "failed"
    assert "GB of memory, 0.1 GB are allowed" in ended.message
    assert unread(cabinet)[1] == 0
    for words, said in (
        (("--memory", "plenty"), "no amount of memory"),
        (("--all",), "all scans of a collection"),
        (("--cluster", "tcp://x:1"), "no scan is named"),
    ):
        found = run("read", *words) if words[0] != "--memory" else run("read", "OTC 0", "--in", "x", *words)
        assert found.code == 2
        assert said in found.err


def test_no_cluster_is_one_sentence(cabinet: Collection) -> None:
    pytest.importorskip("distributed", reason="it comes with ossicle[cluster]")
    with pytest.raises(OssicleError, match="no Dask scheduler answers there"):
        read_all(cabinet, cluster="/nowhere/scheduler.json")


def test_a_cluster_whose_worker_is_killed_reads_all_once(cabinet: Collection, monkeypatch: pytest.MonkeyPatch) -> None:
    """Dask's own LocalCluster: processes, each watched by a nanny that starts another for one that was killed."""
    distributed = pytest.importorskip("distributed", reason="it comes with ossicle[cluster]")
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(p for p in os.sys.path if p))
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
    ) as cluster:
        pids = [worker.pid for worker in cluster.workers.values()]
        struck = threading.Event()

        def strike() -> None:
            """Kill a worker while it has a reading in work."""
            for _ in range(2_000):
                if any(job.state == "running" for job in jobs.listed(cabinet.catalogue, unfinished=True)):
                    os.kill(pids[0], signal.SIGKILL)
                    struck.set()
                    return
                time.sleep(0.005)

        watch = threading.Thread(target=strike)
        watch.start()
        done = read_all(cabinet, threads=1, cluster=cluster.scheduler_address)
        watch.join()
    assert struck.is_set()
    assert (done.read, done.failed) == (SCANS, ())
    assert once_each(cabinet)


TRIED: list[int] = []


def lost_at_first(folder: str, job: int) -> str:
    """Do a job; the first that is asked for fails once, as if its worker had been lost."""
    TRIED.append(job)
    if len(TRIED) == 1:
        raise ConnectionError("its worker was lost")
    return work(folder, job)


def test_what_was_lost_on_a_cluster_is_begun_again_before_what_comes_later(
    cabinet: Collection, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else all that was lost comes last, when other workers have nothing left to do."""
    distributed = pytest.importorskip("distributed", reason="it comes with ossicle[cluster]")
    TRIED.clear()
    monkeypatch.setattr(reading_all, "work", lost_at_first)
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None, silence_logs=50
    ) as cluster:
        done = read_all(cabinet, threads=1, cluster=cluster.scheduler_address)
    assert (done.read, done.failed) == (SCANS, ())
    first, last = min(TRIED), max(TRIED)
    assert TRIED.count(first) == 2
    assert TRIED.index(first, 1) < TRIED.index(last)


def test_a_cluster_without_workers_is_one_sentence(cabinet: Collection, monkeypatch: pytest.MonkeyPatch) -> None:
    distributed = pytest.importorskip("distributed", reason="it comes with ossicle[cluster]")
    monkeypatch.setattr(reading_all, "_LOOK_S", 0.1)
    monkeypatch.setattr(reading_all, "NO_WORKER_S", 0.2)
    with (
        distributed.LocalCluster(n_workers=0, processes=False, dashboard_address=None, silence_logs=50) as cluster,
        pytest.raises(OssicleError, match="has no worker"),
    ):
        read_all(cabinet, cluster=cluster.scheduler_address)
    assert unread(cabinet)[1] == 0
