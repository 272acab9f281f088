"""Time and peak memory of a reading and how they grow, beside a plain pipeline in the same run.

``python -m benchmarks.speed``                      128 to 512 voxels on edge; writes docs/speed.md and .json
``python -m benchmarks.speed --sizes 128 256``      fewer sizes
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import platformdirs

from .cubes import cube
from .matrix import code_hash, maker_files, root_of_project
from .pages import made_here, write_page
from .runner import COMMAND, run_measured

BARS = {256: (30.0, None), 512: (120.0, 5000.0)}  # seconds, MB: the project's own aims
FASTER = 4.0


def exponent(sizes: Sequence[int], values: Sequence[float]) -> float:
    """Growth exponent: slope of log(value) on log(voxels); 1 is linear. NaN for fewer than two sizes."""
    if len(sizes) < 2:
        return float("nan")
    return float(np.polyfit(np.log(np.asarray(sizes, float) ** 3), np.log(values), 1)[0])


def measure(sizes: Sequence[int], work: Path, repeats: int) -> list[dict[str, Any]]:
    """Run both pipelines at every size; the median of the repeats is kept."""
    rows = []
    maker = code_hash(maker_files("foreign"))
    for size in sizes:
        slices = cube(size, work / f"cube-{size}-{maker}")
        row: dict[str, Any] = {"size": size, "mvoxel": size**3 / 1e6}
        commands = {
            "ossicle": [*COMMAND, "read", str(slices), "--out", str(work / "out")],
            "plain": [sys.executable, "-m", "benchmarks.reference", str(slices)],
        }
        for name, command in commands.items():
            runs = []
            for _ in range(repeats):
                shutil.rmtree(work / "out", ignore_errors=True)
                code, message, seconds, peak = run_measured(command)
                if code:
                    raise RuntimeError(f"{name} failed at {size}^3 with exit code {code}: {message[-300:]}")
                runs.append((seconds, peak))
            row[name] = {
                "seconds": statistics.median(r[0] for r in runs),
                "peak_mb": statistics.median(r[1] for r in runs),
            }
        rows.append(row)
        print(
            f"{size}^3: ossicle {row['ossicle']['seconds']:.1f} s {row['ossicle']['peak_mb']:.0f} MB, "
            f"plain {row['plain']['seconds']:.1f} s {row['plain']['peak_mb']:.0f} MB",
            flush=True,
        )
    return rows


def page(rows: Sequence[dict[str, Any]], made: dict[str, Any]) -> str:
    """Markdown of the results."""
    lines = [
        "# Speed",
        "",
        "Made by `python -m benchmarks.speed`; do not edit by hand. One `ossicle read` of an invented",
        "juvenile skull that fills the volume, as a process of its own: start, slices, reading, writing.",
        "*Plain* is the same stages as whole-volume scipy and scikit-image calls",
        "(`benchmarks/reference.py`); it finds parts but no pose, names, rows or succession.",
        "",
        f"Commit {made['commit']}, {made['date']}, {made['machine']}, {made['threads']} threads.",
        "",
        "| voxels | ossicle s | MB | s/Mvoxel | plain s | MB | plain / ossicle | aim |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for r in rows:
        ours, plain = r["ossicle"], r["plain"]
        cells = [
            f"{r['size']}³",
            f"{ours['seconds']:.1f}",
            f"{ours['peak_mb']:.0f}",
            f"{ours['seconds'] / r['mvoxel']:.2f}",
            f"{plain['seconds']:.1f}",
            f"{plain['peak_mb']:.0f}",
            f"{plain['seconds'] / ours['seconds']:.2f}",
            aim(r),
        ]
        lines.append("| " + " | ".join(cells) + " |")
    sizes = [r["size"] for r in rows]
    for name in ("ossicle", "plain"):
        time_ = exponent(sizes, [r[name]["seconds"] for r in rows])
        memory = exponent(sizes, [r[name]["peak_mb"] for r in rows])
        lines.append(f"\nGrowth with the number of voxels, {name}: time exponent {time_:.2f}, memory {memory:.2f}.")
    return "\n".join(lines) + "\n"


def aim(row: dict[str, Any]) -> str:
    """The project's aim at this size and whether it is met."""
    if row["size"] not in BARS:
        return ""
    seconds, memory = BARS[row["size"]]
    ours = row["ossicle"]
    met = ours["seconds"] < seconds and (memory is None or ours["peak_mb"] < memory)
    faster = row["plain"]["seconds"] / ours["seconds"] >= FASTER
    text = f"under {seconds:g} s" + (f" and {memory:g} MB" if memory else "")
    return f"{text}: {'met' if met else '**missed**'}; {FASTER:g}× plain: {'met' if faster else '**missed**'}"


def main(argv: Sequence[str] | None = None) -> int:
    """Command line."""
    p = argparse.ArgumentParser(
        prog="python -m benchmarks.speed", description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    p.add_argument("--sizes", type=int, nargs="+", default=[128, 192, 256, 384, 512])
    p.add_argument("--repeats", type=int, default=1)
    p.add_argument("--threads", type=int, default=2)
    p.add_argument("--work", type=Path, default=Path(platformdirs.user_cache_dir("ossicle")) / "bench")
    p.add_argument("--docs", type=Path, default=root_of_project() / "docs")
    args = p.parse_args(argv)
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"):
        os.environ[name] = str(args.threads)
    rows = measure(args.sizes, args.work, args.repeats)
    write_page(args.docs, "speed", page, rows, made_here(args.threads))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
