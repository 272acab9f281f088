"""Isolating teeth: from the chance of tooth to labelled objects with jaw, side, row and detection probability."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import find_objects

from .candidates import Candidates, away_from_bone, find_candidates
from .features import Normalised
from .grow import Contact, contacts, fill_pulp, grow, join
from .hints import Hints
from .judgement import Bodies, object_measures, odds_of_tooth, one_tooth, pair_measures
from .pose import coarse_bone, find_pose
from .records import Jaw, Pose, Side
from .rows import JawSplit, RowCurve, fit_rows, row_members, split_jaws, to_curve
from .tissue_model import ToothChance

__all__ = ["Isolation", "Standing", "isolate", "nothing", "touching_pairs", "unknown_pose"]

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
    bone, bone_spacing = coarse_bone(volume.values, spacing_mm_zyx)
    where = np.argwhere(bone)
    if len(where) < 50:
        return nothing(volume.values.shape, unknown_pose(), 0.0, "The scan holds too little bone for a skull.")
    size = float(np.linalg.norm(np.ptp(where, axis=0) * np.array(bone_spacing)))
    found = find_candidates(volume, chance, tick=tick)
    worth = _worth(found, volume)
    strong = worth > 0
    if strong.sum() < 4:
        return nothing(volume.values.shape, unknown_pose(), size, "No tooth row was found.")
    place_mm = found.place[:, ::-1] * spacing[::-1]
    pose, _, _ = find_pose(
        bone,
        bone_spacing,
        place_mm[strong],
        worth[strong],
        right_handed=right_handed,
        midplane=hints.midplane,
    )
    matrix = np.asarray(pose.scan_to_skull, float)
    place = place_mm @ matrix[:3, :3].T + matrix[:3, 3]
    away = found.away[:, ::-1] @ matrix[:3, :3].T
    member = np.zeros(len(found), bool)
    member[np.flatnonzero(strong)] = row_members(place[strong], worth[strong], size)
    split = split_jaws(place[member], worth[member], away[member])
    rows = fit_rows(place[member], worth[member], split.upper)
    standing = Standing(found, place, away[:, 1], member, split, rows, size)
    odds = odds_of_tooth(standing.measures(volume, strong))
    accepted = odds > ACCEPT
    for point in hints.discards:
        accepted[_candidate_at(found, spacing, point.point_mm)] = False
    markers = _markers(found, accepted)
    first = int(markers.max())
    for extra, missed in enumerate(hints.missed, start=1):
        markers[_ball(markers.shape, spacing, missed.point_mm)] = first + extra
    labels = grow(markers, volume, chance)
    pairs = touching_pairs(labels, volume, chance, spacing, matrix, standing, accepted)
    labels = join(labels, _pieces(pairs, labels, hints, spacing))
    for cut in hints.cuts:
        labels = _cut(labels, volume, chance, cut.point_mm, cut.seeds_mm, spacing)
    labels = fill_pulp(labels, volume)
    return _describe(labels, markers, standing, accepted, odds, volume, spacing, pose, hints)


def _worth(found: Candidates, volume: Normalised) -> FloatArray:
    """How much a candidate counts in finding rows and pose: bright, sure and not tiny."""
    bright = np.clip((found.bright - 1) / max(volume.enamel - 1, 0.05), 0.05, 1)
    sure = (found.peak > 0.8) & (found.chance > 0.55)
    worth: FloatArray = found.chance * bright * np.cbrt(found.voxels) * sure
    return worth


@dataclass(frozen=True)
class Standing:
    """Candidates in the pose: where each stands (skull mm), how far up it looks, and which row it belongs to."""

    found: Candidates
    place: FloatArray
    look: FloatArray
    member: npt.NDArray[np.bool_]
    split: JawSplit
    rows: dict[tuple[Jaw, Side], RowCurve]
    size: float

    def height(self, place: FloatArray) -> FloatArray:
        """Height of points over the occlusal level, mm."""
        a, b, c = self.split.boundary
        over: FloatArray = place[:, 1] - (a + b * place[:, 2] + c * place[:, 2] ** 2)
        return over

    @property
    def upper(self) -> npt.NDArray[np.bool_]:
        """Which candidates stand in the upper jaw."""
        if len(self.split.present) == 1:
            return np.full(len(self.place), self.split.present == ("upper",))
        out = self.height(self.place) > 0
        out[self.member] = self.split.upper
        return out

    def measures(self, volume: Normalised, strong: npt.NDArray[np.bool_]) -> FloatArray:
        """What `judgement.odds_of_tooth` asks of each candidate."""
        upper = self.upper
        off = np.full(len(self.place), np.inf)
        for (jaw, side), row in self.rows.items():
            mine = (upper == (jaw == "upper")) & ((self.place[:, 0] > 0) == (side == "left"))
            if mine.any():
                off[mine] = to_curve(self.place[mine], row)[1]
        sign = np.where(upper, 1.0, -1.0)
        return object_measures(
            self.found, volume, self.place, self.height(self.place) * sign, off, -self.look * sign, self.size, strong
        )


def touching_pairs(
    labels: Labels,
    volume: Normalised,
    chance: ToothChance,
    spacing: FloatArray,
    matrix: FloatArray,
    standing: Standing,
    accepted: npt.NDArray[np.bool_],
) -> tuple[list[Contact], FloatArray]:
    """All touching pairs of grown objects and their measures."""
    touching = contacts(labels, chance)
    bodies = _bodies(labels, volume, spacing, matrix)
    tangent = np.zeros((len(bodies.voxels), 3))
    tangent[:, 2] = 1.0
    upper = np.zeros(len(bodies.voxels), bool)
    upper[1 : int(accepted.sum()) + 1] = standing.upper[accepted]
    for (jaw, side), row in standing.rows.items():
        mine = np.flatnonzero((upper == (jaw == "upper")) & ((bodies.place[:, 0] > 0) == (side == "left")))
        if len(mine):
            arc, _ = to_curve(bodies.place[mine], row)
            slope = np.gradient(row.points, axis=0)
            slope /= np.linalg.norm(slope, axis=1, keepdims=True)
            tangent[mine] = slope[np.searchsorted(row.arc, arc).clip(0, len(slope) - 1)]
    inside = chance.tooth - chance.between
    return touching, pair_measures(touching, bodies, labels, inside, tangent, matrix, spacing)


def _bodies(labels: Labels, volume: Normalised, spacing: FloatArray, matrix: FloatArray) -> Bodies:
    """Voxel count, centroid and mean grey by label."""
    index = np.flatnonzero(labels > 0)
    label = labels.ravel()[index]
    top = int(label.max(initial=0)) + 1
    count = np.bincount(label, minlength=top)
    some = np.maximum(count, 1)
    coordinates = np.unravel_index(index, labels.shape)
    centre = np.stack([np.bincount(label, c, minlength=top) / some for c in coordinates], axis=1)
    place: FloatArray = (centre * spacing)[:, ::-1] @ matrix[:3, :3].T + matrix[:3, 3]
    grey = np.bincount(label, volume.values.ravel()[index], minlength=top) / some
    return Bodies(count, centre, place, grey)


def _candidate_at(found: Candidates, spacing: FloatArray, point_mm: tuple[float, float, float]) -> list[int]:
    index = _voxel(found.markers.shape, spacing, point_mm)
    label = int(found.markers[index])
    return [label - 1] if label > 0 else []


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


def _markers(found: Candidates, accepted: npt.NDArray[np.bool_]) -> Labels:
    table = np.zeros(len(found) + 1, np.int32)
    table[1:][accepted] = np.arange(1, int(accepted.sum()) + 1)
    table[1:][~accepted] = -1
    markers: Labels = table[found.markers]
    return markers


def _pieces(
    pairs: tuple[list[Contact], FloatArray], labels: Labels, hints: Hints, spacing: FloatArray
) -> list[list[int]]:
    """Groups of objects that are pieces of one tooth, the surest pairs first."""
    touching, measures = pairs
    parent = list(range(int(labels.max()) + 1))

    def root(i: int) -> int:
        while parent[i] != i:
            i = parent[i]
        return i

    chance = one_tooth(measures)
    for k in np.argsort(-chance, kind="stable"):
        if chance[k] > JOIN:
            parent[root(touching[k].b)] = root(touching[k].a)
    for group in hints.joins:
        members = [int(labels[_voxel(labels.shape, spacing, p)]) for p in group.points_mm]
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

    part = int(labels[_voxel(labels.shape, spacing, point_mm)])
    if part == 0:
        return labels
    own = labels == part
    seeds = np.zeros_like(labels)
    for k, seed in enumerate(seeds_mm):
        seeds[_ball(labels.shape, spacing, seed, 1)] = part if k == 0 else int(labels.max()) + k
    cut = watershed(-(chance.tooth - chance.between), np.where(own, seeds, 0), mask=own)
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
    bodies = _bodies(labels, volume, spacing, matrix)
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
            away[part] = away_from_bone(volume.values, labels, box)[::-1] @ matrix[:3, :3].T
    weight = np.cbrt(count[parts].astype(float))
    split = split_jaws(place[parts], weight, away[parts])
    rows = fit_rows(place[parts], weight, split.upper)
    assignments: dict[int, tuple[Jaw, Side]] = {}
    detection: dict[int, float] = {}
    for part, upper in zip(parts, split.upper, strict=True):
        assignments[part] = ("upper" if upper else "lower", "left" if place[part, 0] > 0 else "right")
        detection[part] = float(np.clip(surest[part], 0.02, 0.995))
    for said in hints.sides:
        part = int(labels[_voxel(labels.shape, spacing, said.point_mm)])
        if part in assignments:
            assignments[part] = (assignments[part][0], said.side)
    for missed in hints.missed:
        part = int(labels[_voxel(labels.shape, spacing, missed.point_mm)])
        if part in assignments:
            detection[part] = 1.0
    return Isolation(labels, pose, split, assignments, detection, rows, standing.size)
