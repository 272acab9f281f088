"""Isolating teeth: from the chance of tooth to labelled objects with jaw, side, row and detection probability."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.ndimage import find_objects

from .candidates import away_from_bone
from .greys import Normalised
from .grow import Contact, fill_pulp, grow, join
from .hints import Hints, said_to_be_teeth
from .judgement import odds_of_tooth, one_tooth
from .midline import part_at_midline
from .records import Jaw, Pose, Side
from .rows import JawSplit, RowCurve, fit_rows, split_jaws
from .standing import NoRow, Standing, bodies_of, markers_of, stand, touching_pairs
from .tissue_model import ToothChance
from .votes import Said, said

__all__ = ["Isolation", "isolate", "label_near", "nothing", "unknown_pose"]

ACCEPT = 0.5
"""Probability of being tooth above which a candidate is taken."""
JOIN = 0.65
"""Probability of being one tooth above which touching pieces are joined."""
SMALLEST = 10
"""Voxels below which nothing is called a tooth."""

FloatArray = npt.NDArray[np.float64]
Labels = npt.NDArray[np.int32]


@dataclass(frozen=True)
class Isolation:
    """Isolated teeth on the working grid. ``labels`` 1..n; the mappings are by label. ``rows`` in skull mm."""

    labels: Labels
    pose: Pose
    split: JawSplit | None
    assignments: dict[int, tuple[Jaw, Side]]
    detection: dict[int, float]
    rows: dict[tuple[Jaw, Side], RowCurve]
    skull_length_mm: float
    refusal: str | None = None
    """Why no tooth is named, where none is."""
    said: Said | None = None
    """What the voxels of each label say of their tooth."""
    enamel: npt.NDArray[np.bool_] | None = None
    """Voxels (z, y, x) that are enamel rather than not."""


def nothing(shape: tuple[int, ...], pose: Pose, size: float, why: str) -> Isolation:
    """An isolation without teeth."""
    return Isolation(np.zeros(shape, np.int32), pose, None, {}, {}, {}, size, why)


def unknown_pose() -> Pose:
    """The pose of what has none."""
    return Pose(np.eye(4), 0.0, 0.0, 0.0, False, ())


def isolate(
    volume: Normalised,
    chance: ToothChance,
    spacing_mm_zyx: tuple[float, float, float],
    *,
    right_handed: bool = True,
    hints: Hints | None = None,
    tick: Callable[[], None] | None = None,
) -> Isolation:
    """Isolate the teeth of one specimen.

    Cores are found as components of the tooth chance, the pose from bone and cores, the rows from the cores in the
    pose; cores that stand in no row are set aside, the rest are grown to whole teeth and pieces of one tooth are
    joined.
    """
    hints = hints or Hints()
    spacing = np.array(spacing_mm_zyx)
    stood = stand(volume, chance, spacing_mm_zyx, right_handed=right_handed, midplane=hints.midplane, tick=tick)
    if isinstance(stood, NoRow):
        return nothing(volume.values.shape, unknown_pose(), stood.size, stood.why)
    standing, found = stood.standing, stood.standing.found
    odds = odds_of_tooth(stood.measures)
    accepted = odds > ACCEPT
    markers = markers_of(found, accepted)
    first = int(markers.max())
    for extra, missed in enumerate(hints.missed, start=1):
        markers[_ball(markers.shape, spacing, missed.point_mm)] = first + extra
    labels = grow(markers, volume, chance)
    pairs = touching_pairs(labels, volume, chance, spacing, stood.matrix, standing, accepted)
    labels = join(labels, _pieces(pairs, labels, hints, spacing))
    one = {label_near(labels, spacing, point) for group in hints.joins for point in group.points_mm}
    labels = part_at_midline(labels, spacing, stood.matrix, one)
    for cut in hints.cuts:
        labels = _cut(labels, volume, chance, cut.point_mm, cut.seeds_mm, spacing)
    for gone in hints.discards:
        part = label_near(labels, spacing, gone.point_mm)
        if part:
            labels = np.where(labels == part, 0, labels)
    labels = fill_pulp(labels, volume)
    isolation = _describe(labels, markers, standing, accepted, odds, volume, spacing, stood.pose, hints)
    return replace(isolation, said=said(isolation.labels, chance.votes), enamel=chance.enamel > 0.5)


def label_near(labels: Labels, spacing: FloatArray, point_mm: tuple[float, float, float], reach: int = 2) -> int:
    """Return the label that holds a point, or the one nearest to it within ``reach`` voxels; 0 where there is none.

    A person may point at the very margin of a tooth, which runs a little otherwise on the working grid.
    """
    middle = _voxel(labels.shape, spacing, point_mm)
    if labels[middle]:
        return int(labels[middle])
    box = _ball(labels.shape, spacing, point_mm, reach)
    near = np.argwhere(labels[box] > 0)
    if not len(near):
        return 0
    off = (near + [s.start for s in box] - np.array(middle)) * spacing
    nearest = near[np.argmin((off**2).sum(axis=1))]
    return int(labels[box][tuple(nearest)])


def _voxel(shape: tuple[int, ...], spacing: FloatArray, point_mm: tuple[float, float, float]) -> tuple[int, int, int]:
    raw = np.rint(np.array(point_mm[::-1]) / spacing).astype(int)
    z, y, x = np.clip(raw, 0, np.array(shape) - 1)
    return int(z), int(y), int(x)


def _ball(
    shape: tuple[int, ...], spacing: FloatArray, point_mm: tuple[float, float, float], radius: int = 2
) -> tuple[slice, slice, slice]:
    z, y, x = _voxel(shape, spacing, point_mm)
    return (
        slice(max(z - radius, 0), z + radius + 1),
        slice(max(y - radius, 0), y + radius + 1),
        slice(max(x - radius, 0), x + radius + 1),
    )


def contract(count: int, pairs: list[tuple[int, int]], chance: FloatArray) -> list[int]:
    """Contract pairs that are one tooth, weighing all that speaks for and against a union of two groups.

    Each pair weighs its log-odds of being one tooth, less those of `JOIN`; the two groups with the greatest positive
    sum are joined and the sums added up, until none is positive. (Greedy additive edge contraction: Keuper et al.
    2015, ICCV, "Efficient decomposition of image and mesh graphs by lifted multicuts".) So one mistaken pair does not
    chain a row together. Returns the parent of each of ``count`` objects, itself where it has none.
    """
    odds = np.log(np.clip(chance, 1e-4, 1 - 1e-4) / (1 - np.clip(chance, 1e-4, 1 - 1e-4))) - np.log(JOIN / (1 - JOIN))
    parent = list(range(count))
    weights: dict[int, dict[int, float]] = {}
    for (a, b), weight in zip(pairs, odds, strict=True):
        weights.setdefault(a, {})[b] = float(weight)
        weights.setdefault(b, {})[a] = float(weight)
    while True:
        best = max(((w, -a, -b) for a, near in weights.items() for b, w in near.items() if a < b), default=(0.0, 0, 0))
        if best[0] <= 0:
            return parent
        keep, gone = -best[1], -best[2]
        parent[gone] = keep
        for other, weight in weights.pop(gone).items():
            del weights[other][gone]
            if other != keep:
                total = weights[keep].get(other, 0.0) + weight
                weights[keep][other] = weights[other][keep] = total


def _pieces(
    pairs: tuple[list[Contact], FloatArray], labels: Labels, hints: Hints, spacing: FloatArray
) -> list[list[int]]:
    """Groups of objects that are pieces of one tooth, by `contract` and by a person's word."""
    touching, measures = pairs
    parent = contract(int(labels.max()) + 1, [(c.a, c.b) for c in touching], one_tooth(measures))

    def root(i: int) -> int:
        while parent[i] != i:
            i = parent[i]
        return i

    for group in hints.joins:
        members = [label_near(labels, spacing, p) for p in group.points_mm]
        members = [m for m in members if m > 0]
        for other in members[1:]:
            parent[root(other)] = root(members[0])
    groups: dict[int, list[int]] = {}
    for i in range(1, len(parent)):
        groups.setdefault(root(i), []).append(i)
    return [group for group in groups.values() if len(group) > 1]


def _cut(
    labels: Labels,
    volume: Normalised,
    chance: ToothChance,
    point_mm: tuple[float, float, float],
    seeds_mm: tuple[tuple[float, float, float], ...],
    spacing: FloatArray,
) -> Labels:
    """Part one object at a person's word: a watershed within it from the given seeds."""
    from skimage.segmentation import watershed

    part = label_near(labels, spacing, point_mm)
    if part == 0:
        return labels
    own = labels == part
    seeds = np.zeros_like(labels)
    for k, seed in enumerate(seeds_mm):
        seeds[_ball(labels.shape, spacing, seed, 1)] = part if k == 0 else int(labels.max()) + k
    cut = watershed(-chance.within, np.where(own, seeds, 0), mask=own)
    out = labels.copy()
    out[own] = cut[own]
    return out


def _describe(
    labels: Labels,
    markers: Labels,
    standing: Standing,
    accepted: npt.NDArray[np.bool_],
    odds: FloatArray,
    volume: Normalised,
    spacing: FloatArray,
    pose: Pose,
    hints: Hints,
) -> Isolation:
    """Give every grown tooth its jaw and side anew, from where its whole body stands and looks, and fit the rows
    again.
    """
    matrix = np.asarray(pose.scan_to_skull, float)
    bodies = bodies_of(labels, volume, spacing, matrix)
    count, place = bodies.voxels, bodies.place
    seeds = np.flatnonzero(markers > 0)
    cores, first = np.unique(markers.ravel()[seeds], return_index=True)
    owner = labels.ravel()[seeds[first]]
    candidate = np.flatnonzero(accepted)
    surest = np.zeros(len(count))
    for core, label in zip(cores, owner, strict=True):
        chance = float(odds[candidate[core - 1]]) if core <= len(candidate) else 1.0
        surest[label] = max(surest[label], chance)
    parts = [part for part in range(1, len(count)) if count[part] >= SMALLEST]
    if len(parts) < 4:
        return nothing(labels.shape, pose, standing.size, "No tooth row was found.")
    away = np.zeros((len(count), 3))
    for part, box in enumerate(find_objects(labels), start=1):
        if box is not None:
            wide = away_from_bone(volume.values, labels, box)[::-1] @ matrix[:3, :3].T
            # What the bone round about and the bone of the socket say alike counts; else the tooth's height must tell.
            away[part] = wide * (wide[1] * bodies.away[part, 1] > 0)
    weight = np.cbrt(count[parts].astype(float))
    split = split_jaws(place[parts], weight, away[parts], both=len(standing.split.present) == 2)
    rows = fit_rows(place[parts], weight, split.upper)
    assignments: dict[int, tuple[Jaw, Side]] = {}
    detection: dict[int, float] = {}
    for part, upper in zip(parts, split.upper, strict=True):
        assignments[part] = ("upper" if upper else "lower", "left" if place[part, 0] > 0 else "right")
        detection[part] = float(np.clip(surest[part], 0.02, 0.995))
    for told in hints.sides:
        part = label_near(labels, spacing, told.point_mm)
        if part in assignments:
            assignments[part] = (assignments[part][0], told.side)
    for point in said_to_be_teeth(hints):
        part = label_near(labels, spacing, point)
        if part in assignments:
            detection[part] = 1.0
    return Isolation(labels, pose, split, assignments, detection, rows, standing.size)
