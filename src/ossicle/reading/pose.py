"""Where the skull stands in the scan: midplane, long axis, up and front, from bone and from what may be teeth.

1. The midplane is the plane of bilateral symmetry of the bone (`symmetry.find_plane`).
2. Within it, the long axis follows the tooth candidates where they form a row, else the bone.
3. Front is where the teeth are, seen from the bone's centre, and where the rows of both sides draw together.
4. Up is the side on which a roof of bone spans between the rows of the two sides (palate and face; between two
   dentaries there is none behind the symphysis), and on which bone rises behind the rows (braincase, ramus). Where no
   roof is found the teeth stand in dentaries alone, and up is where their crowns look.
Nothing is mirrored: +x (the specimen's left) follows from +y and +z and the handedness of the scan.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.spatial.distance import cdist

from .hints import Midplane
from .records import Pose
from .symmetry import SymmetryPlane, find_plane

__all__ = ["Frame", "coarse_bone", "find_pose", "frame_to_matrix"]

FloatArray = npt.NDArray[np.float64]
Spacing = tuple[float, float, float]

ROOF = 1.6
"""Weight of the roof between the rows against that of bone rising behind them."""
UNSURE = 0.65
"""Confidence under which a person is asked."""
CONVERGE = 0.12
"""Weight, for the front, of the rows of both sides drawing together there, against the teeth lying towards it."""
ONE_SIDED = 0.4
"""Share of teeth (by weight) with a counterpart under which only one side is there."""
NEAR = 0.06
"""How near a tooth's mirror image another must lie to be its counterpart, in extents of all teeth."""
NO_ROOF = 0.3
"""Share of the rows' length under which what bone lies between them is no roof (a symphysis); from twice that on it
is one."""
NEAR_BASE = 0.7
"""How far behind the rows the cranial base is looked for, of the rows' length."""
ROOF_BINS = 8


@dataclass(frozen=True)
class Frame:
    """Unit axes of the skull in scan mm (x, y, z) and a point on the midplane."""

    left: FloatArray
    up: FloatArray
    front: FloatArray
    origin: FloatArray


def frame_to_matrix(frame: Frame) -> FloatArray:
    """Return the 4x4 transform from scan mm to skull mm."""
    matrix = np.eye(4)
    matrix[:3, :3] = np.stack([frame.left, frame.up, frame.front])
    matrix[:3, 3] = -matrix[:3, :3] @ frame.origin
    return matrix


def coarse_bone(
    values: npt.NDArray[np.float32], spacing: Spacing, sides: int = 72
) -> tuple[npt.NDArray[np.bool_], Spacing]:
    """Reduce a normalised volume to a coarse mask of bone of about ``sides`` voxels on its longest side.

    A coarse voxel counts as bone where at least a tenth of it is solid; its spacing in mm (z, y, x) is returned too.
    """
    longest = max(n * s for n, s in zip(values.shape, spacing, strict=True))
    factors = [max(1, round(longest / sides / s)) for s in spacing]
    trimmed = values[tuple(slice(0, n // f * f) for n, f in zip(values.shape, factors, strict=True))] > 0.5
    nz, ny, nx = (n // f for n, f in zip(trimmed.shape, factors, strict=True))
    share = trimmed.reshape(nz, factors[0], ny, factors[1], nx, factors[2]).mean(axis=(1, 3, 5))
    step = tuple(s * f for s, f in zip(spacing, factors, strict=True))
    return share > 0.1, (step[0], step[1], step[2])


def find_pose(
    bone: npt.NDArray[np.bool_],
    bone_spacing: Spacing,
    teeth_mm: FloatArray,
    teeth_weight: FloatArray,
    *,
    teeth_away: FloatArray | None = None,
    right_handed: bool = True,
    midplane: Midplane | None = None,
) -> tuple[Pose, Frame, SymmetryPlane]:
    """Find the pose from a coarse bone mask and the places (n, 3) (x, y, z mm) and weights of tooth candidates.

    ``teeth_away`` (n, 3) are directions out of the bone that holds each candidate, any length; longer counts more.
    """
    plane = find_plane(bone, bone_spacing)
    cloud = np.argwhere(bone)[:, ::-1] * np.array(bone_spacing[::-1])
    if midplane is not None and len(midplane.points_mm) >= 3:
        points = np.array(midplane.points_mm, float)
        normal = np.linalg.svd(points - points.mean(0))[2][2]
        plane = replace(plane, normal=normal, offset=float(points.mean(0) @ normal), score=1.0, runner_up=0.0)
    paired = _mirrored(teeth_mm, plane)
    one_sided = midplane is None and len(teeth_mm) >= 4 and float(np.average(paired, weights=teeth_weight)) < ONE_SIDED
    side_sure = 1.0
    if one_sided:
        plane, side_sure = _beside(cloud, teeth_mm, teeth_weight, plane)
    elif paired.sum() >= 6:  # what has no counterpart (a dentary lying apart) says nothing of the head's pose
        teeth_mm, teeth_weight = teeth_mm[paired], teeth_weight[paired]
        teeth_away = None if teeth_away is None else teeth_away[paired]
    normal = plane.normal
    centre = cloud.mean(axis=0)
    centre = centre - (centre @ normal - plane.offset) * normal
    basis = np.linalg.svd(normal[None])[2][1:]
    bone_2d = (cloud - centre) @ basis.T
    aside = np.abs((teeth_mm - centre) @ normal)
    front_2d, front_sure = _front(bone_2d, (teeth_mm - centre) @ basis.T, teeth_weight, aside)
    front = front_2d @ basis
    if midplane is not None and midplane.front_mm is not None:
        front, front_sure = _within(np.array(midplane.front_mm, float), normal), 1.0
    side = np.cross(normal, front)
    look = np.zeros(len(teeth_mm)) if teeth_away is None else np.asarray(teeth_away @ side, float)
    up_sign, up_sure = _up(cloud - centre, normal, front, side, teeth_mm - centre, teeth_weight, look, one_sided)
    up = side * up_sign
    if midplane is not None and midplane.up_mm is not None:
        up = side * np.sign(side @ np.array(midplane.up_mm, float))
        up_sure = 1.0
    left = np.cross(up, front)
    if not right_handed:
        left = -left
    frame = Frame(left, up, front, centre)
    distinct = (plane.score - plane.runner_up) / max(plane.score, 1e-6)
    sure = float(np.clip(plane.score * 1.2, 0, 1) * np.clip(0.5 + distinct, 0, 1))
    questions = []
    if up_sure < UNSURE:
        questions.append("Which way is up cannot be told surely: mark the dorsal direction.")
    if front_sure < UNSURE:
        questions.append("Which end is the front cannot be told surely: mark the rostral direction.")
    if side_sure < UNSURE:
        questions.append("Whether this is a left or a right jaw cannot be told surely: set its side.")
    pose = Pose(
        scan_to_skull=frame_to_matrix(frame),
        confidence=float(min(sure, up_sure, front_sure, side_sure)),
        up_confidence=up_sure,
        front_confidence=front_sure,
        found=plane.score > 0.4,
        questions=tuple(questions),
    )
    return pose, frame, plane


def _mirrored(teeth: FloatArray, plane: SymmetryPlane) -> npt.NDArray[np.bool_]:
    """Which of the places (n, 3) have a counterpart on the other side of the plane, within `NEAR` of their extent."""
    off = teeth @ plane.normal - plane.offset
    reflected = teeth - 2 * off[:, None] * plane.normal
    size = float(np.linalg.norm(np.ptp(teeth, axis=0))) if len(teeth) else 1.0
    other = np.sign(off)[:, None] != np.sign(off)[None, :]
    gap = np.where(other, cdist(reflected, teeth), np.inf)
    return np.asarray(gap.min(axis=1, initial=np.inf) < NEAR * size)


def _beside(
    cloud: FloatArray, teeth: FloatArray, weight: FloatArray, plane: SymmetryPlane
) -> tuple[SymmetryPlane, float]:
    """The midplane beside half a jaw or skull, and how sure its side is.

    Its normal is the direction in which the bone is thinnest; it lies on the side to which the row bends at its front,
    at the innermost bone there (the symphysis). Its score is that of a guess.
    """
    middle = cloud.mean(axis=0)
    normal = np.linalg.svd(cloud - middle, full_matrices=False)[2][2]
    from_middle = (teeth - np.average(teeth, axis=0, weights=weight)) * weight[:, None]
    row = np.linalg.svd(from_middle, full_matrices=False)[2][0]
    row = row - (row @ normal) * normal
    row = row / max(float(np.linalg.norm(row)), 1e-9)
    along = teeth @ row
    if along.mean() < (cloud @ row).min() / 2 + (cloud @ row).max() / 2:
        row, along = -row, -along
    across = teeth @ normal
    front, back = along >= np.quantile(along, 0.7), along <= np.quantile(along, 0.5)
    bend = float(np.average(across[front], weights=weight[front]) - np.average(across[back], weights=weight[back]))
    medial = normal * (1.0 if bend >= 0 else -1.0)
    ahead = cloud @ row >= np.quantile(along, 0.6)
    offset = float(np.quantile((cloud[ahead] if ahead.any() else cloud) @ medial, 0.99))
    sure = float(np.clip(0.5 + 3 * abs(bend) / max(float(np.ptp(along)), 1e-9), 0, 1))
    return SymmetryPlane(medial, offset, max(plane.score, 0.45), 0.0), sure


def _within(direction: FloatArray, normal: FloatArray) -> FloatArray:
    flat = direction - (direction @ normal) * normal
    unit: FloatArray = flat / max(float(np.linalg.norm(flat)), 1e-12)
    return unit


def _axis(points: FloatArray, weights: FloatArray | None = None) -> tuple[FloatArray, float]:
    """Main axis (2,) of points (n, 2) and the ratio of the two standard deviations."""
    w = np.ones(len(points)) if weights is None else weights
    w = w / w.sum()
    mean = w @ points
    scatter = (points - mean).T @ ((points - mean) * w[:, None])
    values, vectors = np.linalg.eigh(scatter)
    return vectors[:, 1], float(np.sqrt(max(values[1], 1e-12) / max(values[0], 1e-12)))


def _front(bone: FloatArray, teeth: FloatArray, weight: FloatArray, aside: FloatArray) -> tuple[FloatArray, float]:
    """Direction (2,) of the front within the midplane and how sure; ``aside`` is how far each tooth stands from it."""
    axis, elongation = _axis(bone)
    sure = 0.4 + 0.3 * float(np.clip(elongation - 1.1, 0, 1))
    if len(teeth) >= 6:
        row, row_elongation = _axis(teeth, weight)
        row = row * (1 if row @ axis >= 0 else -1)
        # Both rows together are long and shallow. Trust them by how long they are, and the bone for the rest.
        clear = row @ axis > 0.5 or row_elongation > 2.0  # a snout cut short is as high as long
        trust = float(np.clip((row_elongation - 1.1) / 1.2, 0, 1)) if clear else 0.0
        axis = axis * (1 - trust) + row * trust
        axis = axis / np.linalg.norm(axis)
        # Front is the end towards which the teeth lie; median against a stray far object such as a petrosal.
        along_teeth = teeth @ axis
        order = np.argsort(along_teeth)
        share = np.cumsum(weight[order]) / weight.sum()
        middle = along_teeth[order][int(np.searchsorted(share, 0.5))]
        extent = bone @ axis
        low, high = np.quantile(extent, [0.01, 0.99])
        lean = (middle - (low + high) / 2) / max(high - low, 1e-9)
        lean += CONVERGE * _slope(along_teeth, -aside)
        if lean < 0:
            axis = -axis
        sure = float(np.clip(0.5 + 3 * abs(lean), 0, 1))
    return axis, sure


def _slope(x: FloatArray, y: FloatArray) -> float:
    """Correlation of two lists, 0 where one does not vary."""
    spread = float(np.std(x) * np.std(y))
    return float(np.mean((x - x.mean()) * (y - y.mean())) / spread) if spread > 1e-9 else 0.0


def _up(
    cloud: FloatArray,
    normal: FloatArray,
    front: FloatArray,
    side: FloatArray,
    teeth: FloatArray,
    weight: FloatArray,
    look: FloatArray,
    one_sided: bool,
) -> tuple[float, float]:
    """Sign of ``side`` that points dorsally, and how sure; ``look`` says how far each crown faces along ``side``."""
    along, height = cloud @ front, cloud @ side
    if len(teeth) < 4:
        return 1.0, 0.3
    rear = float(np.quantile(teeth @ front, 0.1))
    level = float(np.average(teeth @ side, weights=weight))
    behind = height[along < rear] - level
    # Near the midplane and not far behind the rows stands the cranial base alone, which lies above the teeth however
    # much the rows are tilted to the skull; rami, angles and arches stand farther out.
    reach = NEAR_BASE * (float(np.quantile(teeth @ front, 0.9)) - rear)
    half = float(np.average(np.abs(teeth @ normal), weights=weight))
    base = (along < rear) & (along > rear - reach) & (np.abs(cloud @ normal) < 0.4 * half)
    if not one_sided and base.sum() >= 20:
        behind = height[base] - level
    if len(behind) < 20:
        behind = height - level
    lean = float(np.mean(behind)) / (float(np.std(height)) + 1e-9)
    over, under = (0.0, 0.0) if one_sided else _roofs(cloud, normal, front, side, teeth, weight)
    score = ROOF * (over - under) + float(np.tanh(lean))
    bare = float(np.clip(1 - (max(over, under) - NO_ROOF) / NO_ROOF, 0, 1))
    score += ROOF * bare * float(np.tanh(3 * np.average(look, weights=weight)))
    return (1.0 if score >= 0 else -1.0), float(np.clip(0.5 + 0.4 * abs(score), 0, 1))


def _roofs(
    cloud: FloatArray,
    normal: FloatArray,
    front: FloatArray,
    side: FloatArray,
    teeth: FloatArray,
    weight: FloatArray,
) -> tuple[float, float]:
    """Share of the rows' length, incisors left out, over which bone lies near the midplane between the rows of the two
    sides: beyond the teeth's level along ``side``, and against it."""
    order = np.argsort(teeth @ front)
    share = np.cumsum(weight[order]) / weight.sum()
    ends = (teeth @ front)[order][[int(np.searchsorted(share, q)) for q in (0.1, 0.65)]]
    half = float(np.average(np.abs(teeth @ normal), weights=weight))
    level = float(np.average(teeth @ side, weights=weight))
    reach = 3.0 * max(half, float(np.sqrt(np.average((teeth @ side - level) ** 2, weights=weight))))
    height = cloud @ side - level
    middle = (np.abs(cloud @ normal) < 0.4 * half) & (np.abs(height) < reach)
    bins = np.floor((cloud @ front - ends[0]) / max(ends[1] - ends[0], 1e-9) * ROOF_BINS)
    middle &= (bins >= 0) & (bins < ROOF_BINS)
    over, under = (len(np.unique(bins[middle & (height * sign > 0.1 * half)])) / ROOF_BINS for sign in (1.0, -1.0))
    return float(over), float(under)
