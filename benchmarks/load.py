"""The desk under load: 20 persons read and decide at once at a shared desk, asked by locust on loopback.

``python -m benchmarks.load --minutes 10`` makes a small collection (a hand-drawn invented specimen), adds the persons,
starts ``ossicle desk --share`` behind a proxy that is only stated (locust speaks to it as that proxy would), and lets
each person sign in, read the account, rows, the list and a slice, and agree. Told are the times of answers as locust
measures them, faults, the server's memory, and whether each decision that was acknowledged is in the catalogue. Two
persons who decide at once get one decision and one conflict (409), which is no fault.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
NAME, PASSWORD = "desk.museum.test", "nine calm wombats dig"
AIM_MS = 300


def made(place: Path, persons: int) -> Path:
    """Make a collection with one read specimen, and the persons."""
    sys.path += [str(ROOT / "tests" / "desk"), str(ROOT / "tests" / "account")]
    from desk_world import make

    from ossicle.desk.persons import Persons

    cabinet = Path(make(place))
    known = Persons(cabinet)
    for number in range(persons):
        known.put(f"Person {number}", "decide", PASSWORD)
    return cabinet


def memory_mb(pid: int, field: str = "VmRSS") -> float:
    """Return a process's memory."""
    found = re.search(rf"{field}:\s+(\d+)", Path(f"/proc/{pid}/status").read_text())
    return int(found[1]) / 1024 if found else 0.0


def user(findings: list[str], kept: list[tuple[str, int]]) -> Any:
    """Return the class of a person at the desk."""
    from locust import FastHttpUser, between, task

    class Reader(FastHttpUser):
        """Somebody who reads, and decides now and then."""

        wait_time = between(1, 3)
        count = 0

        def on_start(self) -> None:
            type(self).count += 1
            self.number = type(self).count - 1
            self.own = {
                "host": NAME,
                "x-forwarded-proto": "https",
                "x-forwarded-for": f"192.0.2.{self.number + 1}",
            }
            with self.client.post(
                "/enter", data={"name": f"Person {self.number}", "password": PASSWORD}, headers=self.own,
                allow_redirects=False, catch_response=True, name="sign in",
            ) as answer:  # fmt: skip
                if answer.status_code != 303:
                    answer.failure(f"{answer.status_code}: {answer.text}")
                    return
                answer.success()
                # The cookie is for TLS alone, which the stated proxy would speak.
                self.own["cookie"] = answer.headers["set-cookie"].partition(";")[0]
            page = self.client.get("/", headers=self.own, name="page").text
            self.own["x-ossicle-desk"] = re.search(r'desk-token" content="([^"]+)', page)[1]  # type: ignore[index]

        @task(6)
        def account(self) -> None:
            self.client.get("/api/specimens/1", headers=self.own, name="account")

        @task(2)
        def rows(self) -> None:
            self.client.get("/api/specimens/1/rows", headers=self.own, name="rows")

        @task(2)
        def listed(self) -> None:
            self.client.get("/api/specimens", headers=self.own, name="list")

        @task(2)
        def cut(self) -> None:
            asked = "origin=20,15,15&u=1,0,0&v=0,1,0&width=20&height=20&px=300"
            self.client.get(f"/api/specimens/1/slice.png?{asked}", headers=self.own, name="slice")

        @task(2)
        def decide(self) -> None:
            version = self.client.get("/api/specimens/1", headers=self.own, name="account").json()["version"]
            said = {"kind": "agree", "finding": findings[self.number % len(findings)], "expected": version}
            with self.client.post(
                "/api/specimens/1/decisions", json=said, headers=self.own, catch_response=True, name="decide"
            ) as answer:
                if answer.status_code == 200:
                    kept.append((f"Person {self.number}", answer.json()["version"]))
                    answer.success()
                elif answer.status_code == 409:
                    answer.success()
                else:
                    answer.failure(f"{answer.status_code}: {answer.text}")

    return Reader


def run(cabinet: Path, persons: int, minutes: float) -> int:
    """Run it; return how many things were not as they should be."""
    import gevent
    from locust.env import Environment

    server = subprocess.Popen(
        [sys.executable, "-m", "ossicle", "desk", str(cabinet), "--share", NAME, "--behind-proxy", "--port", "7058",
         "--threads", "1"],
        stderr=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": str(ROOT / "src")},
    )  # fmt: skip
    assert server.stderr is not None
    print(server.stderr.readline().strip(), flush=True)
    from ossicle.collection import Collection

    with Collection.open(cabinet) as held:
        findings = [f.id for f in held.account("OTC 1").findings]
    kept: list[tuple[str, int]] = []
    memory: list[float] = []
    try:
        environment = Environment(user_classes=[user(findings, kept)], host="http://127.0.0.1:7058")
        runner = environment.create_local_runner()
        runner.start(persons, spawn_rate=2)
        until = time.monotonic() + minutes * 60
        while time.monotonic() < until:
            gevent.sleep(5)
            memory.append(memory_mb(server.pid))
        runner.stop()
        peak = memory_mb(server.pid, "VmHWM")
    finally:
        server.terminate()
        server.wait(60)
    stats = environment.stats
    print(f"\n{persons} persons, {minutes:g} minutes; load of the machine {os.getloadavg()[0]:.1f}\n")
    print("| what | asked | failed | median, ms | p95, ms | p99, ms |\n|---|---|---|---|---|---|")
    for entry in sorted(stats.entries.values(), key=lambda e: e.name):
        median, p95, p99 = (entry.get_response_time_percentile(q) or 0 for q in (0.5, 0.95, 0.99))
        row = (entry.name, entry.num_requests, entry.num_failures, f"{median:.0f}", f"{p95:.0f}", f"{p99:.0f}")
        print("| " + " | ".join(map(str, row)) + " |")
    with Collection.open(cabinet) as held:
        there = {(d.who, d.number) for d in held.decisions("OTC 1")}
        sound = held.check().sound
    lost = [k for k in kept if k not in there]
    print(
        f"\ndecisions acknowledged {len(kept)}, in the catalogue {len(there)}, lost {len(lost)}; check sound: {sound}"
    )
    half = memory[len(memory) // 2 :] or [0.0]
    print(f"memory of the server: {half[0]:.0f} MB half-way, {half[-1]:.0f} MB at the end, {peak:.0f} MB at most")
    for error in stats.errors.values():
        print(f"failed: {error.name}: {error.error} ({error.occurrences})")
    slow = stats.get("account", "GET").get_response_time_percentile(0.95) or 0
    print(f"p95 of the account {slow:.0f} ms, aim {AIM_MS} ms: {'met' if slow <= AIM_MS else 'not met'}")
    return len(lost) + stats.total.num_failures + (not sound)


def main() -> None:
    """Parse the command line and run."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=10)
    parser.add_argument("--persons", type=int, default=20)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="ossicle-load-") as place:
        cabinet = made(Path(place), given.persons)
        sys.exit(bool(run(cabinet, given.persons, given.minutes)))


if __name__ == "__main__":
    main()
