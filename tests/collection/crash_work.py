"""The work that `test_crash` kills; a module of its own, so that a server of processes can load it once."""

from __future__ import annotations

import os
from pathlib import Path

from stacks import write_scan
from unsynced import do_not_wait_for_the_disk

from ossicle.collection import Agree, Collection, Undo

SCANS = 40


def work(folder: str, sources: str, log: str) -> None:
    """Do what there is to do, again and again, and write down each step once it is acknowledged."""
    do_not_wait_for_the_disk()
    with open(log, "a", encoding="ascii", buffering=1) as said, Collection.open_or_create(folder) as cabinet:
        for job in reversed(cabinet.jobs(unfinished=True)):
            if cabinet.work_on(job.id).state == "done":
                said.write(f"read {job.id}\n")
        while True:
            taken = cabinet.specimens(per_page=1).total
            number = f"OTC {taken:04}" if taken else "OTC 0000"
            cabinet.take_in(
                Path(sources) / f"s{taken % SCANS:03}",
                {"catalogNumber": number},
                keep="copy",
                who="A. Reader",
                threads=1,
            )
            said.write(f"taken {number}\n")
            job = cabinet.queue(number, threads=1)
            if cabinet.work_on(job.id).state == "done":
                said.write(f"read {job.id}\n")
            for _ in range(3):
                made = cabinet.decide(number, Agree("dentition/none"), who="A. Reader")
                said.write(f"decided {number}/{made.number}\n")
            made = cabinet.decide(number, Undo(), who="A. Reader")
            said.write(f"decided {number}/{made.number}\n")


def once(folder: Path) -> None:
    """Do each step once, so that all modules are loaded."""
    with Collection.create(folder / "cabinet") as cabinet:
        cabinet.take_in(write_scan(folder / "scan"), {"catalogNumber": "OTC 0"}, threads=1)
        cabinet.work_on(cabinet.queue("OTC 0", threads=1).id)
        cabinet.decide("OTC 0", Agree("dentition/none"), who="A. Reader")


if "OSSICLE_TEST_WARM" in os.environ and not Path(os.environ["OSSICLE_TEST_WARM"]).exists():
    once(Path(os.environ["OSSICLE_TEST_WARM"]))
