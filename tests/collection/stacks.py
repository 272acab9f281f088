"""Small scans for tests of the collection: noise that holds no skull, and a sketched reading of it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import tifffile


def volume(seed: int, shape: tuple[int, int, int] = (10, 24, 20)) -> np.ndarray:
    return np.random.default_rng(seed).integers(0, 900, shape, np.uint16)


def write_scan(folder: Path, seed: int = 0, *, values: np.ndarray | None = None, spacing: float = 0.25) -> Path:
    """Write a stack of slices with a sidecar."""
    folder.mkdir(parents=True)
    for i, page in enumerate(volume(seed) if values is None else values):
        tifffile.imwrite(folder / f"slice_{i:04d}.tif", page)
    sidecar = {"spacing_mm_zyx": [spacing] * 3, "voltage_kv": 90, "current_ua": 111, "filter": "0.5 mm Al"}
    (folder / "scan.json").write_text(json.dumps(sidecar))
    return folder
