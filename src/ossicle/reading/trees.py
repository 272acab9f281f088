"""Boosted trees kept as ONNX files and run by ONNX Runtime.

The same input gives the same output on any number of threads: rows are run in batches of one size, each on one
thread, and no sum is shared out among threads.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from importlib.resources import files
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["chances", "session"]

BATCH = 50_000


@lru_cache(maxsize=8)
def session(name: str) -> Any:
    """Return ONNX Runtime's session, on one thread, for the model ``name`` of this package."""
    os.environ.setdefault("ORT_DISABLE_TELEMETRY", "1")  # read at import; nothing leaves the machine
    import onnxruntime

    onnxruntime.disable_telemetry_events()
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    options.inter_op_num_threads = 1
    options.enable_cpu_mem_arena = False  # memory of one block is given back before the next
    options.log_severity_level = 3
    model = files("ossicle.reading").joinpath("data", f"{name}.onnx").read_bytes()
    return onnxruntime.InferenceSession(model, options, providers=["CPUExecutionProvider"])


def chances(name: str, measures: npt.NDArray[np.floating], *, threads: int = 1) -> npt.NDArray[np.float32]:
    """Return class probabilities (n, classes) of the model ``name`` for ``measures`` (n, features)."""
    model = session(name)
    rows = np.ascontiguousarray(measures, np.float32)

    def run(start: int) -> npt.NDArray[np.float32]:
        found: npt.NDArray[np.float32] = model.run(["probabilities"], {"measures": rows[start : start + BATCH]})[0]
        return found

    starts = range(0, len(rows), BATCH)
    if threads <= 1 or len(rows) <= BATCH:
        out = [run(start) for start in starts]
    else:
        with ThreadPoolExecutor(threads) as pool:
            out = list(pool.map(run, starts))
    return np.concatenate(out) if out else np.zeros((0, 2), np.float32)
