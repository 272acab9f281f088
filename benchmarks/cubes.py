"""Invented skulls that fill a cube of any size, drawn by the bench's own maker; large ones are drawn coarser, then
enlarged by straight lines between voxels, with noise of their own."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import numpy.typing as npt

from .foreign.build import Options, design
from .foreign.canvas import Canvas
from .foreign.paint import paint
from .foreign.pose import outline_points
from .foreign.scanner import scan

__all__ = ["LARGEST_DRAWN", "cube", "drawn", "drawn_with_truth"]

NO_TOOTH = 10
"""Greatest label of the maker's that is none of a tooth."""
LARGEST_DRAWN = 512
"""Voxels on edge up to which a cube is drawn at its own resolution."""


def drawn(size: int, seed: int = 7) -> tuple[npt.NDArray[np.uint16], float]:
    """Return a juvenile skull of size^3 voxels (z, y, x) and its voxel in mm."""
    grey, _, voxel = drawn_with_truth(size, seed)
    return grey, voxel


def drawn_with_truth(size: int, seed: int = 7) -> tuple[npt.NDArray[np.uint16], npt.NDArray[np.uint16], float]:
    """Return a juvenile skull of size^3 voxels (z, y, x), its teeth (labels from 1, 0 elsewhere) and voxel in mm."""
    o = Options(animal="placental", stage="juvenile", seed=seed, background="air")
    animal = design(o)
    points = outline_points(animal)
    lo, hi = points.min(0) - 0.8, points.max(0) + 0.8
    o.voxel = float((hi - lo).max() / size)
    to_skull = np.eye(4)
    to_skull[:3, 3] = (lo + hi) / 2 - o.voxel * size / 2
    canvas = Canvas((size, size, size), o.voxel, to_skull)
    paint(animal, o, canvas)
    grey, _ = scan(canvas, o)
    return np.asarray(grey), np.where(canvas.labels > NO_TOOTH, canvas.labels - NO_TOOTH, 0).astype(np.uint16), o.voxel


def cube(size: int, folder: Path, seed: int = 7, coarse: Path | None = None) -> Path:
    """Write a juvenile skull of size^3 voxels as a TIFF stack; returns the slice folder.

    ``coarse`` is the slice folder of the smaller cube from which a large one is enlarged; drawn where it is None.
    """
    import tifffile

    slices = folder / "slices"
    if (folder / "scan.json").exists():
        return slices
    shutil.rmtree(folder, ignore_errors=True)
    slices.mkdir(parents=True)
    times = -(-size // LARGEST_DRAWN)
    if size % times:
        raise ValueError(f"{size} cannot be drawn as {times} times a smaller cube")
    if times > 1 and coarse is not None:
        grey = np.stack([tifffile.imread(p) for p in sorted(coarse.glob("*.tif"))])
        voxel = float(json.loads((coarse.parent / "scan.json").read_text())["spacing_mm_zyx"][0])
        if len(grey) * times != size:
            raise ValueError(f"{coarse} has {len(grey)} slices, {size // times} are needed")
    else:
        grey, voxel = drawn(size // times, seed)
    for k in range(size):
        plane = grey[k] if times == 1 else _between(grey, k, times, seed)
        tifffile.imwrite(slices / f"slice_{k:04d}.tif", plane)
    sidecar = {"spacing_mm_zyx": [voxel / times] * 3, "grey_unit": "attenuation counts", "invented": True}
    (folder / "scan.json").write_text(json.dumps(sidecar))
    return slices


def _between(grey: npt.NDArray[np.uint16], k: int, times: int, seed: int) -> npt.NDArray[np.uint16]:
    """Slice ``k`` of a cube ``times`` as fine: linear between the voxels there are, with noise of 2 % of the range."""

    def rule(count: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.float32]]:
        at = np.clip((np.arange(count * times) + 0.5) / times - 0.5, 0, count - 1)
        low = np.minimum(at.astype(np.intp), count - 2)
        return low, (at - low).astype(np.float32)

    low, share = rule(len(grey))
    plane = grey[low[k]] * (1 - share[k]) + grey[low[k] + 1] * share[k]
    for axis in range(2):
        low, share = rule(plane.shape[axis])
        share = share[:, None] if axis == 0 else share
        plane = np.take(plane, low, axis) * (1 - share) + np.take(plane, low + 1, axis) * share
    rng = np.random.default_rng((seed, k))
    noise = rng.standard_normal(1 << 20, np.float32)
    start = rng.integers(0, len(noise), plane.shape[0])
    noise = np.stack([np.take(noise, np.arange(s, s + plane.shape[1]), mode="wrap") for s in start])
    plane += 0.02 * float(grey[len(grey) // 2].max()) * noise
    return np.clip(np.rint(plane), 0, 65535).astype(np.uint16)
