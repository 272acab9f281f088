"""Intake of a TIFF stack beside reading the files and writing zstd once, with the same threads.

``python -m benchmarks.intake --sizes 256 512 1024`` prints seconds, processor seconds, peak memory, ratio.

The plain pipeline reads slabs of 64 slices with tifffile and writes one Zarr array (64^3 chunks, zstd 1).
Ours hashes every file, checks every slice, and writes all levels. Both are run in turn, in own processes,
and the best of the repeats is kept; files are in the page cache for both.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import tifffile

from .runner import peak_kb

THREADS = 2


def make_stack(folder: Path, size: int) -> None:
    """Write a noisy cylinder of size^3 voxels, 16 bits, one file a slice."""
    rng = np.random.default_rng(7)
    y, x = np.mgrid[:size, :size]
    body = (8000 + 12000 * ((x - size / 2) ** 2 + (y - size / 2) ** 2 < (0.3 * size) ** 2)).astype(np.float32)
    noise = rng.normal(0, 600, (size + 97, size)).astype(np.float32)
    for z in range(size):
        start = int(rng.integers(0, 97))
        plane = body + noise[start : start + size] + rng.normal(0, 60, (1, size))
        tifffile.imwrite(folder / f"slice_{z:05}.tif", plane.astype(np.uint16))


def plain(stack: Path, out: Path) -> None:
    """Read the files and write zstd once."""
    import zarr
    from zarr.codecs import ZstdCodec

    zarr.config.set({"threading.max_workers": THREADS})
    files = sorted(stack.iterdir())
    first = tifffile.imread(files[0])
    array = zarr.create_array(
        str(out / "plain"), shape=(len(files), *first.shape), chunks=(64, 64, 64), dtype=first.dtype,
        compressors=[ZstdCodec(level=1)],
    )  # fmt: skip
    with ThreadPoolExecutor(THREADS) as pool:
        for z in range(0, len(files), 64):
            array[z : z + 64] = np.stack(list(pool.map(tifffile.imread, files[z : z + 64])))


def ours(stack: Path, out: Path) -> None:
    """Take the stack in."""
    from ossicle.scans import load

    load(stack, spacing_mm_zyx=0.05, cache=out / "cache", threads=THREADS)


def measure(name: str, stack: Path) -> dict[str, float]:
    """Run one of the two in a process of its own."""
    command = [sys.executable, "-m", "benchmarks.intake", "--one", name, "--stack", str(stack)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    result: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return result


def run_one(name: str, stack: Path) -> None:
    """Time one of the two and print what it took."""
    with tempfile.TemporaryDirectory(dir=stack.parent) as place:
        begun, used = time.perf_counter(), time.process_time()
        (plain if name == "plain" else ours)(stack, Path(place))
        seconds, processor = time.perf_counter() - begun, time.process_time() - used
    # What the system adds up for a process starts from the peak of the one that started it; VmHWM is its own.
    peak = (peak_kb(os.getpid()) or resource.getrusage(resource.RUSAGE_SELF).ru_maxrss) / 1024
    print(json.dumps({"seconds": seconds, "processor": processor, "peak_mb": peak}))


def main() -> None:
    """Parse the command line and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sizes", type=int, nargs="+", default=[256, 512])
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--work", type=Path, help="a folder with room for the stack and two copies")
    parser.add_argument("--one", choices=["plain", "ours"], help=argparse.SUPPRESS)
    parser.add_argument("--stack", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.one:
        run_one(given.one, given.stack)
        return
    print("| edge | plain s (cpu, MB) | ours s (cpu, MB) | speed, ours / plain | by cpu |")
    print("|---|---|---|---|---|")
    for size in given.sizes:
        with tempfile.TemporaryDirectory(dir=given.work) as place:
            stack = Path(place) / "stack"
            stack.mkdir()
            make_stack(stack, size)
            measure("plain", stack)  # fills the page cache
            runs = [(measure("plain", stack), measure("ours", stack)) for _ in range(given.repeats)]
        best = [{key: min(run[i][key] for run in runs) for key in runs[0][i]} for i in (0, 1)]
        texts = [f"{b['seconds']:.2f} ({b['processor']:.2f}, {b['peak_mb']:.0f})" for b in best]
        wall, cpu = (best[0][key] / best[1][key] for key in ("seconds", "processor"))
        print(f"| {size} | {texts[0]} | {texts[1]} | {wall:.2f} | {cpu:.2f} |", flush=True)


if __name__ == "__main__":
    main()
