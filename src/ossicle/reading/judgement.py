"""Is this object tooth, and are these two pieces one tooth? Two small sets of boosted trees over plain measures.

Made together with the tissue model by ``python -m benchmarks.training``; everything they see is relative to the
specimen itself (its size, its row, its enamel, its other objects).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial.distance import cdist

from .candidates import Candidates
from .greys import Normalised
from .grow import Contact
from .trees import chances
from .votes import Said

__all__ = [
    "OBJECT_MEASURES",
    "PAIR_MEASURES",
    "Bodies",
    "object_measures",
    "odds_of_tooth",
    "one_tooth",
    "pair_measures",
]

FloatArray = npt.NDArray[np.float64]

OBJECT_MEASURES = (
    "peak", "chance", "log size", "relative size", "bright", "grey", "alone", "off row", "off level", "look",
    "mirror distance", "mirror size", "neighbours", "nearest larger", "votes", "votes spread", "votes away", "enamel",
)  # fmt: skip
PAIR_MEASURES = (
    "faces of smaller", "faces of larger", "within", "bridge", "open", "size ratio", "log smaller", "log larger",
    "relative union", "distance", "apart along row", "apart across", "normal along row", "normal upright",
    "saddle", "dip", "bright difference", "mirror union", "mirror larger", "looks alike", "looks apart", "same jaw",
    "gap", "wall", "wide wall", "votes apart", "votes apart in spreads", "votes away", "as deciduous", "of one class",
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
    told: Said,
) -> FloatArray:
    """Measures of every candidate, (n, len(OBJECT_MEASURES)); places in skull mm, ``size`` of the specimen in mm,
    ``told`` by the voxels of each core.
    """
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
            told.count[1:] / np.maximum(found.voxels, 1),
            told.spread[1:] / np.maximum(volume_of, 1),
            np.linalg.norm(told.centre[1:] - found.place, axis=1) / np.maximum(volume_of, 1),
            found.enamel,
        ]
    )


def odds_of_tooth(measures: FloatArray) -> FloatArray:
    """Probability 0 to 1 that each candidate is (a piece of) a tooth."""
    return np.asarray(chances("object_model", measures)[:, 1], float)


@dataclass(frozen=True)
class Bodies:
    """Grown objects by label (row 0 is none): voxels, centroid in voxels (z, y, x) and in skull mm, and mean grey.

    ``away`` (n, 3) points out of the bone round each, skull space; ``upper`` says which jaw its core stands in.
    """

    voxels: npt.NDArray[np.int64]
    centre: FloatArray
    place: FloatArray
    grey: FloatArray
    away: FloatArray
    upper: npt.NDArray[np.bool_]


def pair_measures(
    touching: Sequence[Contact],
    bodies: Bodies,
    labels: npt.NDArray[np.int32],
    inside: npt.NDArray[np.float32],
    tangent: FloatArray,
    scan_to_skull: FloatArray,
    spacing_mm_zyx: FloatArray,
    told: Said,
    bone: npt.NDArray[np.float32],
) -> FloatArray:
    """Measures of touching pairs, (n, len(PAIR_MEASURES)); ``told`` by the voxels of each object.

    ``bone`` is the grey of what is no tooth, 0 in teeth: a wall of it parts two sockets, while the cusps of one growing
    crown have the soft papilla between them.

    ``inside`` is the chance of tooth less that of lying between two; ``tangent`` (by label, skull space) the
    direction of the row there. The two are also compared with what stands at their mirror image: one tooth there
    speaks for one here.
    """
    out = np.zeros((len(touching), len(PAIR_MEASURES)))
    voxels, place = bodies.voxels, bodies.place
    real = voxels[1:][voxels[1:] > 0]
    typical = float(np.median(np.cbrt(real))) if len(real) else 1.0
    edge = float(np.cbrt(np.prod(spacing_mm_zyx)))
    back: FloatArray = np.linalg.inv(scan_to_skull).astype(np.float64)
    turn = scan_to_skull[:3, :3]
    for row, touch in enumerate(touching):
        small, large = sorted((touch.a, touch.b), key=lambda i: voxels[i])
        apart = place[large] - place[small]
        distance = float(np.linalg.norm(apart)) + 1e-9
        union = int(voxels[small] + voxels[large])
        reach = float(np.cbrt(voxels[small]) + np.cbrt(voxels[large])) * edge
        along = abs(float(apart @ tangent[large]))
        normal = turn @ np.array(touch.normal)[::-1]
        length = float(np.linalg.norm(normal)) + 1e-9
        line = _along(inside, bodies.centre[small], bodies.centre[large])
        middle = (place[small] * voxels[small] + place[large] * voxels[large]) / union
        wall = _along(bone, bodies.centre[small], bodies.centre[large])
        votes = float(np.linalg.norm(told.centre[small] - told.centre[large]))
        twin = _label_at(labels, _mirrored(middle, scan_to_skull, back, spacing_mm_zyx))
        of_larger = _label_at(labels, _mirrored(place[large], scan_to_skull, back, spacing_mm_zyx))
        out[row] = (
            touch.faces / max(float(voxels[small]) ** (2 / 3), 1),
            touch.faces / max(float(voxels[large]) ** (2 / 3), 1),
            touch.within,
            touch.bridge,
            touch.open,
            voxels[small] / max(voxels[large], 1),
            np.log(max(voxels[small], 1)),
            np.log(max(voxels[large], 1)),
            np.cbrt(union) / typical,
            distance / max(reach, 1e-9),
            along / distance,
            float(np.sqrt(max(distance**2 - along**2 - float(apart[1]) ** 2, 0))) / distance,
            abs(float(normal @ tangent[large])) / length,
            abs(float(normal[1])) / length,
            float(line.min()),
            float(min(line[:3].mean(), line[-3:].mean()) - line.min()),
            abs(float(bodies.grey[small] - bodies.grey[large])),
            np.log(voxels[twin] / union) if twin and twin not in (small, large) else -9.0,
            np.log(voxels[of_larger] / voxels[large]) if of_larger and of_larger not in (small, large) else -9.0,
            float(bodies.away[small] @ bodies.away[large]),
            abs(float(bodies.away[small, 1] - bodies.away[large, 1])),
            float(bodies.upper[small] == bodies.upper[large]),
            float(touch.gap),
            float(wall.max()),
            float(np.sort(wall)[-4:].mean()),
            votes / max(float(np.cbrt(voxels[small]) + np.cbrt(voxels[large])), 1.0),
            votes / (float(told.spread[small] + told.spread[large]) + 1.0),
            float(np.linalg.norm(told.centre[small] - bodies.centre[large])) / max(float(np.cbrt(voxels[large])), 1.0),
            abs(float(told.deciduous[small] - told.deciduous[large])),
            float(told.form[small] @ told.form[large]),
        )
    return out


def _along(field: npt.NDArray[np.float32], start: FloatArray, stop: FloatArray) -> FloatArray:
    """Values of ``field`` at 15 points on the straight way between two centres (nearest voxel)."""
    at = np.rint(start + np.linspace(0, 1, 15)[:, None] * (stop - start)).astype(int)
    at = np.clip(at, 0, np.array(field.shape) - 1)
    values: FloatArray = field[tuple(at.T)].astype(np.float64)
    return values


def _mirrored(place: FloatArray, forth: FloatArray, back: FloatArray, spacing_zyx: FloatArray) -> FloatArray:
    """Voxel (z, y, x) of the mirror image of a point given in skull mm."""
    mirrored = place * np.array([-1.0, 1.0, 1.0])
    voxel: FloatArray = (back[:3, :3] @ mirrored + back[:3, 3])[::-1] / spacing_zyx
    return voxel


def _label_at(labels: npt.NDArray[np.int32], voxel: FloatArray) -> int:
    """The commonest label within three voxels of ``voxel``, 0 where there is none."""
    at = np.rint(voxel).astype(int)
    if (at < 0).any() or (at >= np.array(labels.shape)).any():
        return 0
    near = labels[tuple(slice(max(int(c) - 3, 0), int(c) + 4) for c in at)]
    near = near[near > 0]
    return int(np.argmax(np.bincount(near))) if near.size else 0


def one_tooth(measures: FloatArray) -> FloatArray:
    """Probability 0 to 1 that each touching pair is one tooth."""
    if not len(measures):
        return np.zeros(0)
    return np.asarray(chances("pair_model", measures)[:, 1], float)
