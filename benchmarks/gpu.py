"""The same volume read on the processor and on a GPU (``OSSICLE_DEVICE=cuda``): seconds, and how far results differ.

``python -m benchmarks.gpu``                    a skull of 256^3 voxels; prints JSON
``python -m benchmarks.gpu --size 320 --out gpu.json --threads 16``

Needs PyTorch for the GPU, and onnx. Nothing is written but what ``--out`` names; no file is read. On the processor the
network runs on ``--threads`` threads. A part is timed once after one run that is not timed (kernels are built in it).
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ossicle.reading import read
from ossicle.reading.device import VARIABLE, device, gaussian
from ossicle.reading.greys import normalise
from ossicle.reading.records import Reading
from ossicle.reading.tissue_model import ToothChance, tooth_chance
from ossicle.reading.working_grid import working_grid

from .cubes import drawn


def timed(work: Callable[[], Any]) -> tuple[Any, float]:
    """Result of a piece of work and its seconds."""
    began = time.perf_counter()
    return work(), time.perf_counter() - began


def on(where: str, work: Callable[[], Any]) -> tuple[Any, float]:
    """The same on a device."""
    os.environ[VARIABLE] = where
    if device() != where:
        raise RuntimeError(f"asked for {where}, got {device()}")
    return timed(work)


def dice(a: npt.NDArray[Any], b: npt.NDArray[Any]) -> float:
    """Overlap of two masks; 1 where both are empty."""
    both = int(a.sum()) + int(b.sum())
    return 2 * int((a & b).sum()) / both if both else 1.0


def chances(grey: npt.NDArray[np.float32], threads: int) -> dict[str, Any]:
    """The filter and the network on both devices."""
    normal = on("cpu", lambda: normalise(grey))[0][0]
    on("cuda", lambda: gaussian(grey[:64], 0.6))
    on("cuda", lambda: tooth_chance(normal, threads=threads))
    smooth, smooth_gpu = on("cpu", lambda: gaussian(grey, 0.6)), on("cuda", lambda: gaussian(grey, 0.6))
    cpu, cpu_s = on("cpu", lambda: tooth_chance(normal, threads=threads))
    gpu, gpu_s = on("cuda", lambda: tooth_chance(normal, threads=threads))
    assert isinstance(cpu, ToothChance)
    names = ("tooth", "enamel", "between")
    far = {n: float(np.abs(getattr(cpu, n) - getattr(gpu, n)).max()) for n in names}
    return {
        "gaussian": {
            "cpu_s": smooth[1],
            "cuda_s": smooth_gpu[1],
            "faster": smooth[1] / smooth_gpu[1],
            "greatest_difference": float(np.abs(smooth[0] - smooth_gpu[0]).max()),
            "greatest_grey": float(smooth[0].max()),
        },
        "network": {
            "cpu_s": cpu_s,
            "cuda_s": gpu_s,
            "faster": cpu_s / gpu_s,
            "greatest_difference": far,
            "dice_of_tooth": dice(cpu.tooth > 0.5, gpu.tooth > 0.5),
        },
    }


def readings(volume: npt.NDArray[Any], voxel: float, threads: int) -> dict[str, Any]:
    """The whole reading on both devices."""

    def whole() -> Reading:
        return read(volume, (voxel, voxel, voxel), threads=threads)

    (cpu, cpu_s), (gpu, gpu_s) = on("cpu", whole), on("cuda", whole)

    def teeth(reading: Reading) -> npt.NDArray[np.bool_]:
        return np.isin(np.asarray(reading.labels), [t.part for t in reading.teeth])

    def names(reading: Reading) -> list[str]:
        return sorted(f"{t.side} {t.jaw} {t.name} {t.emergence}" for t in reading.teeth)

    return {
        "cpu_s": cpu_s,
        "cuda_s": gpu_s,
        "faster": cpu_s / gpu_s,
        "stages_cpu_s": dict(cpu.stages),
        "stages_cuda_s": dict(gpu.stages),
        "teeth": len(cpu.teeth),
        "same_names": names(cpu) == names(gpu),
        "dice_of_teeth": dice(teeth(cpu), teeth(gpu)),
        "voxels_labelled_otherwise": int((np.asarray(cpu.labels) != np.asarray(gpu.labels)).sum()),
    }


def main(argv: Sequence[str] | None = None) -> int:
    """Command line."""
    p = argparse.ArgumentParser(
        prog="python -m benchmarks.gpu", description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    p.add_argument("--size", type=int, default=256, help="voxels on edge")
    p.add_argument("--seed", type=int, default=865)
    p.add_argument("--threads", type=int, default=len(os.sched_getaffinity(0)))
    p.add_argument("--no-reading", action="store_true", help="filter and network alone")
    p.add_argument("--out", type=Path)
    args = p.parse_args(argv)
    import torch

    os.environ[VARIABLE] = "cuda"
    device()
    volume, voxel = drawn(args.size, args.seed)
    grid = working_grid(volume, (voxel, voxel, voxel))
    found: dict[str, Any] = {
        "volume": {"shape_zyx": list(volume.shape), "working_grid": list(grid.grey.shape), "factor": grid.factor},
        "machine": {
            "gpu": torch.cuda.get_device_name(0),
            "torch": torch.__version__,
            "cores": len(os.sched_getaffinity(0)),
            "processor": platform.machine(),
            "threads": args.threads,
        },
        **chances(grid.grey, args.threads),
    }
    print(json.dumps(found, indent=1), flush=True)
    if not args.no_reading:
        found["reading"] = readings(volume, voxel, args.threads)
        print(json.dumps(found["reading"], indent=1), flush=True)
    found["machine"]["gpu_memory_peak_mb"] = torch.cuda.max_memory_allocated() / 2**20
    if args.out is not None:
        args.out.write_text(json.dumps(found, indent=1) + "\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
