"""Boosted trees kept as ONNX files and run by ONNX Runtime.

The same input gives the same output on any number of threads.
"""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["chances"]

BATCH = 200_000


@lru_cache(maxsize=8)
def _session(name: str, threads: int) -> Any:
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    options.inter_op_num_threads = 1
    options.log_severity_level = 3
    model = files("ossicle.reading").joinpath("data", f"{name}.onnx").read_bytes()
    return onnxruntime.InferenceSession(model, options, providers=["CPUExecutionProvider"])


def chances(name: str, measures: npt.NDArray[np.floating], *, threads: int = 1) -> npt.NDArray[np.float32]:
    """Return class probabilities (n, classes) of the model ``name`` for ``measures`` (n, features)."""
    session = _session(name, threads)
    rows = np.ascontiguousarray(measures, np.float32)
    out = [
        session.run(["probabilities"], {"measures": rows[start : start + BATCH]})[0]
        for start in range(0, len(rows), BATCH)
    ]
    return np.concatenate(out) if out else np.zeros((0, 2), np.float32)
