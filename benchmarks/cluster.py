"""A collection of small specimens read by a local Dask cluster: one worker, then two of which one is killed twice.

``python -m benchmarks.cluster``                     200 specimens; prints JSON, writes docs/cluster.json with --docs
``python -m benchmarks.cluster --specimens 20 --edge 64``

The specimens are invented skulls drawn on few voxels, each with noise of its own: too coarse for teeth to be named, so
that a reading takes two seconds. (Of 48 voxels on edge it takes a third of a second, less than a
worker takes to begin.) Needs what ``ossicle[cluster]`` brings. Both runs have the same
machine, folder and database (SQLite); each worker has one thread.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import signal
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import dask
import numpy as np
import tifffile
from distributed import LocalCluster

from ossicle.collection import Collection
from ossicle.collection.reading_all import read_all

from .cubes import drawn
from .pages import made_here
from .runner import one_thread_each


def collection(folder: Path, count: int, edge: int) -> None:
    """Make a collection of so many specimens."""
    grey, voxel = drawn(edge, 865)
    with Collection.create(folder / "cabinet") as held:
        for n in range(count):
            rng = np.random.default_rng(n)
            slices = folder / "source"
            slices.mkdir()
            for k, plane in enumerate(grey):
                noisy = np.clip(plane + rng.normal(0, 20, plane.shape), 0, 65535)
                tifffile.imwrite(slices / f"slice_{k:03d}.tif", noisy.astype(np.uint16))
            (folder / "scan.json").write_text(json.dumps({"spacing_mm_zyx": [voxel] * 3}))
            held.take_in(slices, {"catalogNumber": f"OTC {n}"}, spacing=str(voxel))
            shutil.rmtree(slices)


def run(cabinet: Path, workers: int, kills: int) -> dict[str, Any]:
    """Read all by so many workers, the first of which is killed so often, evenly spread over the work."""
    killed: list[float] = []
    # A worker that loads on a busy machine is waited for; one that is silent while it computes is not given up; one
    # that is just begun again when Dask looks for those lost 15 seconds ago is not taken for lost for good.
    dask.config.set(
        {
            "distributed.comm.timeouts.connect": "180s",
            "distributed.scheduler.worker-ttl": None,
            "distributed.deploy.lost-worker-timeout": "300s",
        }
    )
    # A worker takes a second or two to load; that is no part of the work that grows with the collection.
    with (
        Collection.open(cabinet) as held,
        LocalCluster(
            n_workers=workers, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
        ) as cluster,
    ):
        began = time.perf_counter()
        lock = threading.Lock()

        def progress(stage: str, share: float) -> None:
            with lock:
                if len(killed) < kills and share >= (len(killed) + 1) / (kills + 1):
                    first = cluster.workers[min(cluster.workers)].pid
                    if first is not None:  # else it is just begun again; the next sign of progress is soon enough
                        killed.append(share)
                        os.kill(first, signal.SIGKILL)

        done = read_all(held, threads=1, cluster=cluster.scheduler_address, retries=3, progress=progress)
        seconds = time.perf_counter() - began
        count = done.read + len(done.failed)
        readings = [len(held.readings(f"OTC {n}")) for n in range(count)]
        return {
            "workers": workers,
            "killed_at": killed,
            "seconds": seconds,
            "read": done.read,
            "failed": [f.reason for f in done.failed],
            "once_each": readings == [1] * count,
            "per_minute": 60 * done.read / seconds,
        }


def main(argv: Sequence[str] | None = None) -> int:
    """Command line."""
    p = argparse.ArgumentParser(
        prog="python -m benchmarks.cluster", description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    p.add_argument("--specimens", type=int, default=200)
    p.add_argument("--edge", type=int, default=112, help="voxels on edge of a specimen")
    p.add_argument("--docs", type=Path, help="folder to write cluster.json into")
    args = p.parse_args(argv)
    one_thread_each()
    with tempfile.TemporaryDirectory(prefix="ossicle-cluster-") as place:
        folder = Path(place)
        os.environ["OSSICLE_CACHE"] = str(folder / "cache")
        collection(folder, args.specimens, args.edge)
        shutil.copytree(folder / "cabinet", folder / "again")
        one = run(folder / "cabinet", 1, 0)
        print(json.dumps(one, indent=1), flush=True)
        two = run(folder / "again", 2, 2)
        print(json.dumps(two, indent=1), flush=True)
    found = {
        "made_by": made_here(1),
        "load": list(os.getloadavg()),
        "one": one,
        "two": two,
        "times_one": two["per_minute"] / one["per_minute"],
    }
    print(json.dumps({"times_one": found["times_one"], "load": found["load"]}), flush=True)
    if args.docs is not None:
        (args.docs / "cluster.json").write_text(json.dumps(found, indent=1) + "\n")
    return 0 if two["once_each"] and not two["failed"] else 1


if __name__ == "__main__":
    raise SystemExit(main())
