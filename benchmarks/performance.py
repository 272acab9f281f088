"""What each step costs and how it grows, beside a plain pipeline and beside one pass over the stored scan.

``python -m benchmarks.performance``                              128 to 1024 voxels on edge; writes docs/performance.md
``python -m benchmarks.performance --sizes 256 512 --desk-sizes``  fewer, without the desk

A size that was measured with the same code of the reading is not measured again (``--again``).

One invented juvenile skull fills every volume; those over 512 voxels on edge are the one of 512 enlarged, with noise of
their own. Every step is a process of its own. Seconds of processor are told beside those of the wall, since walls say
little on a machine that others use: what else ran is told as the load (processes that wanted a processor).
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import platformdirs

from .cubes import LARGEST_DRAWN, cube
from .matrix import code_hash, maker_files, reading_files, root_of_project
from .pages import made_here, write_page
from .runner import COMMAND, one_thread_each, run_counted
from .speed import exponent

SEED = 865
PLAIN_UP_TO = 512
"""Voxels on edge up to which the plain pipeline is run: it takes 60 bytes a voxel."""
STREAM = """
import sys, time
from pathlib import Path
from ossicle.scans import open_store
from ossicle.scans.lazy import slabs
scan = open_store(Path(sys.argv[1]), threads=int(sys.argv[2]))
total = sum(int(slab[0, 0, 0]) + slab.size for _, slab in slabs(scan.values))
"""
BARS = {1024: (360.0, 6000.0), 2048: (2400.0, 10000.0)}
"""Seconds and MB that a reading may take (the project's aims, for an idle machine of two cores)."""


def counted(command: Sequence[str], environment: Mapping[str, str] | None = None) -> dict[str, float]:
    """Seconds of wall and processor and peak memory of a command that must succeed."""
    done = run_counted(list(command), 7200.0, environment)
    if done.code:
        raise RuntimeError(f"{' '.join(command[:6])} failed with exit code {done.code}: {done.message[-400:]}")
    return {"seconds": done.seconds, "processor_s": done.processor_s, "peak_mb": done.peak_mb}


def one_size(
    size: int, work: Path, threads: int, coarse: Path | None, publish: bool, desk: bool
) -> tuple[dict[str, Any], Path]:
    """Measure every step at one size; returns the figures and the folder of slices."""
    slices = cube(size, work / f"cube-{size}-{SEED}-{code_hash(maker_files('foreign'))}", SEED, coarse)
    cache, out = work / "cache", work / "out"
    for folder in (cache, out):
        shutil.rmtree(folder, ignore_errors=True)
    here = {"OSSICLE_CACHE": str(cache)}
    row: dict[str, Any] = {"size": size, "mvoxel": size**3 / 1e6, "load_before": os.getloadavg()[0]}
    row["intake"] = {name: intake(name, slices) for name in ("plain", "ours")}
    row["read"] = counted([*COMMAND, "read", str(slices), "--out", str(out), "--threads", str(threads)], here)
    account = json.loads((out / "account.json").read_text())
    row["stages"] = account["made_by"]["stages"]
    row["teeth"] = len(account["teeth"])
    store = next((cache / "scans").glob("*.ome.zarr"))
    row["stream"] = counted([sys.executable, "-c", STREAM, str(store), str(threads)])
    row["stored_bytes"] = sum(p.stat().st_size for p in store.rglob("*") if p.is_file())
    shutil.rmtree(cache)
    if size <= PLAIN_UP_TO:
        row["plain"] = counted([sys.executable, "-m", "benchmarks.reference", str(slices)])
    if publish and row["teeth"]:
        row["publish"] = published(out)
    if desk:
        row["desk"] = at_the_desk(slices, work, threads)
    row["load_after"] = os.getloadavg()[0]
    print(json.dumps(row), flush=True)
    return row, slices


def intake(name: str, slices: Path) -> dict[str, float]:
    """Intake by us, or reading the files and writing zstd once."""
    command = [sys.executable, "-m", "benchmarks.intake", "--one", name, "--stack", str(slices)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return found


def published(folder: Path) -> dict[str, Any]:
    """Meshes, a plate and a lesson of a reading's folder."""
    command = [sys.executable, "-m", "benchmarks.publish", str(folder), "--only", "meshes", "plate", "lesson"]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    found: dict[str, Any] = json.loads(done.stdout)
    return {name: v for name, v in found.items() if isinstance(v, dict) and "wall_s" in v}


def at_the_desk(slices: Path, work: Path, threads: int) -> dict[str, Any]:
    """The desk's start on a collection of this scan: page, specimen, scan for ray casting, surfaces, made anew."""
    from .desk import Desk, timed

    place = work / "cabinet"
    shutil.rmtree(place, ignore_errors=True)
    words = [str(slices), "--into", str(place), "--term", "catalogNumber=OTC 1"]
    counted([*COMMAND, "intake", *words])
    counted([*COMMAND, "read", "OTC 1", "--in", str(place), "--threads", str(threads)])
    desk = Desk(place)
    try:
        found: dict[str, Any] = {"page_s": desk.page_s}
        wall, cpu, specimen = timed(desk, lambda: desk.json("api/specimens/1"))
        found["specimen"] = {"wall_s": wall, "processor_s": cpu}
        wall, cpu, data = timed(desk, lambda: desk.bytes("api/specimens/1/volume"))
        found["first picture"] = {"wall_s": wall, "processor_s": cpu, "bytes": len(data)}
        wall, cpu, _ = timed(desk, lambda: desk.bytes(specimen["surfaces_url"].lstrip("/")))
        found["surfaces"] = {"wall_s": wall, "processor_s": cpu}
        return found
    finally:
        desk.close()
        shutil.rmtree(place, ignore_errors=True)


def page(rows: Sequence[dict[str, Any]], made: dict[str, Any]) -> str:
    """Markdown of the results."""
    lines = [
        "# Performance",
        "",
        "Made by `python -m benchmarks.performance`; do not edit by hand. One invented juvenile skull fills each",
        f"volume, 16 bits; those over {LARGEST_DRAWN} voxels on edge are that of {LARGEST_DRAWN} enlarged, with noise",
        "of their own. *s* is wall time, *cpu s* seconds of processor (of all threads), *MB* the peak of the process.",
        "*Plain* is the same stages as whole-volume scipy and scikit-image calls (`benchmarks/reference.py`), which",
        "find no pose, names, rows or succession; *stream* is one pass over the stored scan.",
        "",
        f"Commit {made['commit']}, {made['date']}, {made['machine']}, {made['threads']} threads. {made['beside']}",
        "",
        "## Reading a scan",
        "",
        "`ossicle read SLICES --out FOLDER`: start, intake, reading, account and labels written.",
        "",
        "| voxels | s | cpu s | MB | plain s | plain cpu s | plain MB | cpu: plain / ossicle | stream s | "
        "stream cpu s | cpu: ossicle / stream | load | aim |",
        "|---|---|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    for r in rows:
        ours, plain, stream = r["read"], r.get("plain"), r["stream"]
        beside = ["", "", "", ""]
        if plain:
            beside = _three(plain)
            beside.append(f"{plain['processor_s'] / ours['processor_s']:.2f}")
        cells = [
            f"{r['size']}³",
            *(f"{ours[k]:.{n}f}" for k, n in (("seconds", 1), ("processor_s", 1), ("peak_mb", 0))),
        ]
        cells += [*beside, f"{stream['seconds']:.1f}", f"{stream['processor_s']:.1f}"]
        cells += [f"{ours['processor_s'] / stream['processor_s']:.1f}", _load(r), aim(r)]
        lines.append("| " + " | ".join(cells) + " |")
    sizes = [r["size"] for r in rows]
    lines += ["", "Growth with the number of voxels (slope of the logarithms, all sizes; aims 0.9 and 0.5):", ""]
    for what, key in (("wall time", "seconds"), ("processor time", "processor_s"), ("memory", "peak_mb")):
        ours_all = exponent(sizes, [r["read"][key] for r in rows])
        with_plain = [r for r in rows if r.get("plain")]
        theirs = exponent([r["size"] for r in with_plain], [r["plain"][key] for r in with_plain])
        lines.append(f"- {what}: ossicle {ours_all:.2f}, plain {theirs:.2f}")
    names = list(dict.fromkeys(name for r in rows for name in r["stages"]))
    lines += ["", "## Stages of the reading", "", "Wall seconds, intake and writing left out.", ""]
    lines.append("| voxels | " + " | ".join(names) + " |")
    lines.append("|---" * (len(names) + 1) + "|")
    for r in rows:
        lines.append(f"| {r['size']}³ | " + " | ".join(f"{r['stages'].get(n, 0):.1f}" for n in names) + " |")
    lines += [
        "",
        "## Intake of a TIFF stack",
        "",
        "Beside reading the files and writing zstd once (`benchmarks/intake.py`); aim: 60 % of that speed.",
        "",
        "| voxels | s | cpu s | MB | plain s | plain cpu s | speed, wall | speed, cpu |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for r in rows:
        a, b = r["intake"]["ours"], r["intake"]["plain"]
        shares = [f"{100 * b[k] / a[k]:.0f} %" for k in ("seconds", "processor")]
        cells = [f"{a['seconds']:.2f}", f"{a['processor']:.2f}", f"{a['peak_mb']:.0f}"]
        cells += [f"{b['seconds']:.2f}", f"{b['processor']:.2f}", *shares]
        lines.append(f"| {r['size']}³ | " + " | ".join(cells) + " |")
    shown = [r for r in rows if r.get("publish")]
    if shown:
        names = list(dict.fromkeys(name for r in shown for name in r["publish"]))
        lines += ["", "## Publishing", "", "Seconds of processor (wall).", "", "| voxels | " + " | ".join(names) + " |"]
        lines.append("|---" * (len(names) + 1) + "|")
        for r in shown:
            cells = [_both(r["publish"].get(n)) for n in names]
            lines.append(f"| {r['size']}³ | " + " | ".join(cells) + " |")
    shown = [r for r in rows if r.get("desk")]
    if shown:
        names = [n for n in shown[0]["desk"] if n != "page_s"]
        lines += ["", "## The desk", "", "Start to page, wall; then, made anew, seconds of processor (wall).", ""]
        lines += ["| voxels | page | " + " | ".join(names) + " |", "|---" * (len(names) + 2) + "|"]
        for r in shown:
            cells = [f"{r['desk']['page_s']:.1f}", *(_both(r["desk"][n]) for n in names)]
            lines.append(f"| {r['size']}³ | " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


def _three(taken: Mapping[str, float]) -> list[str]:
    return [f"{taken['seconds']:.1f}", f"{taken['processor_s']:.1f}", f"{taken['peak_mb']:.0f}"]


def _both(taken: Mapping[str, float] | None) -> str:
    return "" if taken is None else f"{taken['processor_s']:.1f} ({taken['wall_s']:.1f})"


def _load(row: Mapping[str, Any]) -> str:
    return f"{row['load_before']:.0f} to {row['load_after']:.0f}"


def aim(row: Mapping[str, Any]) -> str:
    """The project's aim at this size and whether it is met."""
    if row["size"] not in BARS:
        return ""
    seconds, memory = BARS[row["size"]]
    ours = row["read"]
    text = f"{seconds:g} s and {memory:g} MB: "
    if ours["seconds"] < seconds and ours["peak_mb"] < memory:
        return text + "met"
    return text + ("**missed**" if ours["peak_mb"] >= memory or ours["processor_s"] >= 2 * seconds else "memory met")


def main(argv: Sequence[str] | None = None) -> int:
    """Command line."""
    p = argparse.ArgumentParser(
        prog="python -m benchmarks.performance", description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    p.add_argument("--sizes", type=int, nargs="+", default=[128, 256, 512, 1024])
    p.add_argument("--desk-sizes", type=int, nargs="*", default=[256, 512])
    p.add_argument("--publish-sizes", type=int, nargs="*", default=[128, 256, 512])
    p.add_argument("--threads", type=int, default=2)
    p.add_argument("--again", action="store_true", help="measure also what was measured of this code before")
    p.add_argument("--beside", default="", help="what else ran on the machine, for the page")
    p.add_argument("--work", type=Path, default=Path(platformdirs.user_cache_dir("ossicle")) / "bench")
    p.add_argument("--docs", type=Path, default=root_of_project() / "docs")
    args = p.parse_args(argv)
    one_thread_each()
    args.work.mkdir(parents=True, exist_ok=True)
    rows: list[dict[str, Any]] = []
    drawn: dict[int, Path] = {}
    for size in sorted(args.sizes):
        small = drawn.get(size // max(1, -(-size // LARGEST_DRAWN)))
        known = args.work / f"row-{size}-{args.threads}-{code_hash(reading_files())}.json"
        if known.exists() and not args.again:
            row = json.loads(known.read_text())
            drawn[size] = args.work / row["slices"]
        else:
            row, drawn[size] = one_size(
                size, args.work, args.threads, small, size in args.publish_sizes, size in args.desk_sizes
            )
            row["slices"] = str(drawn[size].relative_to(args.work))
            known.write_text(json.dumps(row))
        rows.append(row)
        loads = [r["load_before"] for r in rows] + [r["load_after"] for r in rows]
        beside = args.beside or f"Load while it was measured: {np.median(loads):.1f} (median)."
        write_page(args.docs, "performance", page, rows, {**made_here(args.threads), "beside": beside})
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
