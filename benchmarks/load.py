"""The desk under load: 20 persons read and decide at once at a shared desk, asked by locust on loopback.

``python -m benchmarks.load --minutes 10`` makes a small collection (a hand-drawn invented specimen), adds the persons,
starts ``ossicle desk --share`` behind a proxy that is only stated (locust speaks to it as that proxy would), and lets
each person sign in, read the account, rows, the list and a slice, and agree. Told are the times of answers as locust
measures them, faults, the server's memory, and whether each decision that was acknowledged is in the catalogue. Two
persons who decide at once get one decision and one conflict (409), which is no fault.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
NAME, PASSWORD = "desk.museum.test", "nine calm wombats dig"
AIM_MS = 300
PORT = 7058


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


def run(cabinet: Path, persons: int, minutes: float) -> int:
    """Run it; return how many things were not as they should be."""
    from ossicle.collection import Collection

    with Collection.open(cabinet) as held:
        findings = [f.id for f in held.account("OTC 1").findings]
    environment = {**os.environ, "PYTHONPATH": str(ROOT / "src")}
    server = subprocess.Popen(
        [sys.executable, "-m", "ossicle", "desk", str(cabinet), "--share", NAME, "--behind-proxy", "--port", str(PORT),
         "--threads", "1"],
        stderr=subprocess.PIPE, text=True, env=environment,
    )  # fmt: skip
    assert server.stderr is not None
    print(server.stderr.readline().strip(), flush=True)
    memory: list[float] = []
    told, kept = cabinet.parent / "told", cabinet.parent / "kept.json"
    environment |= {"OSSICLE_LOAD_FINDINGS": json.dumps(findings), "OSSICLE_LOAD_KEPT": str(kept)}
    try:
        load = subprocess.Popen(
            [sys.executable, "-m", "locust", "-f", str(ROOT / "benchmarks" / "load_persons.py"), "--headless",
             "-u", str(persons), "-r", "2", "-t", f"{round(minutes * 60)}s", "--host", f"http://127.0.0.1:{PORT}",
             "--csv", str(told), "--only-summary", "--exit-code-on-error", "0"],
            env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        while load.poll() is None:
            time.sleep(2)
            memory.append(memory_mb(server.pid))
        peak = memory_mb(server.pid, "VmHWM")
    finally:
        server.terminate()
        server.wait(60)
    print(f"\n{persons} persons, {minutes:g} minutes; load of the machine {os.getloadavg()[0]:.1f}\n")
    print("| what | asked | failed | median, ms | p95, ms | p99, ms |\n|---|---|---|---|---|---|")
    with open(f"{told}_stats.csv", newline="") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        fields = ("Name", "Request Count", "Failure Count", "50%", "95%", "99%")
        print("| " + " | ".join(row[f] for f in fields) + " |")
    with open(f"{told}_failures.csv", newline="") as file:
        for row in csv.DictReader(file):
            print(f"failed: {row['Name']}: {row['Error'][:300]} ({row['Occurrences']})")
    said = [tuple(k) for k in json.loads(kept.read_text())]
    with Collection.open(cabinet) as held:
        there = {(d.who, d.number) for d in held.decisions("OTC 1")}
        sound = held.check().sound
    lost = [k for k in said if k not in there]
    print(f"\ndecisions acknowledged {len(said)}, in the catalogue {len(there)}, lost {len(lost)}; sound: {sound}")
    half = memory[len(memory) // 2 :] or [0.0]
    print(f"memory of the server: {half[0]:.0f} MB half-way, {half[-1]:.0f} MB at the end, {peak:.0f} MB at most")
    slow = next((float(r["95%"]) for r in rows if r["Name"] == "account"), float("inf"))
    print(f"p95 of the account {slow:.0f} ms, aim {AIM_MS} ms: {'met' if slow <= AIM_MS else 'not met'}")
    failed = next(int(r["Failure Count"]) for r in rows if r["Name"] == "Aggregated")
    return len(lost) + failed + (not sound)


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
