"""Accuracy of the reading against known truth.

``python -m benchmarks.accuracy``                 the whole matrix, writes docs/accuracy.md and .json
``python -m benchmarks.accuracy --quick``         the CI subset
``python -m benchmarks.accuracy --folder DIR``    any folder(s) of scans with truth files

A result is kept under ``--work`` per specimen and code version, so a stopped run goes on where it was.
"""

from __future__ import annotations

import argparse
import datetime
import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any

import platformdirs

import ossicle

from .matrix import Matrix, Specimen, code_hash, folders, load, reading_files, root_of_project
from .report import write_report
from .runner import evaluate
from .summary import summarise

HERE = Path(__file__).resolve().parent


def commit() -> str:
    """Short commit of the working tree, with + where it has changes."""

    def git(*args: str) -> str:
        return subprocess.run(["git", *args], cwd=HERE, capture_output=True, text=True, check=False).stdout.strip()

    return (git("rev-parse", "--short", "HEAD") or "unknown") + (
        "+" if git("status", "--porcelain", "--", "src") else ""
    )


def line(r: dict[str, Any]) -> str:
    """One line of progress."""
    name = r["specimen"]["name"]
    if "score" not in r:
        return f"{name}: {r['status']}: {r.get('message')}"
    s = r["score"]
    m = {k: v["value"] for k, v in summarise([s], draws=1).items()}
    return (
        f"{name}: {r['status']}, found {s['found']}/{s['true_teeth']}, false {s['false_teeth']}, "
        f"Dice {m['dice_median']:.2f}, locus {s['locus_right']}, generation {s['generation_right']}, "
        f"emergence {s['emergence_right']}, pairs {s['pairs_right']}/{s['pairs_true']}, "
        f"{r.get('formula_said')} (true {r['formula_true']}), {r.get('seconds') or 0:.0f} s, "
        f"{r.get('peak_mb') or 0:.0f} MB"
    )


def run(specimens: Sequence[Specimen], work: Path, reader: str, jobs: int, keep: bool) -> list[dict[str, Any]]:
    """Evaluate all, in the given order of results; ``jobs`` processes at a time."""
    records: dict[int, dict[str, Any]] = {}
    if jobs == 1:
        for k, s in enumerate(specimens):
            records[k] = evaluate(s, work, reader, keep)
            print(f"[{len(records)}/{len(specimens)}] {line(records[k])}", flush=True)
    else:
        with ProcessPoolExecutor(jobs) as pool:
            waiting = {pool.submit(evaluate, s, work, reader, keep): k for k, s in enumerate(specimens)}
            for done in as_completed(waiting):
                k = waiting[done]
                records[k] = done.result()
                print(f"[{len(records)}/{len(specimens)}] {line(records[k])}", flush=True)
    return [records[k] for k in sorted(records)]


def fallen(records: Sequence[dict[str, Any]], floors: Mapping[str, Mapping[str, float]]) -> list[str]:
    """Sentences for the measures that lie below their floor (``teeth_invented``: above it), by condition."""
    out = []
    for condition, least in floors.items():
        scores = [r["score"] for r in records if r["specimen"]["condition"] == condition and "score" in r]
        if not scores:
            continue
        found = {k: v["value"] for k, v in summarise(scores, draws=1).items()}
        for name, floor in least.items():
            value = found.get(name, float("nan"))
            low = value > floor if name == "teeth_invented" else not value >= floor
            if low:
                out.append(f"{condition}: {name} is {value:.3f}, its floor {floor:.3f}")
    return out


def chosen(matrix: Matrix, args: argparse.Namespace) -> list[Specimen]:
    """Specimens of the matrix that the options ask for."""
    out = matrix.specimens
    if args.folder:
        return folders(args.folder)
    if args.quick:
        out = [s for s in out if s.quick]
    if args.condition:
        out = [s for s in out if s.condition in args.condition]
    if args.only:
        out = [s for s in out if args.only in s.name]
    return out


def main(argv: Sequence[str] | None = None) -> int:
    """Command line; returns an exit code (1 where a specimen could not be run or, quick, a floor is not kept)."""
    p = argparse.ArgumentParser(
        prog="python -m benchmarks.accuracy",
        description=__doc__,
        formatter_class=argparse.RawTextHelpFormatter,
    )
    p.add_argument("--matrix", type=Path, default=HERE / "accuracy.toml")
    p.add_argument("--quick", action="store_true", help="the subset for CI")
    p.add_argument("--folder", type=Path, nargs="+", help="specimen folders, or folders that hold them")
    p.add_argument("--condition", nargs="+", help="only these conditions of the matrix")
    p.add_argument("--only", help="only specimens whose name contains this")
    p.add_argument(
        "--work",
        type=Path,
        default=Path(platformdirs.user_cache_dir("ossicle")) / "bench",
        help="store of specimens and results",
    )
    p.add_argument(
        "--docs",
        type=Path,
        help="where to write accuracy.md (default: docs/ for the whole matrix, else WORK/docs)",
    )
    p.add_argument(
        "--reader",
        default="command",
        help="'command' (ossicle read) or module:function called with (slices, out)",
    )
    p.add_argument("--jobs", type=int, default=1)
    p.add_argument("--drop", action="store_true", help="delete made specimens after scoring (no pictures)")
    p.add_argument("--pictures", type=int, default=24)
    args = p.parse_args(argv)
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1" if args.jobs > 1 else "2")
    matrix = load(args.matrix)
    specimens = chosen(matrix, args)
    if not specimens:
        print("no specimen matches", file=sys.stderr)
        return 2
    records = run(specimens, args.work, args.reader, args.jobs, not args.drop)
    whole = not (args.quick or args.folder or args.condition or args.only)
    docs = args.docs or (root_of_project() / "docs" if whole else args.work / "docs")
    docs.mkdir(parents=True, exist_ok=True)
    made = {
        "version": ossicle.__version__,
        "code": code_hash(reading_files()),
        "commit": commit(),
        "date": datetime.date.today().isoformat(),
        "matrix": "folder" if args.folder else args.matrix.name,
        "reader": args.reader,
    }
    write_report(records, matrix, docs, made, 0 if args.drop else args.pictures)
    print(f"{docs / 'accuracy.md'}")
    low = fallen(records, matrix.floors) if args.quick else []
    for sentence in low:
        print(sentence, file=sys.stderr)
    return int(bool(low) or any("score" not in r for r in records))


if __name__ == "__main__":
    raise SystemExit(main())
