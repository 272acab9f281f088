"""The chance of every solid voxel to be tooth, enamel or between two teeth, and which tooth it points to.

A small three-dimensional network of the U form (Ronneberger et al. 2015, MICCAI 9351:234; Cicek et al. 2016, MICCAI
9901:424) with weight-standardised convolutions (Brock et al. 2021, ICLR), kept as ONNX. It was trained on invented
specimens of two unlike generators, each also rendered again at random contrast, blur, texture and noise, turned,
mirrored and enlarged at random; ``python -m benchmarks.training`` makes the file again. It sees greys relative to
bone and nothing else: no position in the skull, no millimetres, no name.

Besides chances it gives, for each voxel of a tooth, the way to that tooth's centre, so that the pieces of one tooth
point to one place (as in Kendall et al. 2018, CVPR, instance voting).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.ndimage import find_objects, maximum_filter

from .greys import Normalised
from .network import run
from .votes import Votes
from .working_grid import means

__all__ = ["CHANNELS", "ToothChance", "near_teeth", "tooth_chance"]

FloatArray = npt.NDArray[np.float32]
BoolArray = npt.NDArray[np.bool_]
SOLID = 0.3
"""Blocks without a voxel above this (surround 0, bone 1) are not asked: they hold less than a third of bone."""
VOTE = 0.3
"""Tooth chance from which a voxel's votes are kept."""
AROUND = 12
"""Voxels round what looks like tooth at half the resolution that are looked at closely."""
GLANCE = 0.15
"""Tooth chance at half the resolution from which a place is looked at closely."""
APART = 1.2
"""Weight of the chance to lie between two teeth against that of tooth where cores are sought: above one, so that teeth
part; what should not have parted is joined later."""
SMALL = 1_500_000
"""Voxels up to which a volume is looked at closely throughout."""
CHANNELS = (
    "tooth", "enamel", "between", "to centre z", "to centre y", "to centre x", "deciduous", "incisor", "canine",
    "premolar", "molar",
)  # fmt: skip
"""What the network gives, in order; ways in voxels, all else chances."""


@dataclass(frozen=True)
class ToothChance:
    """Chances per voxel, float32 (z, y, x):

    ``tooth`` of any tooth, pulp included; ``between`` of lying, tooth or gap, between two teeth; ``enamel``.
    """

    tooth: FloatArray
    between: FloatArray
    enamel: FloatArray
    votes: Votes = field(default_factory=Votes)

    @property
    def within(self) -> FloatArray:
        """Chance of tooth less that of lying between two, -1 to 1: high inside one tooth."""
        return np.asarray(self.tooth - self.between, np.float32)

    @property
    def alone(self) -> FloatArray:
        """How surely a voxel lies inside one tooth, at most 1: a small chance to lie between two already tells."""
        return np.asarray(self.tooth**2 - APART * np.sqrt(self.between), np.float32)


def near_teeth(values: FloatArray, *, threads: int = 2, tick: Callable[[], None] | None = None) -> BoolArray:
    """Return where teeth may be, (z, y, x): within `AROUND` voxels of what looks like tooth at half the resolution."""
    coarse = means(values, 2)
    chance = np.zeros(coarse.shape, np.float32)
    for box, found in run("tooth_network", coarse, coarse > SOLID, threads=threads):
        chance[box] = found[0]
        if tick is not None:
            tick()
    near = maximum_filter(chance, AROUND + 1) > GLANCE
    for axis in range(3):
        near = np.repeat(near, 2, axis=axis)
    return np.pad(near, [(0, n % 2) for n in values.shape])


def tooth_chance(volume: Normalised, *, threads: int = 2, tick: Callable[[], None] | None = None) -> ToothChance:
    """Return the chances and votes: looked for coarsely in the whole volume, then closely near what was found.

    Chances are zero in the blocks that hold nothing solid near what may be teeth.
    """
    values = volume.values
    wanted = values > SOLID
    extent = find_objects(wanted.astype(np.uint8))
    if extent and math.prod(s.stop - s.start for s in extent[0]) > SMALL:
        wanted &= near_teeth(values, threads=threads, tick=tick)
        extent = find_objects(wanted.astype(np.uint8))
    tooth, between, enamel = (np.zeros(values.shape, np.float32) for _ in range(3))
    if not extent:
        return ToothChance(tooth, between, enamel)
    region = extent[0]
    first = np.array([[s.start] for s in region])
    kept: list[tuple[npt.NDArray[np.int64], FloatArray]] = []
    for box, found in run("tooth_network", values[region], wanted[region], threads=threads):
        for whole, part in zip((tooth, enamel, between), found[:3], strict=True):
            whole[region][box] = part
        at = np.nonzero(found[0] > VOTE)
        place = np.stack(at) + np.array([[s.start] for s in box]) + first
        said = found[3:, at[0], at[1], at[2]]
        said[:3] += place
        kept.append((np.ravel_multi_index(tuple(place), values.shape), said.astype(np.float32)))
        if tick is not None:
            tick()
    if not kept:
        return ToothChance(tooth, between, enamel)
    index = np.concatenate([k for k, _ in kept])
    said = np.concatenate([s for _, s in kept], axis=1)
    order = np.argsort(index, kind="stable")
    index, said = index[order], said[:, order]
    return ToothChance(tooth, between, enamel, Votes(index, said[:3].T.copy(), said[3], said[4:].T.copy()))
