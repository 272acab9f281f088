"""Patches to learn from: drawn from a specimen, turned, enlarged, mirrored, and given the faults of scans."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import affine_transform, uniform_filter

from ossicle.reading.network import RANGE

from .arrays import CLOSE, ENAMEL_BIT, NUMBER, Prepared

__all__ = ["Motion", "Patch", "draw", "draw_motion", "roughen", "take", "targets"]

FloatArray = NDArray[np.float32]
LARGEST_TURN = 0.45
"""Radians about each axis; the exchange of axes and mirroring, on top of that, bring every pose of the skull."""
ZOOM = (0.72, 1.35)


@dataclass(frozen=True)
class Motion:
    """How a patch is moved: turned by the matrix ``turn`` (z, y, x) that takes places in the patch to places in the
    scan, enlarged by ``zoom``, then its axes put in the order ``axes``, then those in ``mirrored`` reversed.
    """

    turn: NDArray[np.float64] | None = None
    zoom: float = 1.0
    axes: tuple[int, int, int] = (0, 1, 2)
    mirrored: tuple[int, ...] = ()


@dataclass(frozen=True)
class Patch:
    """Greys (z, y, x) and what the network should say of them.

    ``tooth``, ``enamel``, ``close`` 0 or 1 and ``way`` (3, z, y, x) to the tooth's centre in voxels, 0 outside teeth,
    float32; ``deciduous`` 1, 0 or -1 where not known or no tooth; ``form`` 0 to 3 or -1.
    """

    grey: FloatArray
    tooth: FloatArray
    enamel: FloatArray
    close: FloatArray
    way: FloatArray
    deciduous: FloatArray
    form: NDArray[np.int64]


def draw_motion(rng: np.random.Generator) -> Motion:
    """A motion at random: any order of axes, each mirrored or not; rather more than half turned and enlarged too."""
    turn, zoom = None, 1.0
    if rng.random() < 0.55:
        zoom = float(np.exp(rng.uniform(*np.log(ZOOM))))
        turn = np.eye(3)
        for (i, j), angle in zip(((0, 1), (0, 2), (1, 2)), rng.uniform(-LARGEST_TURN, LARGEST_TURN, 3), strict=True):
            one = np.eye(3)
            one[i, i] = one[j, j] = math.cos(angle)
            one[i, j], one[j, i] = -math.sin(angle), math.sin(angle)
            turn = turn @ one
    a, b, c = (int(k) for k in rng.permutation(3))
    return Motion(turn, zoom, (a, b, c), tuple(k for k in range(3) if rng.random() < 0.5))


def take(
    grey: NDArray[np.floating],
    truth: NDArray[np.uint16],
    centres: FloatArray,
    at: Sequence[int],
    motion: Motion,
    side: int,
) -> tuple[FloatArray, NDArray[np.uint16], FloatArray]:
    """Cut a cube of ``side`` voxels round the voxel ``at`` and move it: greys, truth, and where the centres now lie.

    ``centres`` (n, 3) are voxels (z, y, x) of the scan, those returned voxels of the patch. Outside the scan all is 0.
    """
    matrix = (np.eye(3) if motion.turn is None else motion.turn) / motion.zoom
    still = motion.turn is None and motion.zoom == 1
    edge = side if still else math.ceil(float(np.abs(matrix).sum(axis=1).max()) * (side - 1)) + 3
    low = np.asarray(at, int) - edge // 2
    values, marks = _cut(grey, low, edge).astype(np.float32), _cut(truth, low, edge)
    inner, outer = (side - 1) / 2, (edge - 1) / 2
    if not still:
        offset, shape = outer - matrix @ np.full(3, inner), (side,) * 3
        values = affine_transform(values, matrix, offset, shape, order=1, mode="constant", prefilter=False)
        marks = affine_transform(marks, matrix, offset, shape, order=0, mode="constant", prefilter=False)
    place = (centres - low - outer) @ np.linalg.inv(matrix).T + inner
    values, marks, place = values.transpose(motion.axes), marks.transpose(motion.axes), place[:, motion.axes]
    for axis in motion.mirrored:
        values, marks = np.flip(values, axis), np.flip(marks, axis)
        place[:, axis] = side - 1 - place[:, axis]
    return np.ascontiguousarray(values), np.ascontiguousarray(marks), place.astype(np.float32)


def _cut(volume: NDArray[np.generic], low: NDArray[np.int64], edge: int) -> NDArray[np.generic]:
    """The cube of ``edge`` voxels from ``low``, 0 where it overhangs."""
    out = np.zeros((edge,) * 3, volume.dtype)
    there = [slice(max(int(a), 0), min(int(a) + edge, n)) for a, n in zip(low, volume.shape, strict=True)]
    if all(s.start < s.stop for s in there):
        out[tuple(slice(s.start - int(a), s.stop - int(a)) for s, a in zip(there, low, strict=True))] = volume[
            tuple(there)
        ]
    return out


def targets(grey: FloatArray, truth: NDArray[np.uint16], centres: FloatArray, teeth: FloatArray) -> Patch:
    """What the network should say of a patch whose teeth have their ``centres`` there; ``teeth`` as in `Prepared`."""
    number = truth & NUMBER
    tooth = number > 0
    way = centres[number].transpose(3, 0, 1, 2) - np.indices(truth.shape, np.float32)
    return Patch(
        grey,
        tooth.astype(np.float32),
        (truth & ENAMEL_BIT > 0).astype(np.float32),
        (truth & CLOSE > 0).astype(np.float32),
        (way * tooth).astype(np.float32),
        teeth[number, 3].astype(np.float32),
        teeth[number, 4].astype(np.int64),
    )


def roughen(grey: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Change greys as scans differ: level, contrast of dense parts, noise, blur, shading (ranges: common practice, no
    source); within what the reading shows to the network.
    """
    out = grey.copy()
    if rng.random() < 0.5:
        out = out * rng.uniform(0.88, 1.14) + rng.uniform(-0.06, 0.06)
    if rng.random() < 0.3:
        out = np.where(out > 1, 1 + (out - 1) * rng.uniform(0.75, 1.3), out)
    if rng.random() < 0.35:
        sigma = rng.uniform(0.02, 0.12)
        noise = rng.standard_normal(out.shape, np.float32)
        out = out + sigma * (uniform_filter(noise, 3) * 4 if rng.random() < 0.7 else noise)
    if rng.random() < 0.2:
        out = 0.5 * out + 0.5 * uniform_filter(out, 3, mode="nearest")
    if rng.random() < 0.15:
        shade = np.float32(1)
        for axis, slope in enumerate(rng.normal(0, 0.1, 3)):
            across = np.linspace(-1, 1, out.shape[axis]).reshape([-1 if k == axis else 1 for k in range(3)])
            shade = shade + slope * across
        out = out * shade
    return np.clip(out, *RANGE).astype(np.float32)


def draw(specimens: Sequence[Prepared], weights: Sequence[float], side: int, rng: np.random.Generator) -> Patch:
    """Draw a patch: a specimen by its weight, mostly round a tooth, the scan itself as often as its renderings."""
    share = np.asarray(weights, float)
    s = specimens[int(rng.choice(len(specimens), p=share / share.sum()))]
    kind = rng.random()
    points = s.inside if kind < 0.72 and len(s.inside) else s.solid
    known = kind < 0.97 and len(points)
    at = points[rng.integers(len(points))].astype(int) if known else rng.integers(s.truth.shape)
    at = at + rng.integers(-(side // 3), side // 3 + 1, 3)
    look = 0 if rng.random() < 0.5 or len(s.greys) == 1 else int(rng.integers(1, len(s.greys)))
    grey, truth, centres = take(s.greys[look], s.truth, s.teeth[:, :3], at, draw_motion(rng), side)
    return targets(roughen(grey, rng), truth, centres, s.teeth)
