"""Results of finished steps, by the hash of what they came from, so that a stopped training goes on where it was."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable
from pathlib import Path

import lightgbm as lgb
import numpy as np
from numpy.typing import NDArray

__all__ = ["arrays", "booster", "digest", "write"]

Arrays = dict[str, NDArray[np.generic]]


def digest(*what: object) -> str:
    """Short hash of plain values."""
    return hashlib.sha256(json.dumps(what, default=str).encode()).hexdigest()[:12]


def write(path: Path, data: bytes) -> None:
    """Write a file whole or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(path.name + ".part")
    part.write_bytes(data)
    os.replace(part, path)


def arrays(path: Path, work_out: Callable[[], Arrays]) -> Arrays:
    """The arrays kept at ``path`` (.npz), worked out first if they are not there."""
    if not path.exists():
        made = work_out()
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.with_name(path.name + ".part")
        with part.open("wb") as handle:
            np.savez(handle, **made)  # type: ignore[arg-type]
        os.replace(part, path)
    with np.load(path) as kept:
        return {name: kept[name] for name in kept.files}


def booster(path: Path, grow: Callable[[], lgb.Booster]) -> lgb.Booster:
    """The trees kept at ``path`` (LightGBM's text), grown first if they are not there."""
    if not path.exists():
        write(path, grow().model_to_string(num_iteration=-1).encode())
    return lgb.Booster(model_str=path.read_text(encoding="utf-8"))
