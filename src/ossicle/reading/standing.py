"""Candidates set in the pose of the skull: the half of the isolation that asks and does not yet decide."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import find_objects

from .candidates import Candidates, away_from_socket, find_candidates
from .greys import Normalised
from .grow import Contact, contacts
from .hints import Midplane
from .judgement import Bodies, object_measures, pair_measures
from .pose import coarse_bone, find_pose
from .records import Jaw, Pose, Side
from .rows import JawSplit, RowCurve, fit_rows, row_members, split_jaws, to_curve
from .tissue_model import ToothChance
from .votes import Votes, said

__all__ = ["NoRow", "Standing", "Stood", "bodies_of", "markers_of", "stand", "touching_pairs"]

FloatArray = npt.NDArray[np.float64]
Labels = npt.NDArray[np.int32]


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

    def measures(self, volume: Normalised, strong: npt.NDArray[np.bool_], votes: Votes) -> FloatArray:
        """What `judgement.odds_of_tooth` asks of each candidate."""
        upper = self.upper
        off = np.full(len(self.place), np.inf)
        for (jaw, side), row in self.rows.items():
            mine = (upper == (jaw == "upper")) & ((self.place[:, 0] > 0) == (side == "left"))
            if mine.any():
                off[mine] = to_curve(self.place[mine], row)[1]
        sign = np.where(upper, 1.0, -1.0)
        return object_measures(
            self.found,
            volume,
            self.place,
            self.height(self.place) * sign,
            off,
            -self.look * sign,
            self.size,
            strong,
            said(self.found.markers, votes),
        )


@dataclass(frozen=True)
class Stood:
    """Candidates in their pose, what is measured of each, and the pose."""

    standing: Standing
    measures: FloatArray
    pose: Pose

    @property
    def matrix(self) -> FloatArray:
        """The transform (4, 4) from scan mm to skull mm."""
        return np.asarray(self.pose.scan_to_skull, float)


@dataclass(frozen=True)
class NoRow:
    """No tooth row was found, and why; ``size`` is that of the solid, mm."""

    why: str
    size: float


def stand(
    volume: Normalised,
    chance: ToothChance,
    spacing_mm_zyx: tuple[float, float, float],
    *,
    right_handed: bool = True,
    midplane: Midplane | None = None,
    tick: Callable[[], None] | None = None,
) -> Stood | NoRow:
    """Find candidates, and the pose and rows that the surest of them give with the bone."""
    spacing = np.array(spacing_mm_zyx)
    bone, bone_spacing = coarse_bone(volume.values, spacing_mm_zyx)
    where = np.argwhere(bone)
    if len(where) < 50:
        return NoRow("The scan holds too little bone for a skull.", 0.0)
    size = float(np.linalg.norm(np.ptp(where, axis=0) * np.array(bone_spacing)))
    found = find_candidates(volume, chance, tick=tick)
    worth = _worth(found, volume)
    strong = worth > 0
    if strong.sum() < 4:
        return NoRow("No tooth row was found.", size)
    place_mm = found.place[:, ::-1] * spacing[::-1]
    pose, _, _ = find_pose(
        bone,
        bone_spacing,
        place_mm[strong],
        worth[strong],
        teeth_away=found.away[strong][:, ::-1],
        right_handed=right_handed,
        midplane=midplane,
    )
    matrix = np.asarray(pose.scan_to_skull, float)
    place = place_mm @ matrix[:3, :3].T + matrix[:3, 3]
    away = found.away[:, ::-1] @ matrix[:3, :3].T
    member = np.zeros(len(found), bool)
    member[np.flatnonzero(strong)] = row_members(place[strong], worth[strong], size)
    split = split_jaws(place[member], worth[member], away[member])
    rows = fit_rows(place[member], worth[member], split.upper)
    standing = Standing(found, place, away[:, 1], member, split, rows, size)
    return Stood(standing, standing.measures(volume, strong, chance.votes), pose)


def _worth(found: Candidates, volume: Normalised) -> FloatArray:
    """How much a candidate counts in finding rows and pose: bright, sure and not tiny."""
    bright = np.clip((found.bright - 1) / max(volume.enamel - 1, 0.05), 0.05, 1)
    sure = (found.peak > 0.8) & (found.chance > 0.55)
    worth: FloatArray = found.chance * bright * np.cbrt(found.voxels) * sure
    return worth


def markers_of(found: Candidates, accepted: npt.NDArray[np.bool_]) -> Labels:
    """Markers for `grow`: 1..n the accepted cores in their order, -1 the others."""
    table = np.zeros(len(found) + 1, np.int32)
    table[1:][accepted] = np.arange(1, int(accepted.sum()) + 1)
    table[1:][~accepted] = -1
    markers: Labels = table[found.markers]
    return markers


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
    bodies = bodies_of(labels, volume, spacing, matrix)
    tangent = np.zeros((len(bodies.voxels), 3))
    tangent[:, 2] = 1.0
    upper = bodies.upper
    upper[1 : int(accepted.sum()) + 1] = standing.upper[accepted][: len(upper) - 1]
    for (jaw, side), row in standing.rows.items():
        mine = np.flatnonzero((upper == (jaw == "upper")) & ((bodies.place[:, 0] > 0) == (side == "left")))
        if len(mine):
            arc, _ = to_curve(bodies.place[mine], row)
            slope = np.gradient(row.points, axis=0)
            slope /= np.linalg.norm(slope, axis=1, keepdims=True)
            tangent[mine] = slope[np.searchsorted(row.arc, arc).clip(0, len(slope) - 1)]
    told = said(labels, chance.votes)
    bone = np.where((chance.tooth < 0.35) & (labels == 0), volume.values, np.float32(0))
    return touching, pair_measures(touching, bodies, labels, chance.within, tangent, matrix, spacing, told, bone)


def bodies_of(labels: Labels, volume: Normalised, spacing: FloatArray, matrix: FloatArray) -> Bodies:
    """Voxel count, centroid, mean grey and outlook of every object; ``upper`` is left False."""
    index = np.flatnonzero(labels > 0)
    label = labels.ravel()[index]
    top = int(label.max(initial=0)) + 1
    count = np.bincount(label, minlength=top)
    some = np.maximum(count, 1)
    coordinates = np.unravel_index(index, labels.shape)
    centre = np.stack([np.bincount(label, c, minlength=top) / some for c in coordinates], axis=1)
    place: FloatArray = (centre * spacing)[:, ::-1] @ matrix[:3, :3].T + matrix[:3, 3]
    grey = np.bincount(label, volume.values.ravel()[index], minlength=top) / some
    away = np.zeros((top, 3))
    for part, box in enumerate(find_objects(labels), start=1):
        if box is not None:
            away[part] = away_from_socket(volume.values, labels, part, box)[::-1] @ matrix[:3, :3].T
    return Bodies(count, centre, place, grey, away, np.zeros(top, bool))
