"""The yardstick of the speed bench: the stages of a reading as plain scipy and scikit-image calls.

``python -m benchmarks.reference SLICES``: smooth, find levels, label bone, distance map, dense cores as
markers, watershed over the solid voxels, measure each part, all on the whole volume. It names nothing and
reads no pose.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray
from scipy import ndimage
from skimage import filters, measure, segmentation


def read(volume: NDArray[Any]) -> tuple[NDArray[np.int32], dict[str, float]]:
    """Parts of a volume (z, y, x) and the seconds of each stage."""
    seconds: dict[str, float] = {}
    began = time.perf_counter()

    def lap(stage: str) -> None:
        nonlocal began
        now = time.perf_counter()
        seconds[stage] = now - began
        began = now

    grey = ndimage.gaussian_filter(volume.astype(np.float32), 1.0)
    lap("smooth")
    sample = grey[::2, ::2, ::2]
    low, high = filters.threshold_multiotsu(sample, 3, nbins=256)
    solid = grey > low
    lap("levels")
    elements, _ = ndimage.label(solid, np.ones((3, 3, 3)))
    lap("components")
    depth = ndimage.distance_transform_edt(solid)
    lap("distance map")
    cores, _ = ndimage.label(ndimage.binary_opening(grey > high))
    sizes = np.bincount(cores.ravel())
    cores[np.isin(cores, np.flatnonzero(sizes < 30))] = 0
    cores[solid & (grey < high) & (depth > 4)] = int(cores.max()) + 1
    lap("markers")
    slope = ndimage.gaussian_gradient_magnitude(grey, 1.0)
    parts = segmentation.watershed(slope, cores, mask=solid)
    lap("watershed")
    measure.regionprops_table(parts, grey, properties=("label", "area", "centroid", "inertia_tensor", "intensity_mean"))
    measure.regionprops_table(elements, properties=("label", "area", "bbox"))
    lap("measures")
    return np.asarray(parts, np.int32), seconds


def main() -> None:
    """Read a folder of TIFF slices and print the seconds of each stage as JSON."""
    files = sorted(Path(sys.argv[1]).glob("*.tif"))
    _, seconds = read(np.stack([tifffile.imread(f) for f in files]))
    print(json.dumps(seconds))


if __name__ == "__main__":
    main()
