"""Mental foramina: openings on the outer face of the dentary's body, before the hind end of the first molar.

The outer face is met from the side, column by column; a running median over it spans the openings. The mean grey of the
outermost bone beneath it, laid out on (y, z), shows an opening as a dark place that bone closes all round; it counts
only where the void behind it goes on into the bone, as that of a foramen does and that of a dent does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cc3d
import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation, distance_transform_edt, gaussian_filter, map_coordinates, median_filter

from ..records import Side
from .jaw_frame import JawFrame
from .loci import StandingTooth
from .membrane import from_line, rim_in_image
from .palate import LEAST_VOXELS
from .records import Opening, Value
from .space import Space

__all__ = ["mental_foramina"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

SHELL = (1.2, 2.0, 2.8)
"""Depths (voxels) beneath the outer face at which its grey is taken."""
LEAST_DEPTH = 5.0
"""How far (voxels) the void behind an opening must lead away from it. Common practice, no source."""
WIDEST = 0.35
"""Greatest length of a foramen as a share of the body's height. Common practice, no source."""


@dataclass(frozen=True)
class _Face:
    """The outer face of a body: greys (x inward, y, z) in cells of ``step`` mm, the first at ``low``; x is lateral."""

    grey: npt.NDArray[np.float32]
    outer: FloatArray
    low: FloatArray
    step: float


def mental_foramina(
    space: Space, part: int, side: Side, frame: JawFrame, skin: FloatArray, teeth: Sequence[StandingTooth]
) -> tuple[Opening, ...]:
    """Find the mental foramina of one dentary, from front to back.

    ``skin`` (n, 3) are points of its surface in the jaw's frame, lateral positive; ``teeth`` all teeth in place.
    None are told where the side has no cheek tooth to place them by.
    """
    own = [t for t in teeth if t.jaw == "lower" and t.side == side]
    cheek = [t for t in own if t.tooth_class in ("premolar", "molar")]
    if not cheek or len(skin) < 200:
        return ()
    k = 1.0 if side == "left" else -1.0
    necks = _sorted(frame.to_jaw(np.array([t.neck for t in own])) * np.array([k, 1.0, 1.0]))
    first = [t for t in cheek if t.tooth_class == "molar" and t.position == 1]
    behind = first or sorted(cheek, key=lambda t: t.neck[2])[: max(1, len(cheek) // 2)]
    z_back = float(min(frame.to_jaw(t.neck_low)[2] for t in behind))
    z_front = float(np.quantile(skin[:, 2], 0.999)) - 3 * space.voxel
    body = skin[(skin[:, 2] > z_back) & (skin[:, 2] < z_front)]
    if len(body) < 100:
        return ()
    low = np.array([float(body[:, 0].min()), float(body[:, 1].min()) - space.voxel, z_back])
    high = np.array([float(body[:, 0].max()) + 2 * space.voxel, float(necks[:, 1].max()), z_front])
    face = _face(space, part, [t.part for t in own], frame, k, low, high)
    return _openings(space, face, frame, k, side, own, necks)


def _sorted(points: FloatArray) -> FloatArray:
    return points[np.argsort(points[:, 2])]


def _face(
    space: Space, part: int, teeth: Sequence[int], frame: JawFrame, k: float, low: FloatArray, high: FloatArray
) -> _Face:
    step = 0.8 * space.voxel
    x, y, z = (np.arange(a, b + step, step) for a, b in zip(low, high, strict=True))
    grid = np.stack(np.meshgrid(x[::-1] * k, y, z, indexing="ij"), axis=-1)
    at = frame.to_skull(grid)
    index = space.indices(at)
    grey = map_coordinates(space.values, index, order=1, mode="constant")
    label = map_coordinates(space.labels, index, order=0, mode="constant")
    foreign = (label > 0) & ~np.isin(label, [part, *teeth])
    grey[foreign] = 0.0
    solid = (grey > 0.5) & (binary_dilation(np.isin(label, [part, *teeth])))
    outer = np.where(solid.any(axis=0), np.argmax(solid, axis=0), np.nan).astype(float)
    return _Face(grey.astype(np.float32), outer, low, step)


def _openings(
    space: Space,
    face: _Face,
    frame: JawFrame,
    k: float,
    side: Side,
    own: Sequence[StandingTooth],
    necks: FloatArray,
) -> tuple[Opening, ...]:
    seen = np.isfinite(face.outer)
    y = face.low[1] + face.step * np.arange(face.outer.shape[0])
    z = face.low[2] + face.step * np.arange(face.outer.shape[1])
    margin = np.interp(z, necks[:, 2], necks[:, 1])
    bottom = np.array([y[c].min() if c.any() else np.inf for c in seen.T])
    tall = np.maximum(margin - bottom, 0.0)
    usual = float(np.median(tall[np.isfinite(tall)])) if np.isfinite(tall).any() else 0.0
    share = (y[:, None] - bottom[None, :]) / np.maximum(tall, 1e-6)[None, :]
    zone = seen & (share > 0.12) & (share < 0.88)
    window = int(max(7, round(0.5 * usual / face.step))) | 1
    filled = np.where(seen, face.outer, np.nanmedian(face.outer))
    smooth = gaussian_filter(median_filter(filled, window, mode="nearest"), 1.0)
    iy, iz = np.meshgrid(np.arange(len(y)), np.arange(len(z)), indexing="ij")
    per_voxel = space.voxel / face.step
    shell = np.mean(
        [
            map_coordinates(face.grey, np.stack([smooth + d * per_voxel, iy, iz]), order=1, mode="nearest")
            for d in SHELL
        ],
        axis=0,
    )
    wall = float(np.median(shell[zone])) if zone.any() else 1.0
    level = 0.5 * min(wall, 1.0)
    dark = (shell < level) & zone
    pieces = cc3d.connected_components(dark, connectivity=4)
    depth = distance_transform_edt(dark)
    void = cc3d.connected_components(face.grey < 0.5 * level + 0.25, connectivity=6)
    image = gaussian_filter(shell, 0.5)
    blur = float(np.hypot(space.sampled_blur, 0.5 * face.step))
    edge = binary_dilation(~zone)
    found = []
    for n in range(1, int(pieces.max()) + 1):
        mask = pieces == n
        if depth[mask].max() * face.step < LEAST_VOXELS * space.voxel or (edge & mask).any():
            continue
        seat = np.unravel_index(int(np.argmax(np.where(mask, depth, 0))), mask.shape)
        line = rim_in_image(image, (float(seat[0]), float(seat[1])), level)
        if line is None or not _leads_in(face, void, smooth, seat, LEAST_DEPTH * per_voxel):
            continue

        def place(q: FloatArray) -> FloatArray:
            deep = map_coordinates(smooth, q.T, order=1, mode="nearest")
            x = face.low[0] + face.step * (face.grey.shape[0] - 1 - deep)
            flat = np.stack([x * k, face.low[1] + q[:, 0] * face.step, face.low[2] + q[:, 1] * face.step], axis=1)
            return frame.to_skull(flat)

        m = from_line(line, face.step, place, frame.to_skull(np.array([k, 0.0, 0.0])), blur)
        if m.length > WIDEST * usual:
            continue
        fall = [float(np.gradient(smooth, axis=a)[mask].mean()) for a in (0, 1)]
        lean = float(np.sqrt(1 + fall[0] ** 2 + fall[1] ** 2))
        near = min(own, key=lambda t: abs(float(frame.to_jaw(t.neck)[2]) - float(frame.to_jaw(m.centre)[2])))
        reach = 0.29 * space.voxel * np.sqrt(2)
        found.append(
            Opening(
                "mental foramen",
                side,
                Value(m.area * lean, m.error(space.noise, space.blur_mm)),
                Value(m.length, reach),
                Value(m.width, reach),
                m.perimeter,
                m.centre,
                m.rim,
                0.7,
                f"below {near.name}",
            )
        )
    return tuple(sorted(found, key=lambda o: -float(o.centre[2])))


def _leads_in(
    face: _Face,
    void: npt.NDArray[np.integer],
    smooth: FloatArray,
    seat: tuple[np.intp, ...],
    least: float,
) -> bool:
    """Whether the void under an opening goes on within the bone by ``least`` cells from it."""
    j, k = int(seat[0]), int(seat[1])
    top = int(np.clip(np.rint(smooth[j, k]) + 1, 0, void.shape[0] - 1))
    reach = int(np.ceil(2.5 * least))
    box = (
        slice(top, min(void.shape[0], top + reach)),
        slice(max(0, j - reach), j + reach + 1),
        slice(max(0, k - reach), k + reach + 1),
    )
    # beneath the face only, so that the air without does not count
    inside = np.arange(void.shape[0])[box[0], None, None] > smooth[box[1], box[2]][None] + 0.5
    held = cc3d.connected_components((void[box] > 0) & inside, connectivity=6)
    here = held[0, j - box[1].start, k - box[2].start]
    if here == 0:
        return False
    at = np.argwhere(held == here) - np.array([0, j - box[1].start, k - box[2].start])
    return bool(np.linalg.norm(at, axis=1).max() >= least)
