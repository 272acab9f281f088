"""Models kept as ONNX files, and boosted trees run from them by ONNX Runtime, on one thread."""

from __future__ import annotations

import os
from functools import lru_cache
from importlib.resources import files
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["chances", "model_bytes", "session"]


def model_bytes(name: str) -> bytes:
    """Return the ONNX file of the model ``name`` of this package."""
    return files("ossicle.reading").joinpath("data", f"{name}.onnx").read_bytes()


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
    return onnxruntime.InferenceSession(model_bytes(name), options, providers=["CPUExecutionProvider"])


def chances(name: str, measures: npt.NDArray[np.floating]) -> npt.NDArray[np.float32]:
    """Return class probabilities (n, classes) of the model ``name`` for ``measures`` (n, features)."""
    rows = np.ascontiguousarray(measures, np.float32)
    if not len(rows):
        return np.zeros((0, 2), np.float32)
    found: npt.NDArray[np.float32] = session(name).run(["probabilities"], {"measures": rows})[0]
    return found
