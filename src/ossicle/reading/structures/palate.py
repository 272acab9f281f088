"""The bony palate as a surface between the tooth rows, and the openings in it.

The palate's oral face is met from below, column by column; a smooth surface through it spans the openings too. The
mean grey of the plate's middle half, laid out on that surface, shows an opening as a dark region that bone closes all
round. Openings are named by their place against the tooth loci (Voss & Jansa 2009, Bull. Am. Mus. Nat. Hist. 322,
table 6), since the sutures that define them do not show in every scan: the name's certainty says so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import cc3d
import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation, distance_transform_edt, gaussian_filter, map_coordinates
from scipy.special import erfc
from skimage.draw import polygon2mask

from .loci import StandingTooth
from .membrane import Membrane, from_line, rim_in_image, wall_beside
from .records import Opening, Paired, Palate, Value
from .space import Block, Space

__all__ = ["read_palate"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
Curve = Callable[[FloatArray], FloatArray]

LEAST_VOXELS = 1.1
"""Radius (voxels) of the largest disc within an opening under which it is not told from noise and sutures."""


FAINT_WALL = 0.7
"""Share of the half level below which a place is dark, where its wall towards the outside is thin."""


def read_palate(space: Space, teeth: Sequence[StandingTooth], cranium: int) -> Palate | None:
    """Find the palate and its openings; None without upper cheek teeth on both sides.

    ``cranium`` is the label of the cranium; what belongs to the lower jaw is looked through.
    """
    upper = [t for t in teeth if t.jaw == "upper"]
    cheek = [t for t in upper if t.tooth_class in ("premolar", "molar")]
    if len(cheek) < 4 or len({t.side for t in cheek}) < 2:
        return None
    curve = _half_width(upper)
    z_front = max(t.neck[2] for t in upper)
    z_last = min(t.low[2] for t in cheek)
    wide = float(max(abs(t.neck[0]) for t in cheek))
    level = float(np.median([t.neck[1] for t in cheek]))
    low = np.array([-wide - 1.0, level - 0.35 * wide, z_last - 1.6 * wide])
    high = np.array([wide + 1.0, level + 0.95 * wide, z_front + 0.3 * wide])
    step = space.voxel
    block = space.block(low, high, step, labels=True)
    assert block.labels is not None
    own = np.isin(block.labels, [0, cranium, *(t.part for t in upper)])
    grey = np.where(own, np.clip(block.values, 0, 1.2), 0.0).astype(np.float32)
    face = _oral_face(block, grey, curve, wide)
    if face is None:
        return None
    height, thick, met = face
    image = _laid_out(block, grey, height, thick)
    x, z = block.axis(0), block.axis(2)
    within = np.abs(x)[:, None] < _lingual(upper, curve, z)[None, :]
    tooth = np.isin(block.labels, [t.part for t in upper]).any(axis=1)
    slope = np.sqrt(1 + np.gradient(height, step, axis=0) ** 2 + np.gradient(height, step, axis=1) ** 2)
    plate = np.where(tooth, 1.0, image)
    wall = float(np.median(plate[(plate > 0.6) & within])) if ((plate > 0.6) & within).any() else 1.0
    half = 0.5 * min(wall, 1.0)
    dark = (plate < half) & within
    edge = np.zeros_like(dark)
    edge[:, 0] = edge[:, -1] = True
    edge |= ~within
    pieces = cc3d.connected_components(dark, connectivity=4)
    open_ = set(np.unique(pieces[binary_dilation(edge) & dark])) - {0}
    # behind the palate the first bone met from below lies deeper than the palate is thick
    gaps = cc3d.connected_components((dark | (met > height + 0.8 * thick)) & within, connectivity=4)
    choana = np.isin(gaps, list(_choana(gaps, x, z, curve, z_last)))
    open_ |= set(np.unique(pieces[choana & dark])) - {0}
    hind = _hind_border(choana, z, x, z_last, wide)
    last = float(min(z[choana.any(axis=0)].min(), z_last)) if choana.any() else z_last - 0.2 * wide
    found: list[Opening] = []
    closed = within & (z[None, :] > last) & (z[None, :] < z_front) & ~np.isin(pieces, list(open_)) & ~choana
    zone = within & (z[None, :] > last) & (z[None, :] < z_front) & ~choana
    smooth = gaussian_filter(plate, 0.5)
    blur = float(np.hypot(space.sampled_blur, 0.5 * step))
    middle = height + thick / 2

    def place(q: FloatArray) -> FloatArray:
        y = map_coordinates(middle, q.T, order=1, mode="nearest")
        return np.stack([x[0] + q[:, 0] * step, y, z[0] + q[:, 1] * step], axis=1)

    for mask, level in _dark_places(plate, pieces, open_, closed, zone, half):
        line = _rim(plate, smooth, mask, level, wall, blur / step)
        if line is None or not zone[polygon2mask(zone.shape, line)].all():
            continue
        m = from_line(line, step, place, np.array([0.0, 1.0, 0.0]), blur)
        found.append(_opening(m, float(slope[mask].mean()), space, upper, curve, hind))
    found = _paired(found)
    shut = float((slope * step * step)[closed].sum())
    holes = sum(o.area_mm2.value for o in found)
    return Palate(tuple(found), shut, holes / max(shut, 1e-9), hind, plate, (float(x[0]), float(z[0])), step)


def _dark_places(
    plate: FloatArray,
    pieces: npt.NDArray[np.integer],
    open_: set[int],
    closed: BoolArray,
    zone: BoolArray,
    half: float,
) -> Iterator[tuple[BoolArray, float]]:
    """Places dark enough for an opening, with the level at which bone closes them.

    What hangs together at half the wall's grey with the outside, but not at seven tenths of that, is an opening whose
    far wall is thin.
    """
    for k in range(1, int(pieces.max()) + 1):
        mask = pieces == k
        if k not in open_ and closed[mask].all() and distance_transform_edt(mask).max() >= LEAST_VOXELS:
            yield mask, half
    deep = cc3d.connected_components(plate < FAINT_WALL * half, connectivity=4)
    for k in range(1, int(deep.max()) + 1):
        mask = deep == k
        hung = set(np.unique(pieces[mask])) - {0}
        if hung <= open_ and zone[mask].all() and distance_transform_edt(mask).max() >= 0.9 * LEAST_VOXELS:
            yield mask, 0.85 * half


def _rim(
    plate: FloatArray, smooth: FloatArray, mask: BoolArray, level: float, wall: float, blur: float
) -> FloatArray | None:
    """The closed line (n, 2) round a dark place; None where it is not dark enough or bone does not close it.

    Its level lies half-way between what fills the opening and the wall beside it, where ``blur`` (cells) does not tell
    the filling's grey from a narrow opening's.
    """
    depth = distance_transform_edt(mask)
    seat = np.unravel_index(int(np.argmax(depth)), mask.shape)
    at = (float(seat[0]), float(seat[1]))
    if plate[seat] > 0.75 * level:
        return None
    line = rim_in_image(smooth, at, level)
    if line is None:
        return None
    beside = min(1.0, wall_beside(smooth, line, 2.5 * blur) / wall)
    floor = max(0.0, float(smooth[seat]) / wall - float(erfc(depth[seat] / (np.sqrt(2) * blur))))
    change = float(np.clip(beside + floor, 0.7, 1.15))
    again = rim_in_image(smooth, at, level * change)
    return line if again is None else again


def _half_width(upper: Sequence[StandingTooth]) -> Curve:
    """Distance of the tooth rows from the midplane (mm) as a function of z, both sides together."""
    z = np.array([t.neck[2] for t in upper])
    x = np.array([abs(t.neck[0]) for t in upper])
    order = np.argsort(z)
    z, x = z[order], x[order]
    knots = np.linspace(z[0], z[-1], max(3, len(z) // 3))
    # Running medians at the knots: one misplaced tooth moves nothing.
    near = [np.argsort(np.abs(z - k))[: max(3, len(z) // 5)] for k in knots]
    at = np.array([np.median(x[i]) for i in near])

    def curve(where: FloatArray) -> FloatArray:
        return np.asarray(np.interp(where, knots, at), float)

    return curve


def _oral_face(
    block: Block, grey: npt.NDArray[np.float32], curve: Curve, wide: float
) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Height (y, mm) of the palate's oral face over (x, z) and its thickness (mm), smooth and without gaps; and the
    height at which bone is met first, column by column (inf where there is none)."""
    x, y, z = (block.axis(i) for i in range(3))
    solid = grey > 0.5
    any_ = solid.any(axis=1)
    first = np.argmax(solid, axis=1)
    i, k = np.nonzero(any_)
    j = np.clip(first[i, k], 1, None)
    below, here = grey[i, j - 1, k], grey[i, j, k]
    part = np.clip((0.5 - below) / np.maximum(here - below, 1e-3), 0, 1)
    h = y[0] + (j - 1 + part) * block.step
    met = np.full(any_.shape, np.inf)
    met[i, k] = h
    medial = np.abs(x[i]) < 0.72 * curve(z[k])
    i, j, k, h = i[medial], j[medial], k[medial], h[medial]
    if len(h) < 200:
        return None
    u, w = x[i] / wide, 2 * (z[k] - z[0]) / (z[-1] - z[0]) - 1

    def terms(u: FloatArray, w: FloatArray) -> FloatArray:
        across = [np.ones_like(u), u**2, u**4]
        along = np.polynomial.chebyshev.chebvander(w, 6)
        return np.stack([a * along[..., n] for m, a in enumerate(across) for n in range(7 - 2 * m)], axis=-1)

    basis = terms(u, w)
    weight = np.ones(len(h))
    coefficients = np.zeros(basis.shape[1])
    # Septum, turbinals and roof of the nose are met through openings, always above the face: an upper residual counts
    # for less (Tukey's biweight, asymmetric).
    for scale in (1.2, 0.8, 0.5, 0.3, 0.2, 0.15):
        root = np.sqrt(weight)[:, None]
        coefficients = np.linalg.lstsq(basis * root, h * root[:, 0], rcond=1e-6)[0]
        rest = (h - basis @ coefficients) / (scale * wide * 0.5)
        weight = np.where(np.abs(rest) < 1, (1 - np.minimum(np.abs(rest), 1) ** 2) ** 2, 1e-4)
    if (weight > 0.3).sum() < 150:
        return None
    grid_x, grid_z = np.meshgrid(x / wide, 2 * (z - z[0]) / (z[-1] - z[0]) - 1, indexing="ij")
    height = terms(grid_x, grid_z) @ coefficients
    kept = weight > 0.3
    low_grey = grey[i[kept], :, k[kept]]
    rows = np.arange(kept.sum())
    run = np.zeros(kept.sum())
    going = np.ones(kept.sum(), bool)
    start = j[kept]
    for n in range(int(0.6 * wide / block.step)):
        at = np.clip(start + n, 0, len(y) - 1)
        going &= low_grey[rows, at] > 0.5
        run[going] += 1
    thickness = run * block.step
    middle = np.abs(x[i[kept]]) < 0.5 * curve(z[k[kept]])
    usual = float(np.median(thickness[middle])) if middle.any() else float(np.median(thickness))
    return height, np.full(height.shape, float(np.clip(usual, 2 * block.step, 0.3 * wide))), met


def _laid_out(block: Block, grey: npt.NDArray[np.float32], height: FloatArray, thick: FloatArray) -> FloatArray:
    """Mean grey of the plate's middle, over (x, z).

    The plate is followed a little up and down from the smooth face: a column takes the best of a few offsets, each
    smoothed over a neighbourhood so that an opening, which is dark at every offset, stays dark.
    """
    y0, step = block.low[1], block.step
    nx, nz = height.shape
    ix, iz = np.meshgrid(np.arange(nx), np.arange(nz), indexing="ij")
    shifts = np.arange(-0.3, 0.31, 0.1) * float(thick.mean())
    layers = []
    for shift in shifts:
        total = np.zeros(height.shape)
        for share in (0.3, 0.5, 0.7):
            iy = (height + shift + share * thick - y0) / step
            total += map_coordinates(grey, np.stack([ix, iy, iz]), order=1, mode="nearest")
        layers.append(total / 3)
    stack = np.array(layers)
    held = np.array([gaussian_filter(layer, 0.8 / step * float(thick.mean())) for layer in layers])
    best = np.argmax(held, axis=0)
    out: FloatArray = np.take_along_axis(stack, best[None], axis=0)[0]
    return out


def _lingual(upper: Sequence[StandingTooth], curve: Curve, z: FloatArray) -> FloatArray:
    """Distance from the midplane (mm) of the rows' lingual side, by z: the rows' line less half a tooth's width."""
    width = np.array([t.crown_high[0] - t.crown_low[0] for t in upper])
    at = np.array([t.neck[2] for t in upper])
    near = np.abs(z[:, None] - at[None, :])
    weight = np.exp(-near / (0.1 * float(np.ptp(at)) + 1e-6))
    half = 0.5 * (weight * width).sum(1) / weight.sum(1)
    out: FloatArray = np.maximum(curve(z) - half, 0.35 * curve(z))
    return out


def _choana(pieces: npt.NDArray[np.integer], x: FloatArray, z: FloatArray, curve: Curve, z_last: float) -> set[int]:
    """Gaps that are the choanae: across the midplane, wide, and reaching back to the last teeth or behind them."""
    half = float(curve(np.array([z_last]))[0])
    out = set()
    for k in range(1, int(pieces.max()) + 1):
        mask = pieces == k
        columns = x[mask.any(axis=1)]
        rows = z[mask.any(axis=0)]
        across = columns.min() < -0.12 * half and columns.max() > 0.12 * half
        if across and np.ptp(columns) > 0.3 * half and rows.min() < z_last + 0.25 * half:
            out.add(k)
    return out


def _hind_border(choana: BoolArray, z: FloatArray, x: FloatArray, z_last: float, wide: float) -> float:
    """z of the palate's hind border near the midplane: where the gap of the choanae begins."""
    middle = np.abs(x) < 0.1 * wide
    hits = np.flatnonzero(choana[middle].mean(axis=0) > 0.5)
    return float(z[hits.max()]) if len(hits) else float(z_last)


def _opening(
    m: Membrane, lean: float, space: Space, upper: Sequence[StandingTooth], curve: Curve, hind: float
) -> Opening:
    term, certain, basis = name_opening(m, upper, float(curve(np.array([m.centre[2]]))[0]), hind)
    side: Paired = "midline" if abs(m.centre[0]) < 0.25 * m.width else "left" if m.centre[0] > 0 else "right"
    reach = 0.29 * space.voxel * np.sqrt(2)
    return Opening(
        term,
        side,
        Value(m.area * lean, m.error(space.noise, space.blur_mm)),
        Value(m.length, reach),
        Value(m.width, reach),
        m.perimeter,
        m.centre,
        m.rim,
        certain,
        basis,
    )


def name_opening(m: Membrane, upper: Sequence[StandingTooth], half_width: float, hind: float) -> tuple[str, float, str]:
    """Term, certainty and the reason of an opening by its place: before the cheek teeth, beside the last premolar, the
    molars or the palate's hind corner."""
    z, lateral = float(m.centre[2]), abs(float(m.centre[0])) / max(half_width, 1e-6)
    cheek = [t for t in upper if t.tooth_class in ("premolar", "molar")]
    molars = [t for t in upper if t.tooth_class == "molar"]
    front = max(t.crown_high[2] for t in cheek)
    if z > front:
        return "incisive foramen", 0.95, "before the first cheek tooth"
    first = max((t.crown_high[2] for t in molars), default=float(np.median([t.neck[2] for t in cheek])))
    last = min(t.crown_low[2] for t in cheek)
    place = (first - z) / max(first - last, 1e-6)
    if lateral > 0.45 and place > 0.75 and m.length < 0.35 * (first - last):
        return "posterolateral palatal foramen", 0.8, "in the hind corner, beside the last cheek tooth"
    if place < 0:
        if z > (front + first) / 2 and lateral < 0.5:
            return "incisive foramen", 0.6, "beside the foremost cheek teeth"
        return "maxillary fenestra", 0.6, "beside the last premolar"
    between = (z - hind) / max(first - hind, 1e-6)
    if place > 0.8 or between < 0.3:
        return "palatine fenestra", 0.65, "near the hind border, beside the last molars"
    return "maxillopalatine fenestra", 0.65, "beside the molars"


def _paired(found: list[Opening]) -> list[Opening]:
    """Openings in order from front to back; of several of one name and side the largest comes first."""
    return sorted(found, key=lambda o: (o.term, o.side, -o.area_mm2.value))
