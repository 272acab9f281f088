"""Bodies that lie on both sides of the midline: two front teeth that touch each other there, taken for one."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
import numpy.typing as npt
from scipy.ndimage import find_objects

__all__ = ["part_at_midline"]

FloatArray = npt.NDArray[np.float64]
Labels = npt.NDArray[np.int32]

SMALLEST = 40
"""Voxels of the least body that is looked at: two teeth of twenty."""
LESSER = 0.25
"""Share of a body that lies beyond the midline, at least."""
NECK = 0.75
"""Share of the lesser half's greatest section that the waist between the two may have. A tooth that stands on a
midline read askew has no waist and stays whole."""


def part_at_midline(
    labels: Labels, spacing_mm_zyx: npt.ArrayLike, scan_to_skull: FloatArray, spared: Collection[int] = ()
) -> Labels:
    """Cut bodies at their waist where it lies at the midline; no tooth belongs to both sides.

    Parameters
    ----------
    labels
        Objects (z, y, x), 0 where there is none.
    spacing_mm_zyx
        Voxel spacing, mm.
    scan_to_skull
        Rigid map (4, 4) from scan (x, y, z) mm to skull mm; its first axis points left, 0 at the midplane.
    spared
        Labels that a person said to be one tooth.

    Returns
    -------
    Labels
        The same, with new labels beyond the greatest for what was cut off.
    """
    spacing = np.asarray(spacing_mm_zyx, float)
    step = float(np.cbrt(spacing.prod()))
    out = labels
    fresh = int(labels.max()) + 1
    for part, box in enumerate(find_objects(labels), start=1):
        if box is None or part in spared:
            continue
        at = np.argwhere(labels[box] == part)
        xyz = ((at + [s.start for s in box]) * spacing)[:, ::-1]
        x = xyz @ scan_to_skull[0, :3] + scan_to_skull[0, 3]
        if len(x) < SMALLEST or not LESSER <= float((x > 0).mean()) <= 1 - LESSER:
            continue
        waist = _waist(x, step)
        if waist is None:
            continue
        if out is labels:
            out = labels.copy()
        beyond = at[x > waist]
        out[box][tuple(beyond.T)] = fresh
        fresh += 1
    return out


def _waist(x: FloatArray, step: float) -> float | None:
    """Return where along ``x`` (n,) a body is waisted, None where it is not."""
    low = float(x.min())
    section = np.bincount(np.rint((x - low) / step).astype(int)).astype(float)
    if len(section) < 5:
        return None
    section = np.convolve(np.pad(section, 1), [0.25, 0.5, 0.25], mode="valid")
    share = np.cumsum(section) / section.sum()
    inner = np.flatnonzero((share > LESSER) & (share < 1 - LESSER))
    if len(inner) == 0:
        return None
    k = int(inner[np.argmin(section[inner])])
    if k == 0 or k == len(section) - 1 or section[k] > NECK * min(section[:k].max(), section[k + 1 :].max()):
        return None
    return low + k * step
