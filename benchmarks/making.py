"""Time and peak memory of making practice specimens: modelled, scanned and written, a process each.

``python -m benchmarks.making``                     every animal at 0.15 mm; writes docs/making.md and .json
``python -m benchmarks.making --presets NAME ..``   only these
"""

from __future__ import annotations

import argparse
import json
import resource
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from ossicle import __version__
from ossicle.practice import presets

from .matrix import root_of_project
from .pages import made_here, write_page
from .runner import COMMAND, run_measured

AIM = 30.0  # seconds at 0.15 mm on 2 cores: the project's own aim


def measure(names: Sequence[str], voxel: float, threads: int) -> list[dict[str, Any]]:
    """Make each preset once; rows of preset, shape, seconds by the clock, seconds of processor time, and MB.

    Raises
    ------
    RuntimeError
        If one is not made.
    """
    rows = []
    for name in names:
        with tempfile.TemporaryDirectory() as work:
            out = Path(work) / "made"
            command = [*COMMAND, "practice", "make", name, "--out", str(out), "--voxel", str(voxel)]
            before = _processor_seconds()
            code, message, seconds, peak = run_measured([*command, "--threads", str(threads)])
            busy = _processor_seconds() - before
            if code:
                raise RuntimeError(f"{name} was not made: {message[-300:]}")
            truth = json.loads((out / "truth" / "truth.json").read_text())
        row = {"preset": name, "shape_zyx": truth["scan"]["shape_zyx"], "seconds": seconds, "peak_mb": peak}
        rows.append({**row, "processor_seconds": busy})
        print(f"{name}: {seconds:.1f} s ({busy:.1f} s of processor time), {peak:.0f} MB", flush=True)
    return rows


def _processor_seconds() -> float:
    """Processor time of all child processes that have ended."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def page(rows: Sequence[dict[str, Any]], made: dict[str, Any]) -> str:
    """Markdown of the results."""
    worst = max(r["seconds"] for r in rows)
    lines = [
        "# Time of making practice specimens",
        "",
        "Made by `python -m benchmarks.making`; do not edit by hand. Each row is one `ossicle practice make` in a",
        "process of its own: start, anatomy, scan in image mode, slices and truth written.",
        "",
        f"Voxels of {made['voxel_mm']:g} mm; Ossicle {made['version']}, commit {made['commit']}, {made['date']},",
        f"{made['machine']}, {made['threads']} threads{made['remark']}.",
        "",
        "| preset | voxels | s by the clock | s of processor time | MB |",
        "|---|---|---|---|---|",
    ]
    for r in rows:
        lines.append(
            f"| {r['preset']} | {'×'.join(map(str, r['shape_zyx']))} | {r['seconds']:.1f} | "
            f"{r['processor_seconds']:.1f} | {r['peak_mb']:.0f} |"
        )
    lines += ["", f"Aim: under {AIM:g} s at 0.15 mm on 2 cores. Slowest by the clock: {worst:.1f} s, "]
    lines[-1] += "met." if worst < AIM else "**missed**."
    return "\n".join(lines) + "\n"


def main(argv: Sequence[str] | None = None) -> int:
    """Command line."""
    p = argparse.ArgumentParser(
        prog="python -m benchmarks.making", description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    p.add_argument("--presets", nargs="+", default=[n for n in presets() if n.endswith(("-juvenile", "-adult"))])
    p.add_argument("--voxel", type=float, default=0.15)
    p.add_argument("--threads", type=int, default=2)
    p.add_argument("--remark", default="", help="what else the machine was doing")
    p.add_argument("--docs", type=Path, default=root_of_project() / "docs")
    args = p.parse_args(argv)
    rows = measure(args.presets, args.voxel, args.threads)
    made = made_here(args.threads) | {
        "version": __version__,
        "voxel_mm": args.voxel,
        "remark": f"; {args.remark}" if args.remark else "",
    }
    write_page(args.docs, "making", page, rows, made)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
