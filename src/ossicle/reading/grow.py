"""From cores to whole teeth:

each core grows over what may be tooth, down to the apex, until it meets a neighbour or bone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import fill_voids
import numpy as np
import numpy.typing as npt
from scipy.ndimage import find_objects, gaussian_filter
from skimage.segmentation import watershed

from .greys import Normalised
from .tissue_model import ToothChance

__all__ = ["Contact", "contacts", "fill_pulp", "grow", "join"]

Labels = npt.NDArray[np.int32]
NEAR = 2
"""Voxels by which each of two objects is thought larger in looking for what lies beside it."""
REACH = 0.45
"""Tooth chance down to which a core may grow."""


@dataclass(frozen=True)
class Contact:
    """Where two grown objects touch.

    ``faces`` voxel faces lie between them; ``within`` is the mean over these of the chance that this is inside one
    tooth (tooth less between), ``bridge`` its 90th percentile and ``open`` the share of faces where it exceeds one
    half. ``normal`` is the mean direction from a to b over the faces, in voxels (z, y, x). ``gap`` tells that they do
    not touch but come within twice `NEAR` voxels; the faces are then those midway between them.
    """

    a: int
    b: int
    faces: int
    within: float
    bridge: float
    open: float
    normal: tuple[float, float, float]
    gap: bool = False


def grow(markers: Labels, volume: Normalised, chance: ToothChance, *, reach: float = REACH) -> Labels:
    """Grow ``markers`` (1..n, and -1 for what is known to be bone) over voxels whose tooth chance exceeds ``reach``.

    Marker-based watershed (Meyer & Beucher 1990) on the chance of tooth less that of lying between two: the sure
    voxels are taken first, so two neighbours meet between them and a root stops at its gap. Bone markers keep what
    they reach; it is returned as 0.
    """
    field = gaussian_filter(chance.alone, 0.5)
    mask = (chance.tooth > reach) | (markers != 0)
    where = np.argwhere(mask)
    if not len(where):
        return np.zeros_like(markers)
    box = tuple(slice(int(a), int(b) + 1) for a, b in zip(where.min(0), where.max(0), strict=True))
    seeds = markers[box].copy()
    bone = int(markers.max()) + 1
    seeds[seeds < 0] = bone
    grown = watershed(-field[box], seeds, mask=mask[box])
    grown[grown == bone] = 0
    out = np.zeros_like(markers)
    out[box] = grown
    return out


def contacts(labels: Labels, chance: ToothChance) -> list[Contact]:
    """Return every pair of objects that touch, then those that nearly do, each in rising order of labels.

    The cusps of one growing crown may not have met yet, and lie a voxel or two apart.
    """
    box = next(iter(find_objects((labels > 0).astype(np.uint8))), None)
    if box is None:
        return []
    near = tuple(slice(max(s.start - NEAR, 0), s.stop + NEAR) for s in box)
    within = chance.within[near]
    touching = _contacts(labels[near], within, gap=False)
    known = {(c.a, c.b) for c in touching}
    apart = _contacts(_swollen(labels[near]), within, gap=True)
    return touching + [c for c in apart if (c.a, c.b) not in known]


def _swollen(labels: Labels) -> Labels:
    """Labels grown by `NEAR` voxels where there is room, along the axes; the larger label wins a tie."""
    for _ in range(NEAR):
        grown = labels.copy()
        for axis in range(3):
            for step in (1, -1):
                to, of = [slice(None)] * 3, [slice(None)] * 3
                to[axis] = slice(1, None) if step > 0 else slice(None, -1)
                of[axis] = slice(None, -1) if step > 0 else slice(1, None)
                part = grown[tuple(to)]
                np.maximum(part, labels[tuple(of)], out=part, where=labels[tuple(to)] == 0)
        labels = grown
    return labels


def _contacts(labels: Labels, within: npt.NDArray[np.float32], *, gap: bool) -> list[Contact]:
    keys: list[npt.NDArray[np.int64]] = []
    values: list[npt.NDArray[np.float32]] = []
    steps: list[npt.NDArray[np.float64]] = []
    top = int(labels.max()) + 1
    for axis in range(3):
        ahead = [slice(None)] * 3
        behind = [slice(None)] * 3
        ahead[axis], behind[axis] = slice(1, None), slice(None, -1)
        a, b = labels[tuple(behind)], labels[tuple(ahead)]
        touch = (a != b) & (a > 0) & (b > 0)
        left, right = a[touch].astype(np.int64), b[touch].astype(np.int64)
        keys.append(np.minimum(left, right) * top + np.maximum(left, right))
        values.append(np.minimum(within[tuple(behind)][touch], within[tuple(ahead)][touch]))
        step = np.zeros((len(left), 3))
        step[:, axis] = np.where(left < right, 1.0, -1.0)
        steps.append(step)
    key, value, step = np.concatenate(keys), np.concatenate(values), np.concatenate(steps)
    order = np.lexsort((value, key))
    key, value, step = key[order], value[order], step[order]
    pairs, starts, counts = np.unique(key, return_index=True, return_counts=True)
    out = []
    for pair, start, count in zip(pairs, starts, counts, strict=True):
        part = slice(start, start + count)
        normal = step[part].mean(axis=0)
        out.append(
            Contact(
                int(pair // top),
                int(pair % top),
                int(count),
                float(value[part].mean()),
                float(value[start + int(0.9 * (count - 1))]),
                float((value[part] > 0.5).mean()),
                (float(normal[0]), float(normal[1]), float(normal[2])),
                gap,
            )
        )
    return out


def join(labels: Labels, groups: Sequence[Sequence[int]]) -> Labels:
    """Return ``labels`` with every group of labels merged into its first."""
    table = np.arange(int(labels.max()) + 1, dtype=np.int32)
    for group in groups:
        table[list(group)] = group[0]
    merged: Labels = table[labels]
    return merged


def fill_pulp(labels: Labels, volume: Normalised) -> Labels:
    """Fill what a tooth encloses: cavities closed in 3D, and those closed in sections of all three grid directions at
    once.

    A pulp chamber that opens only through the apex is closed in sections across the root; a voxel is filled where at
    least two of the three directions of section agree and no other tooth has it.
    """
    out = labels.copy()
    for part, box in enumerate(find_objects(labels), start=1):
        if box is None:
            continue
        grown = tuple(slice(max(s.start - 1, 0), s.stop + 1) for s in box)
        own = labels[grown] == part
        filled = fill_voids.fill(own).astype(bool)
        votes = np.zeros(own.shape, np.int8)
        for axis in range(3):
            turned = np.moveaxis(filled, axis, 0)
            sections = np.stack([fill_voids.fill(np.ascontiguousarray(s)).astype(bool) for s in turned])
            votes += np.moveaxis(sections, 0, axis)
        take = (filled | (votes >= 2)) & (labels[grown] == 0)
        out[grown][take] = part
    return out
