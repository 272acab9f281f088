"""Bone told apart: cranium, left and right dentary, loose fragments.

Bone is what is solid and not tooth. It is parted by a watershed on its thickness from seeds near the roots of each
jaw's teeth, so that the cut falls in the thinnest place between (the jaw joint). A dentary is parted at the midplane
where the symphysis is closed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import cc3d
import edt
import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation, zoom
from skimage.segmentation import watershed

from .greys import Normalised
from .records import Jaw, PartKind, Side
from .rows import JawSplit

__all__ = ["Element", "find_elements"]

Labels = npt.NDArray[np.int32]
FloatArray = npt.NDArray[np.float64]


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
    """Label bone: returns int32 (z, y, x) with labels from ``first_label`` on, and what each is.

    Worked at half resolution on volumes over two million voxels; outlines are cut at full resolution by the half
    level.
    """
    step = 2 if volume.values.size > 2_000_000 else 1
    solid = volume.values[::step, ::step, ::step] > 0.5
    small_teeth = teeth[::step, ::step, ::step]
    bone = solid & (small_teeth == 0)
    spacing = np.array(spacing_mm_zyx) * step
    pieces = cc3d.connected_components(bone, connectivity=26)
    count = np.bincount(pieces.ravel())
    count[0] = 0
    if count.max(initial=0) < 30:
        return np.zeros_like(teeth), []
    seeds = np.zeros(bone.shape, np.int32)
    jaws = _jaw_seeds(small_teeth, bone, assignments)
    near_midplane = None
    if split is not None:
        skull = _skull_coordinates(bone.shape, spacing, np.asarray(scan_to_skull, float))
        near_midplane = skull[0]
    thick = edt.edt(bone, parallel=1)
    for jaw, mask in jaws.items():
        seeds[mask] = 1 if jaw == "upper" else 2
    if 2 in (1 if jaw == "upper" else 2 for jaw in jaws) and len(jaws) == 2:
        _deep_seeds(seeds, bone, thick, pieces)
    coarse = watershed(-thick, seeds, mask=bone) if seeds.any() else np.zeros(bone.shape, np.int32)
    lone = bone & (coarse == 0)
    out = np.zeros(bone.shape, np.int32)
    elements: list[Element] = []
    label = first_label
    if (coarse == 1).any():
        out[coarse == 1] = label
        elements.append(Element(label, "bone", "cranium", None, 0.9 if split is not None else 0.5))
        label += 1
    if (coarse == 2).any() and near_midplane is not None:
        sides: tuple[tuple[Side, npt.NDArray[np.bool_]], ...] = (
            ("left", (coarse == 2) & (near_midplane > 0)),
            ("right", (coarse == 2) & (near_midplane <= 0)),
        )
        for side, mask in sides:
            if mask.sum() > 0.1 * (coarse == 2).sum():
                out[mask] = label
                elements.append(Element(label, "bone", "dentary", side, 0.85))
                label += 1
    if lone.any():
        rest = cc3d.connected_components(lone, connectivity=26)
        sizes = np.bincount(rest.ravel())
        sizes[0] = 0
        for piece in np.argsort(sizes)[::-1][:12]:
            if sizes[piece] < max(60, 0.002 * bone.sum()):
                break
            out[rest == piece] = label
            elements.append(Element(label, "fragment", "undetermined bone", None, 0.5))
            label += 1
    return _full_size(out, teeth, volume, step), elements


def _jaw_seeds(
    teeth: Labels, bone: npt.NDArray[np.bool_], assignments: Mapping[int, tuple[Jaw, Side]]
) -> dict[Jaw, npt.NDArray[np.bool_]]:
    """Bone within two voxels of the teeth of each jaw, less what lies as near to the other jaw's."""
    out: dict[Jaw, npt.NDArray[np.bool_]] = {}
    grown: dict[Jaw, npt.NDArray[np.bool_]] = {}
    jaws: tuple[Jaw, Jaw] = ("upper", "lower")
    for jaw in jaws:
        table = np.zeros(int(teeth.max()) + 1, bool)
        table[[p for p, (j, _) in assignments.items() if j == jaw and p < len(table)]] = True
        mask = table[teeth]
        if mask.any():
            grown[jaw] = binary_dilation(mask, iterations=2)
    for jaw, mask in grown.items():
        other = grown.get("lower" if jaw == "upper" else "upper")
        seed = mask & bone
        if other is not None:
            seed &= ~binary_dilation(other, iterations=2)
        if seed.any():
            out[jaw] = seed
    return out


def _deep_seeds(
    seeds: Labels,
    bone: npt.NDArray[np.bool_],
    thick: npt.NDArray[np.floating],
    pieces: npt.NDArray[np.integer],
) -> None:
    """Where cranium and dentaries hang together, find the level of thickness at which they part, and seed from
    there.
    """
    for level in (0.0, 1.0, 1.5, 2.0, 2.5, 3.0):
        parts = pieces if level == 0 else cc3d.connected_components(thick > level, connectivity=26)
        held = [np.bincount(parts[seeds == k], minlength=int(parts.max()) + 1) for k in (1, 2)]
        for one in held:
            one[0] = 0
        both = np.minimum(held[0], held[1])
        if both.sum() <= 0.02 * (held[0].sum() + held[1].sum()) or level == 3.0:
            owner = np.where(held[0] > held[1], 1, 2) * ((held[0] + held[1]) > 5)
            big = owner[parts]
            seeds[(big > 0) & (seeds == 0) & bone] = big[(big > 0) & (seeds == 0) & bone]
            return


def _skull_coordinates(shape: tuple[int, ...], spacing: FloatArray, matrix: FloatArray) -> FloatArray:
    """Skull coordinate x (left) of every voxel, as an array (1, z, y, x)."""
    z, y, x = (np.arange(n) * s for n, s in zip(shape, spacing, strict=True))
    row = matrix[0]
    left = row[0] * x[None, None, :] + row[1] * y[None, :, None] + row[2] * z[:, None, None] + row[3]
    return np.asarray(left[None], float)


def _full_size(coarse: Labels, teeth: Labels, volume: Normalised, step: int) -> Labels:
    if step > 1:
        grown = coarse.copy()
        empty = grown == 0
        distance, index = _nearest(coarse)
        near = empty & (distance <= 2)
        grown[near] = coarse[tuple(i[near] for i in index)]
        coarse = zoom(grown, step, order=0, grid_mode=True, mode="nearest")
        pad = [(0, max(0, n - m)) for n, m in zip(teeth.shape, coarse.shape, strict=True)]
        coarse = np.pad(coarse, pad, mode="edge")[tuple(slice(0, n) for n in teeth.shape)]
    full: Labels = np.where((volume.values > 0.5) & (teeth == 0), coarse, 0).astype(np.int32)
    return full


def _nearest(labels: Labels) -> tuple[FloatArray, tuple[npt.NDArray[np.intp], ...]]:
    from scipy.ndimage import distance_transform_edt

    distance, index = distance_transform_edt(labels == 0, return_indices=True)
    return distance, tuple(index)
