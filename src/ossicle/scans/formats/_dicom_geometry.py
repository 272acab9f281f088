"""Order, spacing and orientation of DICOM slices from their positions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ossicle.errors import OssicleError
from ossicle.scans.spacing import Spacing

__all__ = ["Frame", "Layout", "arrange", "numbers"]

_IRREGULAR = 0.01
"""Steps that differ by more than this share of the usual step are reported."""


@dataclass(frozen=True)
class Frame:
    """What a header says about one image; lengths in mm, None where it says nothing."""

    position: tuple[float, ...] | None
    orientation: tuple[float, ...] | None
    pixel_spacing: tuple[float, ...] | None
    imager_spacing: tuple[float, ...] | None
    between: tuple[float, ...] | None
    thickness: tuple[float, ...] | None
    location: float | None
    instance: int
    slope: float
    intercept: float


@dataclass(frozen=True)
class Layout:
    """Slices in order: ``order[z]`` is the number of the frame that is slice z."""

    order: list[int]
    spacing: Spacing | None
    hint: str
    affine: NDArray[np.float64] | None
    warnings: list[str]


def numbers(value: Any, count: int) -> tuple[float, ...] | None:
    """Return ``count`` finite numbers from a DICOM value, or None where it holds something else."""
    if value is None:
        return None
    try:
        found = [float(v) for v in value] if not isinstance(value, int | float | str) else [float(value)]
    except (TypeError, ValueError):
        return None
    return tuple(found) if len(found) == count and all(math.isfinite(v) for v in found) else None


def arrange(frames: Sequence[Frame], where: str) -> Layout:
    """Put slices in order and find their spacing and affine.

    Raises
    ------
    OssicleError
        Slices lie in different planes, two lie at one position, or pixel spacings differ.
    """
    warnings: list[str] = []
    in_plane = _in_plane(frames, where, warnings)
    positions = _positions(frames, where)
    if positions is None:
        return _without_positions(frames, in_plane, where, warnings)
    places, row, column = positions
    normal = np.cross(row, column)
    along = places @ normal
    order = [int(i) for i in np.argsort(along, kind="stable")]
    steps = np.diff(along[order])
    usual = float(np.median(steps))
    twice = np.flatnonzero(steps <= max(1e-4, 1e-3 * usual))
    if usual <= 0 or len(twice):
        raise OssicleError(
            f"{len(twice) + 1} images or more lie at one position ({along[order][twice[0]]:.4g} mm), so that "
            "the series "
            "holds several volumes or times",
            where=where,
            mend="give the files of one volume only",
        )
    _report_steps(steps, usual, along[order], warnings)
    _compare_headers(frames, usual, warnings)
    if in_plane is None:
        hint = f" (positions give {usual:.6g} mm from slice to slice, the headers nothing within a slice)"
        return Layout(order, None, hint, None, warnings)
    y, x = in_plane
    first, last = places[order[0]], places[order[-1]]
    run = (last - first) / np.linalg.norm(last - first)
    # A tilted gantry shifts slices sideways: keep that direction, at the usual step along the normal.
    step = run * (usual / float(run @ normal))
    affine = np.eye(4)
    affine[:3, :3] = np.column_stack([row * x, column * y, step])
    affine[:3, 3] = first
    affine[:2] *= -1  # left, posterior -> right, anterior
    spacing = Spacing((float(np.linalg.norm(step)), y, x), "the positions of the slices")
    return Layout(order, spacing, "", affine, warnings)


def _in_plane(frames: Sequence[Frame], where: str, warnings: list[str]) -> tuple[float, float] | None:
    pairs = {f.pixel_spacing for f in frames}
    if pairs == {None}:
        pairs = {f.imager_spacing for f in frames}
        if pairs != {None}:
            warnings.append(
                "The headers give the spacing at the detector only (ImagerPixelSpacing); the true one may be smaller."
            )
    if len(pairs) != 1:
        raise OssicleError("slices differ in their pixel spacing", where=where, mend="give slices of one scan only")
    pair = pairs.pop()
    return (pair[0], pair[1]) if pair is not None and min(pair) > 0 else None


def _positions(
    frames: Sequence[Frame], where: str
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]] | None:
    """Return positions (n, 3) and the directions of rows and columns, or None where the headers lack them."""
    if any(f.position is None or f.orientation is None for f in frames):
        return None
    orientations = np.array([f.orientation for f in frames])
    if np.abs(orientations - orientations[0]).max() > 1e-3:
        raise OssicleError("slices lie in different planes", where=where, mend="give the files of one volume only")
    row, column = orientations[0, :3], orientations[0, 3:]
    lengths = np.linalg.norm(row), np.linalg.norm(column)
    if abs(lengths[0] - 1) > 1e-2 or abs(lengths[1] - 1) > 1e-2 or abs(float(row @ column)) > 1e-2:
        return None
    return np.array([f.position for f in frames]), row / lengths[0], column / lengths[1]


def _without_positions(
    frames: Sequence[Frame], in_plane: tuple[float, float] | None, where: str, warnings: list[str]
) -> Layout:
    locations = [f.location for f in frames]
    if all(v is not None and math.isfinite(v) for v in locations) and len(set(locations)) == len(frames):
        along = np.array(locations, dtype=np.float64)
        order = [int(i) for i in np.argsort(along, kind="stable")]
        steps = np.diff(along[order])
        between: float | None = float(np.median(steps))
        _report_steps(steps, float(np.median(steps)), along[order], warnings)
        warnings.append("The headers give no positions; slices were put in order by SliceLocation.")
    else:
        order = sorted(range(len(frames)), key=lambda i: (frames[i].instance, i))
        stated = {f.between for f in frames} - {None} or {f.thickness for f in frames} - {None}
        only = stated.pop() if len(stated) == 1 else None
        between = only[0] if only is not None and only[0] > 0 else None
        warnings.append(
            "The headers give no positions; slices were put in order by instance number, and the distance "
            "between them "
            "is what the headers say, unchecked."
        )
    if in_plane is None or between is None:
        return Layout(order, None, " in the headers", None, warnings)
    return Layout(order, Spacing((between, *in_plane), "the headers"), "", None, warnings)


def _report_steps(steps: NDArray[np.float64], usual: float, along: NDArray[np.float64], warnings: list[str]) -> None:
    odd = np.flatnonzero(np.abs(steps - usual) > _IRREGULAR * usual)
    if not len(odd):
        return
    gaps = [i for i in odd if steps[i] > 1.5 * usual and abs(steps[i] / usual - round(steps[i] / usual)) < 0.05]
    if gaps:
        missing = sum(round(steps[i] / usual) - 1 for i in gaps)
        listed = ", ".join(f"{along[i]:.4g} mm" for i in gaps[:5])
        warnings.append(
            f"Slice positions leave out {missing} slice{'s' if missing > 1 else ''} (after {listed}); what "
            "lay there is "
            "missing and the rest is moved together."
        )
    if len(odd) > len(gaps):
        warnings.append(
            f"The spacing in z is irregular: steps run from {steps.min():.4g} to {steps.max():.4g} mm; the "
            "usual step, "
            f"{usual:.4g} mm, was taken for all."
        )


def _compare_headers(frames: Sequence[Frame], usual: float, warnings: list[str]) -> None:
    for name, values in (
        ("SpacingBetweenSlices", {f.between for f in frames}),
        ("SliceThickness", {f.thickness for f in frames}),
    ):
        said = {abs(v[0]) for v in values if v is not None}
        off = [v for v in said if abs(v - usual) > _IRREGULAR * usual]
        if off and (name == "SpacingBetweenSlices" or not any(f.between for f in frames)):
            warnings.append(
                f"Slices lie {usual:.6g} mm apart by their positions, {name} says {min(off):.6g} mm; the "
                "positions were "
                "followed."
            )
