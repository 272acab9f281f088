"""Killed at 50 random moments of intake, reading and deciding: the collection opens, and a check finds no fault.

The work is real (files, stores, the reading itself), on scans too small to hold a skull. Each round a process is
started, killed by SIGKILL, and the collection looked at; the process writes down what was acknowledged to it, and
nothing of that may be missing.
"""

from __future__ import annotations

import os
import random
import time
from multiprocessing.context import ForkServerContext
from pathlib import Path

import pytest
from crash_work import SCANS, work
from stacks import write_scan

from ossicle.collection import Collection

ROUNDS = 50


def wait_for_work(pid: int, seconds: float) -> None:
    """Wait until a process has had so many seconds of a processor; a busy machine then shows as much as an idle one."""
    ticks = os.sysconf("SC_CLK_TCK")
    until = time.monotonic() + 60
    while time.monotonic() < until:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        if (int(fields[11]) + int(fields[12])) / ticks >= seconds:
            return
        time.sleep(0.003)


@pytest.mark.slow
def test_killed_at_random_moments(tmp_path: Path, forked: ForkServerContext) -> None:
    sources, folder, log = tmp_path / "sources", tmp_path / "cabinet", tmp_path / "log"
    for n in range(SCANS):
        write_scan(sources / f"s{n:03}", n)
    rng = random.Random(7)
    log.touch()
    for round_ in range(ROUNDS):
        process = forked.Process(target=work, args=(str(folder), str(sources), str(log)))
        process.start()
        wait_for_work(process.pid or 0, rng.uniform(0.02, 0.5))
        time.sleep(rng.uniform(0, 0.05))
        process.kill()
        process.join()
        if not (folder / "collection.toml").is_file():
            continue  # killed while the collection itself was made; the next round makes it
        with Collection.open(folder) as cabinet:
            report = cabinet.check()
            assert report.sound, (round_, [f.sentence() for f in report.faults])
    with Collection.open_or_create(folder) as cabinet:
        acknowledged = log.read_text().splitlines()
        assert {j.state for j in cabinet.jobs()} <= {"done", "waiting"}
        done = {j.id for j in cabinet.jobs() if j.state == "done"}
        for line in acknowledged:
            what, _, of = line.partition(" ")
            if what == "taken":
                assert cabinet.scans(of)
            elif what == "read":
                assert int(of) in done
            else:
                number, _, decision = of.rpartition("/")
                assert int(decision) in {d.number for d in cabinet.decisions(number)}
        kinds = {line.split()[0] for line in acknowledged}
        assert kinds == {"taken", "read", "decided"}, "the rounds were too short to show anything"
        for job in cabinet.jobs(unfinished=True):
            assert cabinet.work_on(job.id).state == "done"
        report = cabinet.check(mend=True)
        assert report.sound
        assert cabinet.check().faults == []
