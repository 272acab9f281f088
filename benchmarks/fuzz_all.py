"""Every target of the fuzz bench for so long, guided by atheris, each in a process of its own; the results as a page.

``pip install atheris; python -m benchmarks.fuzz_all --seconds 1800 --jobs 2`` goes through all targets, least tried
first, and adds what it did to docs/fuzz.json and docs/fuzz.md after each. ``--until HH:MM`` starts none that would not
end by then. Inputs that reached new code are kept (``--corpus``), so that a later run goes on from them. How a fault
was mended is written into docs/fuzz.json by hand (``"mended"``).
"""

from __future__ import annotations

import argparse
import datetime
import json
import os
import re
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import platformdirs

from .matrix import root_of_project
from .pages import made_here, write_page
from .runner import one_thread_each

AGAIN = 5
"""How often a target is begun again whose process came to an end before its time (a crash, no memory, no answer)."""


def tried(name: str, seconds: float, corpus: Path, findings: Path) -> dict[str, Any]:
    """Fuzz one target for so long; return what libFuzzer and the bench tell of it."""
    row: dict[str, Any] = {
        "target": name,
        "seconds": 0.0,
        "processor": 0.0,
        "inputs": 0,
        "kept": 0,
        "peak_mb": 0.0,
        "faults": [],
    }
    command = [sys.executable, "-m", "benchmarks.fuzz", name, "--corpus", str(corpus / name)]
    for _ in range(AGAIN):
        left = seconds - row["seconds"]
        if left < 5:
            break
        began = time.monotonic()
        code, out, said, processor = ran([*command, "--seconds", str(int(left)), "--findings", str(findings / name)])
        row["seconds"] += round(time.monotonic() - began, 1)
        row["processor"] += round(processor, 1)
        row["faults"] += [line[:200] for line in out.splitlines() if line.startswith(f"{name}: ")]
        told = dict(re.findall(r"^stat::(\w+):\s+(\d+)$", said, re.M))
        if not told:
            row["faults"].append(f"{name}: it did not start: {said.strip().splitlines()[-1:]}")
            break
        row["inputs"] += int(told["number_of_executed_units"])
        row["peak_mb"] = max(row["peak_mb"], float(told["peak_rss_mb"]))
        reached = re.findall(r"cov: (\d+)", said)
        row["reached"] = int(reached[-1]) if reached else 0
        row["kept"] = sum(1 for _ in (corpus / name).iterdir())
        if code:
            ended = re.findall(r"ERROR: libFuzzer: (.*)", said) or [f"exit code {code}"]
            row["faults"].append(f"{name}: the process ended: {ended[0]}")
    return row


def ran(command: Sequence[str]) -> tuple[int, str, str, float]:
    """Run a command; return its exit code, what it wrote to both outputs, and seconds of processor."""
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as said:
        process = subprocess.Popen(command, stdout=out, stderr=said, cwd=root_of_project())
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        texts = []
        for file in (out, said):
            file.seek(0)
            texts.append(file.read().decode("utf-8", "replace"))
    return process.returncode, texts[0], texts[1], used.ru_utime + used.ru_stime


def page(rows: Sequence[dict[str, Any]], made: dict[str, Any]) -> str:
    """Markdown of all runs, summed by target."""
    lines = [
        "# Fuzzing",
        "",
        "Made by `python -m benchmarks.fuzz_all`; do not edit by hand. Each target is a reader of texts or files that",
        "people hand over. Inputs are changed at random, guided by the code that they reach (atheris, which drives",
        "libFuzzer); for scans also by the code of pydicom, tifffile, nibabel and pynrrd. What is JSON is changed so",
        "that it mostly stays JSON. Each input must give a",
        "result or one sentence, in less than 20 seconds and 2 GB. *Places reached* are branches counted by atheris,",
        "*kept* the inputs that reached new ones, *peak* is of the process with all libraries loaded. Minutes are by",
        "the wall, those of the processor only of runs since these were taken. Half an hour a",
        f"target is aimed at. {made['machine']}; last run at commit {made['commit']}, {made['date']}.",
        "",
        "| target | minutes | of processor | inputs | places reached | kept | peak, MB | faults |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for name in sorted({r["target"] for r in rows}):
        own = [r for r in rows if r["target"] == name]
        faults = sum(len(r["faults"]) for r in own)
        cells = [f"{sum(r['seconds'] for r in own) / 60:.0f}"]
        taken = [r["processor"] for r in own if "processor" in r]
        cells += [f"{sum(taken) / 60:.0f}" if taken else "–"]
        cells += [f"{sum(r['inputs'] for r in own):,}"]
        cells += [str(own[-1].get("reached", "")), str(own[-1]["kept"])]
        cells += [f"{max(r['peak_mb'] for r in own):.0f}", str(faults)]
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    found = [(r, f) for r in rows for f in r["faults"]]
    lines += ["", "## What was found", ""]
    lines += [f"- {r['date']}, {r['commit']}: {f}{_mended(r)}".replace("`", "'") for r, f in found] or ["Nothing."]
    return "\n".join(lines) + "\n"


def _mended(row: dict[str, Any]) -> str:
    return f" ({row['mended']})" if "mended" in row else ""


def main(argv: Sequence[str] | None = None) -> int:
    """Command line."""
    p = argparse.ArgumentParser(
        prog="python -m benchmarks.fuzz_all", description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    p.add_argument("targets", nargs="*", help="their names (default: all)")
    p.add_argument("--seconds", type=float, default=1800)
    p.add_argument("--jobs", type=int, default=2)
    p.add_argument("--until", help="HH:MM of today, by when all must have ended")
    place = Path(platformdirs.user_cache_dir("ossicle")) / "fuzz"
    p.add_argument("--corpus", type=Path, default=place / "corpus")
    p.add_argument("--findings", type=Path, default=place / "findings")
    p.add_argument("--docs", type=Path, default=root_of_project() / "docs")
    args = p.parse_args(argv)
    one_thread_each()
    from .fuzz_targets import targets

    kept = args.docs / "fuzz.json"
    rows: list[dict[str, Any]] = json.loads(kept.read_text())["rows"] if kept.exists() else []
    before: Counter[str] = Counter()
    for r in rows:
        before[r["target"]] += r["seconds"]
    end = datetime.datetime.max
    if args.until:
        end = datetime.datetime.combine(datetime.date.today(), datetime.time.fromisoformat(args.until))
    lock = threading.Lock()

    def one(name: str) -> None:
        if datetime.datetime.now() + datetime.timedelta(seconds=args.seconds) > end:
            return
        row = tried(name, args.seconds, args.corpus, args.findings)
        made = made_here(1)
        with lock:
            rows.append(row | {k: made[k] for k in ("commit", "date")} | {"load": os.getloadavg()[0]})
            print(json.dumps(row), flush=True)
            write_page(args.docs, "fuzz", page, rows, made)

    with ThreadPoolExecutor(args.jobs) as pool:
        list(pool.map(one, sorted(args.targets or targets(), key=lambda n: (before[n], n))))
    return int(any(r["faults"] for r in rows if "mended" not in r))


if __name__ == "__main__":
    raise SystemExit(main())
