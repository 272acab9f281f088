"""Results of finished steps, by the hash of what they came from, so that a stopped training goes on where it was."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

__all__ = ["arrays", "digest", "folder", "write"]

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


def folder(path: Path, work_out: Callable[[], Arrays]) -> Arrays:
    """The arrays kept in the folder ``path``, one .npy each, worked out first if they are not there; mapped."""
    if not path.exists():
        made = work_out()
        part = path.with_name(path.name + ".part")
        shutil.rmtree(part, ignore_errors=True)
        part.mkdir(parents=True)
        for name, values in made.items():
            np.save(part / f"{name}.npy", values)
        part.rename(path)
    return {file.stem: np.load(file, mmap_mode="r") for file in sorted(path.glob("*.npy"))}
