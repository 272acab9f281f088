"""A picture of a practice specimen: its surface from the left and from below, shaded, teeth tinted."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ossicle.practice.grid import Grid
from ossicle.practice.making import presets
from ossicle.practice.mix import BONE, DENTINE, ENAMEL
from ossicle.practice.specimen import anatomy, outer_points
from ossicle.practice.voxels import DENTARY, Specimen, voxelise

__all__ = ["portrait", "views"]

F = np.float32
GROUND = 246
TOOTH, JAW, SKULL = (226, 196, 120), (196, 205, 216), (222, 216, 204)
Picture = NDArray[np.uint8]


def views(preset: str, seed: int = 1, height: int = 120) -> tuple[Picture, Picture, float]:
    """The left side, the palate with the teeth (jaws taken off), and the side of a pixel in mm.

    Pictures are RGB ``(rows, columns, 3)``, the snout to the left.

    Parameters
    ----------
    preset
        A name from :func:`ossicle.practice.presets`.
    height
        Rows of the side view, about.
    """
    p = presets()[preset]
    a = anatomy(p.animal, p.stage, seed)
    points = outer_points(a)
    step = float(np.ptp(points[:, 1])) / height
    side = _view(voxelise(a, _grid(points, step)), axis=2)
    a.dentaries, a.teeth = {}, [t for t in a.teeth if t.jaw == "upper"]
    below = _view(voxelise(a, _grid(points, step)), axis=1)
    return side, below, step * a.animal.scale


def portrait(preset: str, seed: int = 1, height: int = 120) -> Picture:
    """The :func:`views` of a preset in one picture, RGB ``(rows, columns, 3)``: left side above, palate below."""
    side, below, _ = views(preset, seed, height)
    width = max(side.shape[1], below.shape[1])
    out = np.full((side.shape[0] + below.shape[0] + 8, width, 3), GROUND, dtype=np.uint8)
    out[: side.shape[0], : side.shape[1]] = side
    out[side.shape[0] + 8 :, : below.shape[1]] = below
    return out


def _grid(points: NDArray[np.float64], step: float) -> Grid:
    """A grid that lies square with the skull: slices run backwards, rows downwards, columns to the right."""
    lo, hi = points.min(0) - 1.0, points.max(0) + 1.0
    n = np.ceil((hi - lo) / step).astype(int) + 1
    m = np.diag([-1.0, -1.0, -1.0, 1.0])
    m[:3, 3] = hi
    return Grid((int(n[2]), int(n[1]), int(n[0])), (step,) * 3, m)


def _view(s: Specimen, axis: int) -> Picture:
    """The first surface met from the left (axis 2) or from below (axis 1), lit from above and in front."""
    solid = np.zeros(s.mix.shape, dtype=F)
    for material in (BONE, DENTINE, ENAMEL):
        solid += s.mix.plane(material).astype(F) / F(255)
    soft = ndimage.gaussian_filter(solid, 1.0)
    labels = s.labels
    if axis == 1:
        solid, soft, labels = solid[:, ::-1], soft[:, ::-1], labels[:, ::-1]
    slope = np.stack([np.moveaxis(g, axis, 0) for g in np.gradient(soft)], axis=-1)
    front = np.moveaxis(ndimage.gaussian_filter(solid, 0.6), axis, 0)
    names = np.moveaxis(labels, axis, 0)
    hit = (front > 0.42).any(0)
    depth = (front > 0.42).argmax(0)

    def pick(volume: NDArray[Any]) -> NDArray[Any]:
        index = depth[None, ..., None] if volume.ndim == 4 else depth[None]
        found: NDArray[Any] = np.take_along_axis(volume, index, 0)[0]
        return found

    normal = -pick(slope).astype(F)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True) + F(1e-6)
    light = np.array([-0.45, -0.75, -0.5]) if axis == 2 else np.array([-0.5, -0.6, -0.4])
    light /= np.linalg.norm(light)
    shade = 0.30 + 0.62 * np.clip(normal @ light, 0, 1) + 0.22 * np.clip(-normal[..., axis], 0, 1)
    far = (depth - depth[hit].min()) / max(1, int(np.ptp(depth[hit])))
    shade *= 1 - 0.30 * far
    shade *= 1 - _sunken(depth.astype(F), hit)
    deeper = np.take_along_axis(names, np.minimum(depth + 1, len(names) - 1)[None], 0)[0]
    name = np.maximum(pick(names).astype(int), deeper.astype(int))
    tint = np.full((*hit.shape, 3), SKULL, dtype=F)
    tint[name >= 101] = TOOTH
    tint[np.isin(name, list(DENTARY.values()))] = JAW
    picture = np.where(hit[..., None], np.clip(tint * shade[..., None], 0, 255), GROUND)
    out: Picture = np.ascontiguousarray(np.transpose(picture, (1, 0, 2)).astype(np.uint8))
    return out


def _sunken(depth: NDArray[np.float32], hit: NDArray[np.bool_]) -> NDArray[np.float32]:
    """How much light is lost in hollows, 0 to 0.4: where the surface lies deeper than what stands round it."""
    lost = np.zeros(depth.shape, dtype=F)
    for share in (0.012, 0.04):
        width = share * max(depth.shape)
        weight = ndimage.gaussian_filter(hit.astype(F), width) + F(1e-3)
        around = ndimage.gaussian_filter(np.where(hit, depth, F(0)), width) / weight
        lost += np.clip((depth - around) / F(3 * width), F(0), F(0.2))
    return lost
