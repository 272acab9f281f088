"""Bone told apart: cranium, left and right dentary, loose fragments.

Bone is what is solid and not tooth. What hangs together with the roots of both jaws' teeth is first parted by floods
that meet where it is thin; round that border it is parted anew by the cut of least weight (minimum cut: Ford &
Fulkerson 1956, Can. J. Math. 8:399; on a graph of small basins, as Li et al. 2004, ACM Trans. Graph. 23:303). Every
face that is cut weighs by how bright it is, so that the cut runs through the dim, small contact of a joint rather than
through a thin but whole ramus. Where one dentary is cut short and the
other is not, its mirror image says so (`twins`). A dentary is parted at the midplane where the symphysis is closed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import cc3d
import edt
import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation, find_objects, gaussian_filter, maximum_filter
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import breadth_first_order, maximum_flow
from skimage.segmentation import watershed

from .boxes import box_of, grown
from .greys import Normalised
from .records import Jaw, PartKind, Side
from .rows import JawSplit
from .twins import mirrored_dentaries

__all__ = ["Element", "find_elements"]

Labels = npt.NDArray[np.int32]
FloatArray = npt.NDArray[np.float64]

UPPER, LOWER = 1, 2
SMOOTH = 0.7
"""Standard deviation (voxels) by which noise is lessened before bone is parted."""
PEAKS_APART = 5
"""Side (voxels) of the cube in which a basin's peak is the brightest."""
FAINT = 0.4
"""Grey (surround 0, bone 1) under which a face hardly weighs. Common practice, no source."""
BORDER = 4.0
"""Voxels of a dentary along its first border that are not settled."""
REACH = 0.4
"""How far from the first border the cut may run into the cranium, as a share of the cube root of the dentaries' volume.
Common practice, no source."""
GRAIN = 1000.0
"""Weights are whole numbers in the cut: so many to one of a face of full grey."""


@dataclass(frozen=True)
class Element:
    """A bone or fragment with its label."""

    label: int
    kind: PartKind
    term: str
    side: Side | Literal["midline"] | None
    confidence: float


def find_elements(
    teeth: Labels,
    volume: Normalised,
    spacing_mm_zyx: tuple[float, float, float],
    scan_to_skull: npt.NDArray[np.floating],
    split: JawSplit | None,
    assignments: Mapping[int, tuple[Jaw, Side]],
    first_label: int,
) -> tuple[Labels, list[Element]]:
    """Label bone: returns int32 (z, y, x) with labels from ``first_label`` on, and what each is."""
    solid = volume.values > 0.5
    bone = solid & (teeth == 0)
    spacing = np.array(spacing_mm_zyx)
    pieces = cc3d.connected_components(bone, connectivity=26)
    count = np.bincount(pieces.ravel())
    count[0] = 0
    if count.max(initial=0) < 30:
        return np.zeros_like(teeth), []
    seeds = np.zeros(bone.shape, np.uint8)
    for jaw, mask in _jaw_seeds(teeth, bone, assignments).items():
        seeds[mask] = UPPER if jaw == "upper" else LOWER
    first = _by_thickness(teeth, bone, assignments)
    left = None
    if split is not None:
        left = _left_of_midplane(bone.shape, spacing, np.asarray(scan_to_skull, float))
    coarse = _parted(volume.values, pieces, seeds, first)
    if left is not None:
        matrix = np.asarray(scan_to_skull, float)
        twin = mirrored_dentaries(coarse == LOWER, bone, left, spacing, matrix)
        twin &= seeds != UPPER
        if twin.any():
            coarse = _parted(volume.values, pieces, seeds, np.where(twin, LOWER, coarse).astype(np.uint8), twin)
    lone = bone & (coarse == 0)
    out = np.zeros(bone.shape, np.int32)
    elements: list[Element] = []
    label = first_label
    if (coarse == UPPER).any():
        out[coarse == UPPER] = label
        elements.append(Element(label, "bone", "cranium", None, 0.9 if split is not None else 0.5))
        label += 1
    if (coarse == LOWER).any() and left is not None:
        sides: tuple[tuple[Side, npt.NDArray[np.bool_]], ...] = (
            ("left", (coarse == LOWER) & left),
            ("right", (coarse == LOWER) & ~left),
        )
        for side, mask in sides:
            if mask.sum() > 0.1 * (coarse == LOWER).sum():
                out[mask] = label
                elements.append(Element(label, "bone", "dentary", side, 0.85))
                label += 1
    if lone.any():
        rest = cc3d.connected_components(lone, connectivity=26)
        sizes = np.bincount(rest.ravel())
        sizes[0] = 0
        boxes = find_objects(rest)
        least = max(60, 0.002 * bone.sum())
        for piece in np.argsort(sizes)[::-1][:12]:
            if sizes[piece] < least:
                break
            box = boxes[piece - 1]
            out[box][rest[box] == piece] = label
            elements.append(Element(label, "fragment", "undetermined bone", None, 0.5))
            label += 1
    return out, elements


def _jaw_seeds(
    teeth: Labels, bone: npt.NDArray[np.bool_], assignments: Mapping[int, tuple[Jaw, Side]]
) -> dict[Jaw, npt.NDArray[np.bool_]]:
    """Bone within two voxels of the teeth of each jaw, less what lies as near to the other jaw's."""
    out: dict[Jaw, npt.NDArray[np.bool_]] = {}
    near: dict[Jaw, npt.NDArray[np.bool_]] = {}
    jaws: tuple[Jaw, Jaw] = ("upper", "lower")
    tight = box_of(teeth > 0)
    if tight is None:
        return out
    box = grown(tight, teeth.shape, 5)  # wider than all that is grown
    held = teeth[box]
    for jaw in jaws:
        table = np.zeros(int(held.max()) + 1, bool)
        table[[p for p, (j, _) in assignments.items() if j == jaw and p < len(table)]] = True
        mask = table[held]
        if mask.any():
            near[jaw] = binary_dilation(mask, iterations=2)
    for jaw, mask in near.items():
        other = near.get("lower" if jaw == "upper" else "upper")
        seed = mask & bone[box]
        if other is not None:
            seed &= ~binary_dilation(other, iterations=2)
        if seed.any():
            whole = np.zeros(bone.shape, bool)
            whole[box] = seed
            out[jaw] = whole
    return out


def _by_thickness(
    teeth: Labels, bone: npt.NDArray[np.bool_], assignments: Mapping[int, tuple[Jaw, Side]]
) -> npt.NDArray[np.uint8]:
    """A first parting, at half resolution in large volumes: floods from the seeds meet where bone is thin.

    It may cut a thin ramus short, but hardly gives a dentary what is the cranium's. 0 where a piece holds no seed.
    """
    step = 2 if bone.size > 2_000_000 else 1
    small = bone[::step, ::step, ::step]
    seeds = np.zeros(small.shape, np.uint8)
    jaws = _jaw_seeds(teeth[::step, ::step, ::step], small, assignments)
    for jaw, mask in jaws.items():
        seeds[mask] = UPPER if jaw == "upper" else LOWER
    if not seeds.any():
        return np.zeros(bone.shape, np.uint8)
    thick = edt.edt(small, parallel=1)
    if len(jaws) == 2:
        _deep_seeds(seeds, small, thick, cc3d.connected_components(small, connectivity=26))
    parted = watershed(-thick, seeds.astype(np.int32), mask=small).astype(np.uint8)
    for axis in range(3):
        parted = np.repeat(parted, step, axis=axis)
    out: npt.NDArray[np.uint8] = parted[tuple(slice(0, n) for n in bone.shape)] * bone
    return out


def _parted(
    values: npt.NDArray[np.float32],
    pieces: npt.NDArray[np.integer],
    seeds: npt.NDArray[np.uint8],
    first: npt.NDArray[np.uint8],
    twin: npt.NDArray[np.bool_] | None = None,
) -> npt.NDArray[np.uint8]:
    """Which jaw each voxel of bone belongs to: UPPER, LOWER, or 0 where a piece holds no seed."""
    most = int(pieces.max()) + 1
    held = [np.bincount(pieces[first == k], minlength=most) for k in (UPPER, LOWER)]
    owner = np.where(held[0] > held[1], UPPER, LOWER).astype(np.uint8)
    owner[(held[0] + held[1] == 0)] = 0
    # a few voxels of one jaw in a piece of the other are mistakes of the seeds
    both = np.minimum(*held) > np.maximum(12, 0.02 * np.maximum(*held))
    both[0] = owner[0] = 0
    out: npt.NDArray[np.uint8] = owner[pieces]
    boxes = find_objects(pieces) if both.any() else []
    for piece in np.flatnonzero(both):
        box = boxes[piece - 1]
        own = pieces[box] == piece
        settled = _sure(first[box] * own, seeds[box], own)
        if twin is not None:
            settled[twin[box] & own] = LOWER
        out[box][own] = _least_cut(values[box], own, settled)[own]
    return out


def _sure(
    first: npt.NDArray[np.uint8], seeds: npt.NDArray[np.uint8], bone: npt.NDArray[np.bool_]
) -> npt.NDArray[np.uint8]:
    """What of a first parting is taken as settled: the dentaries but for what borders on the cranium, and the cranium
    far from them."""
    far = edt.edt(first != LOWER, parallel=1)
    inner = edt.edt(first != UPPER, parallel=1)
    out = np.zeros(first.shape, np.uint8)
    out[(first == LOWER) & (inner > BORDER)] = LOWER
    size = float(np.cbrt(max(1, int((first == LOWER).sum()))))
    out[(first == UPPER) & (far > REACH * size)] = UPPER
    out[bone & (seeds > 0)] = seeds[bone & (seeds > 0)]
    return out


def _deep_seeds(
    seeds: npt.NDArray[np.uint8],
    bone: npt.NDArray[np.bool_],
    thick: npt.NDArray[np.floating],
    pieces: npt.NDArray[np.integer],
) -> None:
    """Where cranium and dentaries hang together, find the level of thickness at which they part, and seed from
    there.
    """
    for level in (0.0, 1.0, 1.5, 2.0, 2.5, 3.0):
        parts = pieces if level == 0 else cc3d.connected_components(thick > level, connectivity=26)
        held = [np.bincount(parts[seeds == k], minlength=int(parts.max()) + 1) for k in (UPPER, LOWER)]
        for one in held:
            one[0] = 0
        both = np.minimum(held[0], held[1])
        if both.sum() <= 0.02 * (held[0].sum() + held[1].sum()) or level == 3.0:
            owner = np.where(held[0] > held[1], UPPER, LOWER) * ((held[0] + held[1]) > 5)
            big = owner[parts]
            seeds[(big > 0) & (seeds == 0) & bone] = big[(big > 0) & (seeds == 0) & bone]
            return


def _least_cut(
    values: npt.NDArray[np.float32], bone: npt.NDArray[np.bool_], seeds: npt.NDArray[np.uint8]
) -> npt.NDArray[np.uint8]:
    """Part one piece of bone between its seeds by the cut of least weight."""
    grey = np.clip(gaussian_filter(values, SMOOTH), 0.0, 1.0)
    peaks = bone & (seeds == 0) & (grey == maximum_filter(grey, PEAKS_APART))
    peaks |= bone & (seeds == 0) & (grey >= 1.0) & _lattice(bone.shape)
    markers = cc3d.connected_components(peaks, connectivity=26).astype(np.int32)
    markers[markers > 0] += LOWER
    markers[bone & (seeds > 0)] = seeds[bone & (seeds > 0)]
    basins = watershed(-grey, markers, mask=bone)
    n = int(basins.max()) + 1
    graph = coo_matrix((n, n))
    for axis in range(3):
        a, b = (np.moveaxis(basins, axis, 0)[s] for s in (slice(None, -1), slice(1, None)))
        low = np.minimum(*(np.moveaxis(grey, axis, 0)[s] for s in (slice(None, -1), slice(1, None))))
        at = (a != b) & (a > 0) & (b > 0)
        weight = np.maximum(low[at] - FAINT, 0.02) ** 2
        graph = graph + coo_matrix((weight, (a[at], b[at])), shape=(n, n))
    graph = graph.tocsr()
    whole = ((graph + graph.T) * GRAIN).astype(np.int32)
    flow = maximum_flow(whole, LOWER, UPPER).flow
    rest = whole - flow
    rest.eliminate_zeros()
    lower = np.zeros(n, bool)
    lower[breadth_first_order(rest, LOWER, return_predecessors=False)] = True
    out: npt.NDArray[np.uint8] = np.where(lower[basins], LOWER, UPPER).astype(np.uint8)
    return out


def _lattice(shape: tuple[int, ...]) -> npt.NDArray[np.bool_]:
    """Every fourth voxel along each axis: seats of basins where bone is too bright to have peaks."""
    z, y, x = (np.arange(n) % 4 == 0 for n in shape)
    out: npt.NDArray[np.bool_] = z[:, None, None] & y[None, :, None] & x[None, None, :]
    return out


def _left_of_midplane(shape: tuple[int, ...], spacing: FloatArray, matrix: FloatArray) -> npt.NDArray[np.bool_]:
    """Whether each voxel (z, y, x) lies left of the midplane, slice by slice, so that no volume of numbers is held."""
    z, y, x = (np.arange(n) * s for n, s in zip(shape, spacing, strict=True))
    row = matrix[0]
    flat = row[0] * x[None, :] + row[1] * y[:, None]
    out = np.empty(shape, bool)
    for k, depth in enumerate(row[2] * z):
        out[k] = flat + depth + row[3] > 0
    return out
