"""LightGBM trees to ONNX, such that both give the same on every float32 row."""

from __future__ import annotations

from pathlib import Path

import lightgbm as lgb
import numpy as np
import onnxmltools
import onnxruntime
from numpy.typing import NDArray
from onnxmltools.convert.common.data_types import FloatTensorType

__all__ = ["float_thresholds", "largest_difference", "onnx_chances", "probabilities", "to_onnx"]


def float_thresholds(booster: lgb.Booster) -> lgb.Booster:
    """The same trees with every threshold rounded down to a float32.

    For a float32 value x and a float64 threshold t, x <= t exactly if x <= the greatest float32 not above t; so nothing
    changes for float32 rows, while ONNX, which keeps float32 thresholds, would else round some of them up past a value.
    """
    lines = []
    for line in booster.model_to_string(num_iteration=-1).splitlines():
        if line.startswith("tree_sizes="):  # byte counts, which no longer hold; optional
            continue
        if line.startswith("threshold="):
            exact = np.array(line.removeprefix("threshold=").split(), np.float64)
            near = exact.astype(np.float32)
            down = np.where(near > exact, np.nextafter(near, np.float32(-np.inf)), near)
            line = "threshold=" + " ".join(repr(float(v)) for v in down)
        lines.append(line)
    return lgb.Booster(model_str="\n".join(lines) + "\n")


def to_onnx(booster: lgb.Booster, note: str) -> bytes:
    """Return the ONNX file: input ``measures`` (n, features) float32, output ``probabilities`` (n, classes)."""
    rounded = float_thresholds(booster)
    kinds = [("measures", FloatTensorType([None, rounded.num_feature()]))]
    model = onnxmltools.convert_lightgbm(rounded, initial_types=kinds, zipmap=False, target_opset=15, name="trees")
    model.doc_string = note
    data: bytes = model.SerializeToString()
    return data


def probabilities(booster: lgb.Booster, rows: NDArray[np.floating]) -> NDArray[np.float64]:
    """Class probabilities (n, classes) from LightGBM itself; two columns for a binary model."""
    if not len(rows):
        return np.zeros((0, max(2, booster.num_model_per_iteration())))
    out = np.asarray(booster.predict(rows, num_threads=1), float)
    return out if out.ndim == 2 else np.column_stack([1 - out, out])


def onnx_chances(model: bytes | Path, rows: NDArray[np.floating]) -> NDArray[np.float32]:
    """Class probabilities (n, classes) from an ONNX file, on one thread."""
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    options.inter_op_num_threads = 1
    data = model if isinstance(model, bytes) else model.read_bytes()
    session = onnxruntime.InferenceSession(data, options, providers=["CPUExecutionProvider"])
    return np.asarray(session.run(["probabilities"], {"measures": rows.astype(np.float32)})[0], np.float32)


def largest_difference(booster: lgb.Booster, model: bytes, rows: NDArray[np.floating]) -> float:
    """The largest difference of any class probability between LightGBM and ONNX on ``rows`` (as float32)."""
    single = np.asarray(rows, np.float32)
    return float(np.abs(probabilities(booster, single) - onnx_chances(model, single)).max(initial=0.0))
