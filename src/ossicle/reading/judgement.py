"""Is this object tooth, and are these two pieces one tooth? Two small sets of boosted trees over plain measures.

Made together with the tissue model by ``python -m benchmarks.training``; everything they see is relative to the
specimen itself (its size, its row, its enamel, its other objects).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.spatial.distance import cdist

from .candidates import Candidates
from .features import Normalised
from .grow import Contact
from .trees import chances

__all__ = ["OBJECT_MEASURES", "PAIR_MEASURES", "object_measures", "odds_of_tooth", "one_tooth", "pair_measures"]

FloatArray = npt.NDArray[np.float64]

OBJECT_MEASURES = (
    "peak", "chance", "log size", "relative size", "bright", "grey", "alone", "off row", "off level", "look",
    "mirror distance", "mirror size", "neighbours", "nearest larger",
)  # fmt: skip
PAIR_MEASURES = (
    "faces of smaller", "faces of larger", "within", "size ratio", "log smaller", "log larger", "relative larger",
    "distance", "along row", "height apart",
)  # fmt: skip


def object_measures(
    found: Candidates,
    volume: Normalised,
    place: FloatArray,
    height: FloatArray,
    off_row: FloatArray,
    look: FloatArray,
    size: float,
    strong: npt.NDArray[np.bool_],
) -> FloatArray:
    """Measures of every candidate, (n, len(OBJECT_MEASURES)); places in skull mm, ``size`` of the specimen in mm."""
    volume_of = np.cbrt(np.maximum(found.voxels, 1))
    typical = float(np.median(volume_of[strong])) if strong.any() else float(np.median(volume_of))
    mirrored = cdist(place * np.array([-1.0, 1.0, 1.0]), place)
    twin = mirrored.argmin(axis=1)
    apart = cdist(place, place)
    larger = np.where(found.voxels[None, :] > found.voxels[:, None], apart, np.inf)
    return np.column_stack(
        [
            found.peak,
            found.chance,
            np.log(np.maximum(found.voxels, 1)),
            volume_of / typical,
            (found.bright - 1) / max(volume.enamel - 1, 0.05),
            found.mean,
            found.alone,
            np.minimum(off_row / size, 1),
            height / size,
            look,
            mirrored[np.arange(len(place)), twin] / size,
            volume_of[twin] / volume_of,
            (apart[:, strong] < 0.08 * size).sum(axis=1) if strong.any() else np.zeros(len(place)),
            np.minimum(larger.min(axis=1) / size, 1) if len(place) else np.zeros(0),
        ]
    )


def odds_of_tooth(measures: FloatArray) -> FloatArray:
    """Probability 0 to 1 that each candidate is (a piece of) a tooth."""
    return np.asarray(chances("object_model", measures)[:, 1], float)


def pair_measures(
    touching: Sequence[Contact],
    voxels: npt.NDArray[np.int64],
    place: FloatArray,
    tangent: FloatArray,
    spacing_mm: float,
    typical: float,
) -> FloatArray:
    """Measures of touching pairs, (n, len(PAIR_MEASURES));

    ``place`` and ``tangent`` (of the row there) by label, skull mm.
    """
    out = np.zeros((len(touching), len(PAIR_MEASURES)))
    for row, touch in enumerate(touching):
        small, large = sorted((touch.a, touch.b), key=lambda i: voxels[i])
        apart = place[large] - place[small]
        distance = float(np.linalg.norm(apart))
        reach = float(np.cbrt(voxels[small]) + np.cbrt(voxels[large])) * spacing_mm
        along = abs(float(apart @ tangent[large])) / max(distance, 1e-9)
        out[row] = (
            touch.faces / max(float(voxels[small]) ** (2 / 3), 1),
            touch.faces / max(float(voxels[large]) ** (2 / 3), 1),
            touch.within,
            voxels[small] / max(voxels[large], 1),
            np.log(max(voxels[small], 1)),
            np.log(max(voxels[large], 1)),
            np.cbrt(voxels[large]) / typical,
            distance / max(reach, 1e-9),
            along,
            abs(float(apart[1])) / max(reach, 1e-9),
        )
    return out


def one_tooth(measures: FloatArray) -> FloatArray:
    """Probability 0 to 1 that each touching pair is one tooth."""
    if not len(measures):
        return np.zeros(0)
    return np.asarray(chances("pair_model", measures)[:, 1], float)
