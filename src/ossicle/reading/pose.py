"""Where the skull stands in the scan: midplane, long axis, up and front, from bone and from what may be teeth.

1. The midplane is the plane of bilateral symmetry of the bone (`symmetry.find_plane`).
2. Within it, the long axis follows the tooth candidates where they form a row, else the bone.
3. Front is where the teeth are, seen from the bone's centre.
4. Up is the side on which bone rises behind the tooth rows (braincase over the palate; ramus over a lower row).
Nothing is mirrored: +x (the specimen's left) follows from +y and +z and the handedness of the scan.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from .hints import Midplane
from .records import Pose
from .symmetry import SymmetryPlane, find_plane

__all__ = ["Frame", "coarse_bone", "find_pose", "frame_to_matrix"]

FloatArray = npt.NDArray[np.float64]
Spacing = tuple[float, float, float]


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
    right_handed: bool = True,
    midplane: Midplane | None = None,
) -> tuple[Pose, Frame, SymmetryPlane]:
    """Find the pose from a coarse bone mask and the places (n, 3) (x, y, z mm) and weights of tooth candidates."""
    plane = find_plane(bone, bone_spacing)
    cloud = np.argwhere(bone)[:, ::-1] * np.array(bone_spacing[::-1])
    if midplane is not None and len(midplane.points_mm) >= 3:
        points = np.array(midplane.points_mm, float)
        normal = np.linalg.svd(points - points.mean(0))[2][2]
        plane = replace(plane, normal=normal, offset=float(points.mean(0) @ normal), score=1.0, runner_up=0.0)
    normal = plane.normal
    centre = cloud.mean(axis=0)
    centre = centre - (centre @ normal - plane.offset) * normal
    basis = np.linalg.svd(normal[None])[2][1:]
    bone_2d = (cloud - centre) @ basis.T
    front_2d, front_sure = _front(bone_2d, (teeth_mm - centre) @ basis.T, teeth_weight)
    front = front_2d @ basis
    if midplane is not None and midplane.front_mm is not None:
        front, front_sure = _within(np.array(midplane.front_mm, float), normal), 1.0
    side = np.cross(normal, front)
    up_sign, up_sure = _up(cloud - centre, front, side, teeth_mm - centre, teeth_weight)
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
    if up_sure < 0.6:
        questions.append("Which way is up cannot be told surely: mark the dorsal direction.")
    if front_sure < 0.6:
        questions.append("Which end is the front cannot be told surely: mark the rostral direction.")
    pose = Pose(
        scan_to_skull=frame_to_matrix(frame),
        confidence=float(min(sure, up_sure, front_sure)),
        up_confidence=up_sure,
        front_confidence=front_sure,
        found=plane.score > 0.4,
        questions=tuple(questions),
    )
    return pose, frame, plane


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


def _front(bone: FloatArray, teeth: FloatArray, weight: FloatArray) -> tuple[FloatArray, float]:
    axis, elongation = _axis(bone)
    sure = 0.4 + 0.3 * float(np.clip(elongation - 1.1, 0, 1))
    if len(teeth) >= 6:
        row, row_elongation = _axis(teeth, weight)
        row = row * (1 if row @ axis >= 0 else -1)
        # Both rows together are long and shallow. Trust them by how long they are, and the bone for the rest.
        trust = float(np.clip((row_elongation - 1.1) / 1.2, 0, 1)) if row @ axis > 0.5 else 0.0
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
        if lean < 0:
            axis = -axis
        sure = float(np.clip(0.5 + 3 * abs(lean), 0, 1))
    return axis, sure


def _up(
    cloud: FloatArray, front: FloatArray, side: FloatArray, teeth: FloatArray, weight: FloatArray
) -> tuple[float, float]:
    """Sign of ``side`` that points dorsally, and how sure."""
    along, height = cloud @ front, cloud @ side
    if len(teeth) < 4:
        return 1.0, 0.3
    rear = float(np.quantile(teeth @ front, 0.1))
    level = float(np.average(teeth @ side, weights=weight))
    behind = height[along < rear] - level
    if len(behind) < 20:
        behind = height - level
    spread = float(np.std(height)) + 1e-9
    lean = float(np.mean(behind)) / spread
    return (1.0 if lean >= 0 else -1.0), float(np.clip(0.5 + 0.6 * abs(lean), 0, 1))
