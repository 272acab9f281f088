"""Small pictures of teeth that went wrong: three slices with the outlines of truth and reading."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image

from .score_labels import load_volume

TRUE_COLOUR = (0, 158, 115)  # bluish green and vermilion: told apart by colour-blind readers
SAID_COLOUR = (213, 94, 0)


def outline(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Pixels of a 2-D mask that touch the outside."""
    p = np.pad(mask, 1)
    inside = p[:-2, 1:-1] & p[2:, 1:-1] & p[1:-1, :-2] & p[1:-1, 2:]
    return np.asarray(mask & ~inside)


def crop_picture(grey: NDArray[Any], true: NDArray[np.bool_], said: NDArray[Any], size: int = 150) -> Image.Image:
    """Slices along z, y, x through the middle of ``true``, with the outlines of truth and of every part."""
    middle = [round(float(v.mean())) for v in np.nonzero(true)] if true.any() else [n // 2 for n in true.shape]
    lo, hi = np.quantile(grey, [0.02, 0.998])
    tiles = []
    for axis in range(3):
        g = np.clip((np.take(grey, middle[axis], axis).astype(float) - lo) / max(float(hi - lo), 1e-9), 0, 1)
        scale = max(1, size // max(g.shape))
        rgb = np.kron((g * 255).astype(np.uint8), np.ones((scale, scale), np.uint8))[..., None].repeat(3, 2)
        part = np.kron(np.take(said, middle[axis], axis), np.ones((scale, scale), said.dtype))
        for label in np.unique(part):
            if label:
                rgb[outline(part == label)] = SAID_COLOUR
        rgb[outline(np.kron(np.take(true, middle[axis], axis), np.ones((scale, scale), bool)))] = TRUE_COLOUR
        tile = np.zeros((size, size, 3), np.uint8)
        h, w = min(size, rgb.shape[0]), min(size, rgb.shape[1])
        tile[:h, :w] = rgb[:h, :w]
        tiles.append(tile)
    return Image.fromarray(np.hstack(tiles))


def failure_pictures(record: dict[str, Any], labels: list[int], folder: Path, margin_mm: float = 0.6) -> dict[int, str]:
    """Write one PNG per label (a false part as a negative number); returns label -> file name."""
    root = Path(record["folder"])
    files = sorted((root / "slices").glob("*.tif"))
    true = load_volume(root / "truth" / "labels.nii.gz")
    said_path = Path(record.get("read", "")) / "parts.nii.gz"
    said = load_volume(said_path) if record.get("read") and said_path.exists() else np.zeros_like(true)
    parts = {t["part"] for t in record["score"]["teeth"] if t["part"]} | {
        i["part"] for i in record["score"]["invented"]
    }
    said = np.where(np.isin(said, list(parts)), said, 0).astype(np.int32)
    pad = int(np.ceil(margin_mm / record["score"]["voxel_mm"]))
    folder.mkdir(parents=True, exist_ok=True)
    out: dict[int, str] = {}
    for label in labels:
        mask = true == label if label > 0 else said == -label
        where = np.nonzero(mask)
        if len(where[0]) == 0:
            continue
        box = tuple(slice(max(int(v.min()) - pad, 0), int(v.max()) + pad + 1) for v in where)
        grey = np.stack([tifffile.imread(f)[box[1], box[2]] for f in files[box[0]]])
        shown = mask[box] if label > 0 else np.isin(true[box], [0]) & False
        image = crop_picture(grey, shown, said[box])
        name = f"{record['specimen']['name']}-{'tooth' if label > 0 else 'part'}{abs(label)}.png"
        image.save(folder / name, optimize=True)
        out[label] = name
    return out
