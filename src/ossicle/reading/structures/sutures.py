"""Whether the suture between premaxilla and maxilla shows: a dark line that climbs the snout's side from the alveolar
margin between the last incisor and the tooth behind it.

The outer face is met from the side row by row, and the grey just beneath it laid out. A suture is the darkest way up
from the margin; a darkest way there is in noise too, so it must be darker than the darkest ways in noise of the same
grain and strength, and by a share of bone's grey that one can see.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from ..records import Side
from .loci import StandingTooth
from .records import Suture
from .space import Space

__all__ = ["Face", "darkest_way", "read_suture", "side_face"]

FloatArray = npt.NDArray[np.float64]

GRAIN = 5.0
"""Standard deviation (voxels) of the smoothing that a line is dark against."""
TRIALS = 40
LEAST_DIP = 0.06
"""By what share of bone's grey a suture is darker than the bone beside it. Common practice, no source."""
OVER_NOISE = 1.55
"""How many times as dark as the darkest way in noise it is. Common practice, no source; on practice juveniles lines
told by it lay on the suture, on adults of voxels twice as wide as their sutures none was told."""


@dataclass(frozen=True)
class Face:
    """The outer face of a snout's side, rows from the alveolar margin up and columns from behind forward: mean grey
    just beneath it (not a number where there is no bone), where each lies (row, column, 3; skull mm), and the cell
    (mm)."""

    grey: FloatArray
    place: FloatArray
    step: float


def side_face(space: Space, cranium: int, low: FloatArray, high: FloatArray, side: Side) -> Face | None:
    """Lay out the outer face of the cranium in a box (skull mm) as seen from its side; None where it has none."""
    step = space.voxel
    block = space.block(low, high, step, labels=True)
    assert block.labels is not None
    bone = (block.values > 0.5) & (block.labels == cranium)
    if side == "left":
        bone, grey = bone[::-1], block.values[::-1]
    else:
        grey = block.values
    if not bone.any():
        return None
    first = bone.argmax(axis=0)
    met = bone.any(axis=0)
    n = bone.shape[0]
    ky, kz = np.meshgrid(np.arange(bone.shape[1]), np.arange(bone.shape[2]), indexing="ij")
    # off the face by what blur lightens, then over about a voxel and a half
    deep = [np.clip(first + k, 0, n - 1) for k in (2, 3)]
    under = np.mean([grey[d, ky, kz] for d in deep], axis=0)
    x = block.axis(0)[::-1] if side == "left" else block.axis(0)
    place = np.stack([x[np.clip(first + 2, 0, n - 1)], block.axis(1)[ky], block.axis(2)[kz]], axis=-1)
    return Face(np.where(met, under, np.nan), place, step)


def darkest_way(dark: FloatArray, start: slice, rows: int) -> tuple[npt.NDArray[np.intp], float]:
    """The way up through an image (row, column; least is darkest) over ``rows`` rows, two columns aside at most a row,
    from row 0 in ``start`` on, whose sum is least: its columns, and its mean."""
    cost = np.full(dark.shape[1], np.inf)
    cost[start] = dark[0, start]
    back = np.zeros((rows, dark.shape[1]), np.intp)
    for r in range(1, rows):
        aside = np.pad(cost, 2, constant_values=np.inf)
        sides = np.stack([aside[k : k + len(cost)] for k in range(5)])
        pick = sides.argmin(axis=0)
        back[r] = np.arange(dark.shape[1]) + pick - 2
        cost = sides.min(axis=0) + dark[r]
    way = np.zeros(rows, np.intp)
    way[-1] = int(np.argmin(cost))
    for r in range(rows - 1, 0, -1):
        way[r - 1] = back[r, way[r]]
    return way, float(cost[way[-1]]) / rows


def read_suture(space: Space, cranium: int, upper: Sequence[StandingTooth], side: Side) -> Suture | None:
    """The suture between premaxilla and maxilla of one side, or why it does not show; None where no incisor, or no
    tooth behind one, stands in place to look between.

    ``upper`` are the upper teeth that stand in place.
    """
    own = [t for t in upper if t.side == side and t.jaw == "upper"]
    incisors = [t for t in own if t.tooth_class == "incisor"]
    others = [t for t in own if t.tooth_class != "incisor"]
    if not incisors or not others:
        return None
    last, then = min(incisors, key=lambda t: float(t.neck[2])), max(others, key=lambda t: float(t.neck[2]))
    front, hind = float(last.neck[2]), float(then.neck[2])
    if front - hind < 4 * space.voxel:
        return Suture(side, reason="too little bone lies between the last incisor and the tooth behind it")
    margin = float(max(last.neck_high[1], then.neck_high[1])) + 2 * space.voxel
    tall = 1.2 * max(front - hind, 6 * space.voxel)
    sign = 1.0 if side == "left" else -1.0
    x = np.sort([0.0, sign * (abs(float(then.neck[0])) + 1.2 * (front - hind) + 5 * space.voxel)])
    low, high = np.array([x[0], margin, hind - tall]), np.array([x[1], margin + tall, front])
    face = side_face(space, cranium, low, high, side)
    if face is None:
        return Suture(side, reason="no bone faces outward there")
    whole = np.isfinite(face.grey)
    rows = int(np.argmin(np.r_[whole.mean(axis=1) > 0.7, False]))
    rows = min(rows, max(10, int(0.5 * tall / face.step)))
    if rows < 10 or not whole[0].any():
        return Suture(side, reason="too little of the snout's side faces outward there")
    start = slice(int((hind - low[2]) / face.step), face.grey.shape[1])
    return _darkest(face, rows, whole[:rows], start, space.blur_mm / face.step, side)


def _darkest(face: Face, rows: int, seen: npt.NDArray[np.bool_], start: slice, blur: float, side: Side) -> Suture:
    """The darkest way up a face, where it is darker than those in noise."""
    grey = face.grey[:rows]
    flat = _against(np.where(seen, grey, 0.0), seen)
    rough = 1.48 * float(np.median(np.abs(flat[seen] - np.median(flat[seen]))))
    way, mean = darkest_way(np.where(seen, flat, 3 * rough), start, rows)
    rng = np.random.default_rng(0)
    least = []
    for _ in range(TRIALS):
        noise = gaussian_filter(rng.normal(size=flat.shape), blur)
        noise = _against(np.where(seen, noise * rough / float(noise.std()), 0.0), seen)
        least.append(darkest_way(np.where(seen, noise, 3 * rough), start, rows)[1])
    dip = -float(np.median(flat[np.arange(rows), way])) / float(np.median(grey[seen]))
    image = np.nan_to_num(face.grey)[::-1].astype(np.float32)
    if mean / min(least) < OVER_NOISE or dip < LEAST_DIP:
        return Suture(
            side,
            reason="no line clearly darker than the bone's own grain climbs the snout there, so it is fused, or closer "
            "than the voxels show",
            image=image,
            step=face.step,
        )
    r = np.arange(rows)
    return Suture(
        side, face.place[r, way], dip, "", image, face.step, np.stack([way, len(image) - 1 - r], axis=1) + 0.5
    )


def _against(image: FloatArray, seen: npt.NDArray[np.bool_]) -> FloatArray:
    """An image less its own mean about each cell, of cells that are seen."""
    weight = gaussian_filter(seen.astype(float), GRAIN)
    out: FloatArray = np.where(seen, image - gaussian_filter(image, GRAIN) / np.maximum(weight, 1e-3), 0.0)
    return out
