"""A drawing of surfaces without display or graphics card: parallel projection into a depth buffer, in NumPy alone.

Every piece is solid or veiled. Solid pieces hide one another by depth; of veiled ones the foremost surface before the
solid is laid over it, denser where it turns from the eye. Light comes from the upper left, as is the custom of plates;
form is helped by darkening what lies deeper than its surroundings (unsharp masking of the depth buffer: Luft, Colditz &
Deussen 2006, ACM Trans. Graph. 25:1206), and edges between parts and steps of depth are inked. The same input gives the
same bytes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter, maximum_filter

from .raster import rasterise, weights_in
from .surfaces import Surface

__all__ = ["Camera", "Picture", "Piece", "draw", "normals_of", "project"]

FloatArray = npt.NDArray[np.float64]
_LIGHT = np.array([-0.42, 0.62, 0.66])
_EYE = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True)
class Piece:
    """A surface as it is drawn. ``lift`` is added to its vertices, skull mm; ``opacity`` counts where it is veiled.
    ``layer`` keeps veils apart: veiled teeth show through veiled bone."""

    part: int
    surface: Surface
    normals: npt.NDArray[np.float32]
    colour: tuple[float, float, float]
    presence: Literal["solid", "veiled"] = "solid"
    opacity: float = 0.34
    layer: Literal["bone", "other"] = "other"
    lift: tuple[float, float, float] = (0.0, 0.0, 0.0)
    nearer_mm: float = 0.0
    """Drawn so much nearer to the eye than it lies: enamel over its own tooth."""
    chosen: bool = False

    @property
    def vertices(self) -> npt.NDArray[np.float32]:
        """Its vertices where they are lifted to."""
        return self.surface.vertices + np.asarray(self.lift, np.float32)


@dataclass(frozen=True)
class Camera:
    """Parallel projection: ``look`` from the eye, ``up`` on the page, both in skull coordinates; ``centre_mm`` falls on
    the middle of a picture of ``width`` by ``height`` pixels of ``mm_per_px``."""

    look: tuple[float, float, float]
    up: tuple[float, float, float]
    centre_mm: tuple[float, float, float]
    mm_per_px: float
    width: int
    height: int

    @property
    def axes(self) -> FloatArray:
        """Rows: right on the page, up on the page, towards the eye; unit vectors in skull coordinates."""
        look = np.asarray(self.look, float) / np.linalg.norm(self.look)
        right = np.cross(look, np.asarray(self.up, float))
        right /= np.linalg.norm(right)
        return np.stack([right, np.cross(right, look), -look])


@dataclass(frozen=True)
class Picture:
    """``rgb`` (height, width, 3) of 0..255 on white; ``front`` the number of the piece seen solid there, -1 for none;
    ``ink`` 0..1 how much of the paper is covered."""

    rgb: npt.NDArray[np.uint8]
    front: npt.NDArray[np.int32]
    ink: npt.NDArray[np.float32]


def normals_of(surface: Surface) -> npt.NDArray[np.float32]:
    """Return unit normals of vertices, weighted by the area of their triangles."""
    v = surface.vertices.astype(float)
    f = surface.faces
    face = np.cross(v[f[:, 1]] - v[f[:, 0]], v[f[:, 2]] - v[f[:, 0]])
    out = np.stack(
        [sum(np.bincount(f[:, k], face[:, axis], minlength=len(v)) for k in range(3)) for axis in range(3)], axis=1
    )
    return np.asarray(out / np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-30), np.float32)


def project(camera: Camera, points_mm: npt.ArrayLike) -> FloatArray:
    """Return (n, 3): column and row in pixels (pixel middles at whole numbers), and mm towards the eye."""
    seen = (np.asarray(points_mm, float).reshape(-1, 3) - np.asarray(camera.centre_mm)) @ camera.axes.T
    x = seen[:, 0] / camera.mm_per_px + (camera.width - 1) / 2
    y = (camera.height - 1) / 2 - seen[:, 1] / camera.mm_per_px
    return np.stack([x, y, seen[:, 2]], axis=1)


@dataclass(frozen=True)
class _Layer:
    depth: npt.NDArray[np.float32]
    """mm towards the eye, -inf where nothing is."""
    piece: npt.NDArray[np.int32]
    normal: npt.NDArray[np.float32]
    inside: npt.NDArray[np.bool_]


def draw(
    pieces: Sequence[Piece],
    camera: Camera,
    *,
    clip: tuple[Sequence[float], float] | None = None,
    line_px: float = 1.0,
    shade_mm: float | None = None,
) -> Picture:
    """Draw pieces.

    Parameters
    ----------
    clip
        A normal and a reach, skull mm: points with dot(point, normal) > reach are cut away.
    line_px
        Width of inked edges, pixels.
    shade_mm
        How far around depth is compared for shade; None: a twenty-fifth of the picture's shorter side.
    """
    shape = (camera.height, camera.width)
    order = list(range(len(pieces)))
    solid = _layer([(k, pieces[k]) for k in order if pieces[k].presence == "solid"], camera, clip, None)
    rgb = np.ones((*shape, 3), np.float32)
    ink = np.zeros(shape, np.float32)
    seen = solid.piece >= 0
    if seen.any():
        colours = _lit(_colours(pieces, solid.piece), solid.normal, solid.inside)
        half = (_LIGHT + _EYE) / np.linalg.norm(_LIGHT + _EYE)
        colours += (0.10 * np.clip(solid.normal @ half, 0, 1) ** 28)[..., None].astype(np.float32)
        marked = np.array([p.chosen for p in pieces] + [False])[solid.piece] & seen
        colours[marked] = 0.65 * colours[marked] + 0.35 * np.array([0.78, 0.25, 0.04], np.float32)
        radius = (shade_mm or min(shape) * camera.mm_per_px / 25) / camera.mm_per_px
        colours *= _shade(solid, seen, radius, camera.mm_per_px)[..., None]
        rgb[seen] = colours[seen]
        ink[seen] = 1
        edges = _edges(solid, seen, line_px, camera.mm_per_px, np.array([p.part for p in pieces] + [-1]))
        rgb = rgb * (1 - edges[..., None]) + edges[..., None] * np.array([0.16, 0.14, 0.13], np.float32)
        ink = np.maximum(ink, edges)
    for name in ("other", "bone"):
        some = [(k, pieces[k]) for k in order if pieces[k].presence == "veiled" and pieces[k].layer == name]
        if not some:
            continue
        veil = _layer(some, camera, clip, solid.depth)
        there = veil.piece >= 0
        if not there.any():
            continue
        dense = np.array([p.opacity for p in pieces] + [0.0], np.float32)[veil.piece]
        rim = 1 - np.abs(veil.normal[..., 2])
        alpha = np.where(there, np.clip(dense * (0.42 + 0.9 * rim * rim), 0, 1), 0).astype(np.float32)
        laid = _lit(_colours(pieces, veil.piece), veil.normal, veil.inside)
        rgb = rgb * (1 - alpha[..., None]) + laid * alpha[..., None]
        contour = 0.55 * _edges(veil, there, line_px, camera.mm_per_px, np.full(len(pieces) + 1, 0), steps=False)
        rgb = rgb * (1 - contour[..., None]) + contour[..., None] * np.array([0.25, 0.22, 0.2], np.float32)
        ink = np.maximum(ink, np.maximum(alpha, contour))
    final = np.rint(np.clip(rgb, 0, 1) * 255).astype(np.uint8)
    return Picture(final, solid.piece, ink)


def _layer(
    pieces: Sequence[tuple[int, Piece]],
    camera: Camera,
    clip: tuple[Sequence[float], float] | None,
    before: npt.NDArray[np.float32] | None,
) -> _Layer:
    """Return what lies foremost of pieces; ``before`` is a depth that hides what lies behind it."""
    height, width = camera.height, camera.width
    depth = np.full(height * width, -np.inf, np.float32)
    triangle = np.full(height * width, -1, np.int64)
    points, corners, owners, normals, nearer = _gathered(pieces, camera)
    cut = None
    if clip is not None and len(points):
        world = np.concatenate([p.vertices for _, p in pieces])
        cut = (world @ np.asarray(clip[0], float) - clip[1]).astype(np.float32)
    if len(corners):
        hidden = None if before is None else before.ravel()
        rasterise(points, corners, nearer, cut, hidden, depth, triangle, (width, height))
    piece = np.full(height * width, -1, np.int32)
    normal = np.zeros((height * width, 3), np.float32)
    inside = np.zeros(height * width, bool)
    hit = np.flatnonzero(triangle >= 0)
    if len(hit):
        t = triangle[hit]
        piece[hit] = owners[t]
        x, y = (hit % width).astype(float), (hit // width).astype(float)
        weights, area = weights_in(points, corners[t], x, y)
        mixed = np.einsum("ni,nij->nj", weights, normals[corners[t]])
        mixed /= np.maximum(np.linalg.norm(mixed, axis=1, keepdims=True), 1e-9)
        inside[hit] = area < 0
        mixed[area < 0] = [0, 0, 1]
        normal[hit] = mixed
    return _Layer(
        depth.reshape(height, width),
        piece.reshape(height, width),
        normal.reshape(height, width, 3),
        inside.reshape(height, width),
    )


def _gathered(
    pieces: Sequence[tuple[int, Piece]], camera: Camera
) -> tuple[FloatArray, npt.NDArray[np.int64], npt.NDArray[np.int32], npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    points, corners, owners, normals, nearer = [], [], [], [], []
    first = 0
    axes = camera.axes.astype(np.float32)
    for number, p in pieces:
        points.append(project(camera, p.vertices))
        corners.append(p.surface.faces.astype(np.int64) + first)
        owners.append(np.full(len(p.surface.faces), number, np.int32))
        normals.append(p.normals @ axes.T)
        nearer.append(np.full(len(p.surface.faces), p.nearer_mm, np.float32))
        first += len(p.surface.vertices)
    if not points:
        empty = np.zeros((0, 3))
        return empty, empty.astype(np.int64), np.zeros(0, np.int32), empty.astype(np.float32), np.zeros(0, np.float32)
    return tuple(np.concatenate(x) for x in (points, corners, owners, normals, nearer))  # type: ignore[return-value]


def _colours(pieces: Sequence[Piece], numbers: npt.NDArray[np.int32]) -> npt.NDArray[np.float32]:
    return np.array([*(p.colour for p in pieces), (1.0, 1.0, 1.0)], np.float32)[numbers]


def _lit(
    colours: npt.NDArray[np.float32], normal: npt.NDArray[np.float32], inside: npt.NDArray[np.bool_]
) -> npt.NDArray[np.float32]:
    key = 0.5 + 0.5 * (normal @ _LIGHT.astype(np.float32))
    t = np.clip((key - 0.05) / 0.95, 0, 1)
    t = (t * t * (3 - 2 * t))[..., None]
    dark, bright = np.array([0.30, 0.29, 0.33], np.float32), np.array([1.06, 1.04, 1.0], np.float32)
    shade = dark + (bright - dark) * t + 0.10 * (0.5 - 0.5 * normal[..., 1:2])
    flat = np.array([0.72, 0.66, 0.64], np.float32)
    return np.asarray(colours * np.where(inside[..., None], flat, shade), np.float32)


def _shade(layer: _Layer, seen: npt.NDArray[np.bool_], radius: float, mm_per_px: float) -> npt.NDArray[np.float32]:
    depth = np.where(seen, layer.depth, 0).astype(np.float32)
    whole = seen.astype(np.float32)
    out = np.ones(seen.shape, np.float32)
    for share, strength in ((1.0, 0.30), (0.3, 0.22)):
        sigma = max(radius * share, 1.0)
        coarse = max(1, int(sigma // 4))  # a wide blur of a coarser picture is the same for the eye
        around = _blurred(depth, sigma, coarse) / np.maximum(_blurred(whole, sigma, coarse), 1e-3)
        below = (around - depth) / (sigma * mm_per_px)
        out *= 1 - strength * np.clip(below, 0, 1)
    return out


def _blurred(image: npt.NDArray[np.float32], sigma: float, step: int) -> npt.NDArray[np.float32]:
    if step == 1:
        return np.asarray(gaussian_filter(image, sigma, truncate=2.5), np.float32)
    h, w = image.shape
    padded = np.pad(image, [(0, -h % step), (0, -w % step)])
    small = padded.reshape(padded.shape[0] // step, step, padded.shape[1] // step, step).mean(axis=(1, 3))
    soft = gaussian_filter(small, sigma / step, truncate=2.5)
    rows = np.clip((np.arange(h) - (step - 1) / 2) / step, 0, soft.shape[0] - 1)
    columns = np.clip((np.arange(w) - (step - 1) / 2) / step, 0, soft.shape[1] - 1)
    r0, c0 = np.minimum(rows.astype(int), soft.shape[0] - 1), np.minimum(columns.astype(int), soft.shape[1] - 1)
    r1, c1 = np.minimum(r0 + 1, soft.shape[0] - 1), np.minimum(c0 + 1, soft.shape[1] - 1)
    fr, fc = (rows - r0)[:, None], (columns - c0)[None, :]
    lines = soft[r0] * (1 - fr) + soft[r1] * fr
    return np.asarray(lines[:, c0] * (1 - fc) + lines[:, c1] * fc, np.float32)


def _edges(
    layer: _Layer,
    seen: npt.NDArray[np.bool_],
    line_px: float,
    mm_per_px: float,
    parts: npt.NDArray[np.integer],
    *,
    steps: bool = True,
) -> npt.NDArray[np.float32]:
    """Return 0..1: where one part ends before another or before nothing, and where depth steps."""
    part = np.where(seen, parts[layer.piece], -2)
    depth = np.where(seen, layer.depth, np.float32(-1e6))
    out = np.zeros(seen.shape, bool)
    for axis in (0, 1):
        a = [slice(None)] * 2
        b = [slice(None)] * 2
        a[axis], b[axis] = slice(1, None), slice(None, -1)
        one, two = tuple(a), tuple(b)
        differs = part[one] != part[two]
        gap = depth[one] - depth[two]
        if steps:
            slant = np.minimum(np.abs(layer.normal[one][..., 2]), np.abs(layer.normal[two][..., 2]))
            differs |= np.abs(gap) > mm_per_px * (4 + 3 / np.maximum(slant, 0.15))
        # The line lies on what is nearer, so that outlines stand on the part that they bound.
        out[one] |= differs & (gap > 0)
        out[two] |= differs & (gap <= 0)
    wide = max(1, round(line_px))
    if wide > 1:
        out = maximum_filter(out, wide) & (seen | out)
    return np.asarray(0.8 * out, np.float32)
