"""Each tooth's outline as seen across its own row, which is unrolled: mm along the row, mm towards the
crown."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ossicle.reading.records import Reading, Row, ToothRecord
from ossicle.reading.tally import boxes_of

__all__ = ["Silhouette", "silhouettes", "unrolled"]

FloatArray = npt.NDArray[np.float64]
_MOST_VOXELS = 60_000
_FEW = 8
"""Points for which no tree is worth its making (nor loading what makes it)."""


@dataclass(frozen=True)
class Silhouette:
    """A tooth's outline.

    ``polygons`` are (n, 2): mm along the row from its front end, mm towards the crown (skull y, downwards in
    the upper jaw). ``margin`` is where the alveolar margin runs by the tooth's own emergence, None for a
    tooth in its crypt.
    """

    tooth: ToothRecord
    polygons: tuple[FloatArray, ...]
    margin: float | None
    low: float
    high: float
    along: float


def silhouettes(
    reading: Reading,
    spacing_mm_zyx: tuple[float, float, float],
    boxes: Mapping[int, tuple[slice, slice, slice]] | None = None,
) -> list[Silhouette]:
    """Return the outlines of all teeth; none without a skull pose.

    Parameters
    ----------
    reading
        Its scan coordinates are index (x, y, z) times spacing.
    spacing_mm_zyx
        Spacing of the label volume.
    boxes
        The least box of each part, where they are known; else they are sought in the whole volume.
    """
    if not reading.pose.found or not reading.teeth:
        return []
    labels = reading.labels
    if boxes is None:
        boxes = boxes_of(labels)
    step = max(spacing_mm_zyx)
    found = []
    for tooth in reading.teeth:
        box = boxes.get(tooth.part)
        if box is None:
            continue
        skull, bin_mm = _skull_points(np.asarray(labels[box]) == tooth.part, box, reading, spacing_mm_zyx, step)
        row = next((r for r in reading.rows if r.jaw == tooth.jaw and r.side == tooth.side), None)
        along = unrolled(row, skull)
        out = -skull[:, 1] if tooth.jaw == "upper" else skull[:, 1]
        polygons = _outlines(along, out, bin_mm)
        if not polygons:
            continue
        margin = None
        if tooth.emergence != "in_crypt" and np.isfinite(tooth.crown_height_mm):
            margin = float(out.max()) - tooth.emergence_fraction * tooth.crown_height_mm
        found.append(Silhouette(tooth, polygons, margin, float(out.min()), float(out.max()), float(np.median(along))))
    return found


def unrolled(row: Row | None, skull_mm: FloatArray) -> FloatArray:
    """Return how far along a row points lie, in mm, going straight up or down onto it.

    ``skull_mm`` is (n, 3). The row is carried on straight beyond both ends. Without a row the distance
    behind the skull's origin is taken.
    """
    if row is None or len(row.curve_skull_mm) < 2:
        return np.asarray(-skull_mm[:, 2], float)
    curve = np.asarray(row.curve_skull_mm, float)[:, [0, 2]]
    ends = []
    for end, inner in ((curve[0], curve[1]), (curve[-1], curve[-2])):
        direction = (end - inner) / max(float(np.linalg.norm(end - inner)), 1e-9)
        ends.append(direction)
    reach = float(np.linalg.norm(np.ptp(skull_mm, axis=0))) + 0.5 * float(np.linalg.norm(np.ptp(curve, axis=0)))
    line = np.concatenate([[curve[0] + ends[0] * reach], curve, [curve[-1] + ends[1] * reach]])
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]) - reach
    fine = np.linspace(run[0], run[-1], 4000)
    dense = np.stack([np.interp(fine, run, line[:, k]) for k in (0, 1)], axis=1)
    asked = skull_mm[:, [0, 2]]
    if len(asked) <= _FEW:
        nearest = ((dense[None] - asked[:, None]) ** 2).sum(axis=-1).argmin(axis=1)
    else:
        from scipy.spatial import cKDTree

        _, nearest = cKDTree(dense).query(asked)
    return np.asarray(fine[nearest], float)


def _skull_points(
    mask: npt.NDArray[np.bool_],
    box: Sequence[slice],
    reading: Reading,
    spacing_mm_zyx: tuple[float, float, float],
    step: float,
) -> tuple[FloatArray, float]:
    """Return the voxels of a mask as (n, 3) skull mm, thinned where they are many, and the distance between
    them."""
    count = int(np.count_nonzero(mask))
    thin = max(1, int(np.ceil((count / _MOST_VOXELS) ** (1 / 3))))
    index = np.argwhere(mask[::thin, ::thin, ::thin]) * thin
    if len(index) == 0:
        index, thin = np.argwhere(mask), 1
    index = index + [s.start for s in box]
    scan = (index * np.asarray(spacing_mm_zyx))[:, ::-1]
    matrix = np.asarray(reading.pose.scan_to_skull, float)
    return scan @ matrix[:3, :3].T + matrix[:3, 3], thin * step


def _outlines(along: FloatArray, out: FloatArray, bin_mm: float) -> tuple[FloatArray, ...]:
    from scipy.ndimage import binary_closing, binary_fill_holes, gaussian_filter
    from skimage.measure import approximate_polygon, find_contours

    pad = 3
    start = np.array([along.min(), out.min()]) - pad * bin_mm
    index = np.rint((np.stack([along, out], axis=1) - start) / bin_mm).astype(int)
    image = np.zeros(index.max(axis=0) + pad + 1, bool)
    image[index[:, 0], index[:, 1]] = True
    image = binary_fill_holes(binary_closing(image, np.ones((3, 3))))
    smooth = gaussian_filter(image.astype(float), 0.7)
    contours = [c for c in find_contours(smooth, 0.5) if len(c) > 3]
    longest = max((len(c) for c in contours), default=0)
    return tuple(approximate_polygon(c, 0.25) * bin_mm + start for c in contours if len(c) >= longest / 5)
