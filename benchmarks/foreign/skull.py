"""Cranium and dentaries: lofted superelliptic sections, swept tubes, extruded outlines, metaballs."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.spatial import cKDTree

from .canvas import Float, Texture
from .rows import Arcade

Pts = NDArray[np.float64]


@dataclass
class Tube:
    """A swept tube: curve points (n, 3) with radii along two directions, left side; mirrored on demand."""

    points: Pts
    tall: Pts
    wide: Pts
    tree: cKDTree = field(init=False)

    def __post_init__(self) -> None:
        """Index the curve."""
        self.tree = cKDTree(self.points)

    def inside(self, x: Float, y: Float, z: Float, grow: float = 0.0) -> NDArray[np.bool_]:
        """Points within the tube (x already folded to the left side)."""
        out = np.zeros(x.shape, bool)
        lo = self.points.min(0) - self.tall.max() - grow - 0.2
        hi = self.points.max(0) + self.tall.max() + grow + 0.2
        near = (x > lo[0]) & (x < hi[0]) & (y > lo[1]) & (y < hi[1]) & (z > lo[2]) & (z < hi[2])
        if not near.any():
            return out
        q = np.column_stack([x[near], y[near], z[near]])
        _, i = self.tree.query(q, workers=1)
        d = q - self.points[i]
        tall, wide = self.tall[i] + grow, self.wide[i] + grow
        out[near] = (d[:, 1] / tall) ** 2 + (d[:, 0] ** 2 + d[:, 2] ** 2) / wide**2 <= 1
        return out


def spline(controls: Pts, n: int = 160) -> Pts:
    """Smooth curve through control points (k, 3)."""
    t = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(controls, axis=0), axis=1))])
    return np.asarray(PchipInterpolator(t, controls)(np.linspace(0, t[-1], n)))


@dataclass
class Cranium:
    """All shape numbers of one cranium (mm)."""

    length: float
    front: float
    back: float
    width: PchipInterpolator
    top: PchipInterpolator
    bottom: PchipInterpolator
    power: float
    wall: float
    palate_end: float
    brain_start: float
    orbit: tuple[float, float, float, float, float, float]
    zygoma: Tube
    petrosal: Pts  # rows x, y, z, radius
    bulla: float
    cochlea: Pts
    suture_z: float
    fine: Texture
    coarse: Texture
    sagittal: float
    joint: Pts
    vacuities: bool


def make_cranium(length: float, front: float, rng: np.random.Generator, row: Arcade, youth: float) -> Cranium:
    """Draw a cranium. ``youth`` 0 adult to 1 newborn: bigger braincase, shorter snout."""
    s = np.array([0, 0.05, 0.14, 0.3, 0.44, 0.6, 0.74, 0.88, 0.96, 1.0])
    j = rng.normal(1, 0.06, (3, s.size))
    snout = rng.uniform(0.8, 1.2)
    brain = rng.uniform(0.9, 1.15) * (1 + 0.2 * youth)
    width = (
        np.array([0.02, 0.055, 0.075, 0.1, 0.12 * brain, 0.15 * brain, 0.19 * brain, 0.185 * brain, 0.13, 0.04]) * j[0]
    )
    width[:4] *= snout
    half_front = float(np.max(row.points[: row.points.shape[0] // 3, 0]))
    width[2:4] = np.maximum(width[2:4], (half_front + 0.2) / length)
    top = np.array([0.03, 0.075, 0.1, 0.14, 0.2 * brain, 0.25 * brain, 0.27 * brain, 0.24 * brain, 0.15, 0.1]) * j[1]
    low = np.array([0.0, 0.0, 0.0, 0.0, 0.0, 0.035, 0.035, 0.03, 0.03, 0.04]) * j[2]
    back = front - length
    z = front - s * length
    order = np.argsort(z)

    def curve(v: Pts) -> PchipInterpolator:
        return PchipInterpolator(z[order], v[order] * length)

    last = row.points[min(int(np.searchsorted(row.arc, row.end)), len(row.arc) - 1)]
    palate_end = float(last[1]) - 0.3
    zx = 0.25 * length * rng.uniform(0.88, 1.15)
    start_z = palate_end + 0.09 * length
    jz = back + 0.26 * length
    joint = np.array([max(0.165 * length, 0.96 * float(curve(width)(jz))), 0.03 * length, jz])
    arch = spline(
        np.array(
            [
                [last[0] + 0.1, 0.06 * length, start_z],
                [zx * 0.85, 0.045 * length, start_z - 0.06 * length],
                [zx, 0.05 * length, start_z - 0.16 * length],
                [zx * 0.97, 0.075 * length, 0.5 * (start_z - 0.16 * length + joint[2])],
                [joint[0] + 0.01 * length, joint[1] + 0.038 * length, joint[2]],
                [joint[0] - 0.05 * length, joint[1] + 0.045 * length, joint[2] - 0.02 * length],
            ]
        )
    )
    u = np.linspace(0, 1, len(arch))
    tall = length * 0.021 * rng.uniform(0.7, 1.3) * (1 + 0.9 * (2 * u - 1) ** 2)
    wide = length * 0.013 * rng.uniform(0.8, 1.3) * (1 + 0.8 * (2 * u - 1) ** 2)
    pz = back + 0.17 * length
    px = 0.105 * length
    r = 0.055 * length * rng.uniform(0.85, 1.15)
    balls = np.array(
        [
            [px, 0.06 * length, pz, r],
            [px - 0.5 * r, 0.055 * length, pz + 0.8 * r, 0.8 * r],
            [px + 0.6 * r, 0.075 * length, pz - 0.7 * r, 0.75 * r],
        ]
    )
    turns = rng.uniform(1.5, 3.0)
    t = np.linspace(0, 2 * np.pi * turns, 120)
    rad = 0.45 * r * (1 - 0.75 * t / t[-1])
    coil = np.column_stack(
        [
            px - 0.3 * r + rad * np.cos(t),
            0.055 * length - 0.3 * r + 0.5 * r * t / t[-1],
            pz + 0.6 * r + rad * np.sin(t),
        ]
    )
    ring = np.linspace(0, 2 * np.pi, 60)
    canals = [
        np.column_stack(
            [
                px + 0.55 * r * np.cos(ring),
                0.075 * length + 0.55 * r * np.sin(ring),
                np.full(60, pz - 0.5 * r),
            ]
        ),
        np.column_stack(
            [px + 0.55 * r * np.cos(ring), np.full(60, 0.075 * length), pz - 0.5 * r + 0.5 * r * np.sin(ring)]
        ),
        np.column_stack(
            [
                np.full(60, px + 0.3 * r),
                0.075 * length + 0.55 * r * np.cos(ring),
                pz - 0.5 * r + 0.5 * r * np.sin(ring),
            ]
        ),
    ]
    orbit_z = start_z - 0.1 * length
    return Cranium(
        length,
        front,
        back,
        curve(width),
        curve(top),
        curve(low),
        rng.uniform(2.1, 2.9),
        length * 0.014 * rng.uniform(0.8, 1.3) * (1 - 0.4 * youth),
        palate_end,
        palate_end + 0.02 * length,
        (0.19 * length, 0.14 * length, orbit_z, 0.11 * length, 0.085 * length, 0.1 * length),
        Tube(arch, tall, wide),
        balls,
        float(rng.choice([0.0, 0.0, 1.0])) * 0.075 * length,
        np.vstack([coil, *canals]),
        rng.normal(-0.02, 0.02),
        Texture(rng, 0.12),
        Texture(rng, 0.6, 0.2),
        0.012 * length * rng.uniform(0, 1.5),
        joint,
        bool(rng.random() < 0.5),
    )


def _loft(c: Cranium, x: Float, y: Float, z: Float, inset: float) -> Float:
    """Superellipse value: <= 1 inside the outer surface moved in by ``inset`` mm."""
    zc = np.clip(z, c.back, c.front)
    grid = np.linspace(c.back, c.front, 400)
    w = np.interp(zc, grid, c.width(grid)) - inset
    t = np.interp(zc, grid, c.top(grid)) - inset
    b = np.interp(zc, grid, c.bottom(grid)) + inset
    mid, half = (t + b) / 2, np.maximum((t - b) / 2, 1e-3)
    value = (np.abs(x) / np.maximum(w, 1e-3)) ** c.power + (np.abs(y - mid) / half) ** c.power
    outside = (z > c.front - inset) | (z < c.back + inset)
    return np.where(outside, 9.0, value).astype(np.float32)


def cranium_tissue(c: Cranium, x: Float, y: Float, z: Float) -> NDArray[np.uint8]:
    """0 air, 2 bone, 7 petrosal bone at skull points; teeth sockets come later."""
    x, y, z = np.broadcast_arrays(x, y, z)
    out = np.zeros(x.shape, np.uint8)
    if z.size == 0:
        return out
    ax = np.abs(x)
    rough = c.coarse(x, y, z)
    wall = c.wall * 1.0
    outer = _loft(c, x, y + 0.05 * rough, z, 0.0) <= 1
    ox, oy, oz, ra, rb, rc = c.orbit
    eye = np.abs((ax - ox) / ra) ** 2.5 + np.abs((y - oy) / rb) ** 2.5 + np.abs((z - oz) / rc) ** 2.5
    eye_wall = (
        np.abs((ax - ox) / (ra + wall)) ** 2.5
        + np.abs((y - oy) / (rb + wall)) ** 2.5
        + np.abs((z - oz) / (rc + wall)) ** 2.5
    )
    outer &= eye > 1
    inner = (_loft(c, x, y, z, wall) <= 1) & (eye_wall > 1)
    nasal = inner & (z > c.brain_start + wall) & (y > 0.55 * wall + 0.45)
    brain = inner & (z < c.brain_start) & (_loft(c, x, y, z, wall * (1.15 + 0.25 * 0)) <= 1) & (y > c.length * 0.065)
    bone = outer & ~nasal & ~brain
    throat = (z < c.palate_end) & (y < c.length * 0.045) & (ax < 0.07 * c.length) & (z > c.back + 0.3 * c.length)
    behind = (z < c.palate_end) & (y < c.length * 0.04) & (ax >= 0.085 * c.length) & (z > c.back + 0.26 * c.length)
    bone &= ~(throat | behind)
    # turbinals: thin folded sheets of a random field inside the nasal cavity, and the septum
    sheet = nasal & (np.abs(c.coarse(x * 1.3, y * 1.3, z * 0.4)) < 0.17) & (y > 0.06 * c.length)
    septum = nasal & (ax < 0.09 + 0.02 * rough)
    bone |= sheet | septum
    bone |= c.zygoma.inside(ax, y, z)
    crest = (ax < 0.16) & (z < c.brain_start) & (_loft(c, x * 0, y - c.sagittal, z, 0) <= 1) & ~brain
    bone |= crest & (z > c.back + 0.02 * c.length)
    bone &= ~((np.hypot(x, y - 0.1 * c.length) < 0.05 * c.length) & (z < c.back + 0.12 * c.length))
    front = z > c.front - 0.1 * c.length
    bone &= ~(front & (y > 0.03 * c.length) & (_loft(c, x, y, z, wall) <= 1))
    # incisive foramina and, in some, palatal vacuities
    hole = (((ax - 0.02 * c.length) / (0.011 * c.length)) ** 2 + ((z - 0.3 * c.front) / (0.04 * c.length)) ** 2 < 1) & (
        y < 1.2
    )
    if c.vacuities:
        hole |= (
            ((ax - 0.03 * c.length) / (0.018 * c.length)) ** 2
            + ((z - c.palate_end - 0.09 * c.length) / (0.05 * c.length)) ** 2
            < 1
        ) & (y < 1.2)
    bone &= ~hole
    out[bone] = 2
    # suture between premaxilla and maxilla, and midline sutures
    joint = np.abs(z - c.suture_z - 0.25 * rough - 0.15 * y) < 0.06
    joint |= (ax < 0.04 + 0.03 * rough) & (y < 1.0) & (z > c.palate_end)
    out[joint & bone & (y < 0.12 * c.length) & (z > c.palate_end)] = 1
    potential = np.zeros(x.shape, np.float32)
    for bx, by, bz, br in c.petrosal:
        potential += (br**2 / ((ax - bx) ** 2 + (y - by) ** 2 + (z - bz) ** 2 + 1e-3)) ** 1.5
    pet = potential > 1.6
    if pet.any():
        q = np.column_stack([ax[pet], y[pet], z[pet]])
        d, _ = cKDTree(c.cochlea).query(q, distance_upper_bound=0.3)
        out[pet] = np.where(d < 0.011 * c.length, 0, 7)
        halo = (potential > 1.25) & ~pet & (out == 2) & (ax > c.petrosal[0, 0] - 0.02 * c.length)
        out[halo] = 0  # petrosal stands loose in its bay
    if c.bulla:
        bx, by, bz, br = c.petrosal[0]
        d = np.sqrt(((ax - bx) / 1.0) ** 2 + ((y - by + 0.9 * br) / 0.9) ** 2 + ((z - bz - 0.4 * br) / 1.2) ** 2)
        shell = (d < c.bulla) & (d > c.bulla - wall * 0.8) & (out == 0)
        out[shell & (y < by)] = 2
    return out


def process_bone(row: Arcade, x: Float, y: Float, z: Float, tree: cKDTree) -> NDArray[np.bool_]:
    """Alveolar bone along an arcade (x folded to the left side)."""
    x, y, z = np.broadcast_arrays(x, y, z)
    out = np.zeros(x.shape, bool)
    p = row.points
    reach = float(row.half.max()) + 0.3
    deep = float(row.depth.max()) + 0.3
    v = (row.level - y) * row.direction
    near = (x < p[:, 0].max() + reach) & (z < p[:, 1].max() + reach) & (z > p[:, 1].min() - reach)
    near &= (v > -1.0) & (v < deep)
    if not near.any():
        return out
    q = np.column_stack([x[near], z[near]])
    d, i = tree.query(q, workers=1)
    v = (row.crest(row.arc[i]) - y[near]) * row.direction
    half = row.half[i]
    depth = row.depth[i]
    out[near] = ((d / half) ** 4 + (np.abs(v - depth / 2) / (depth / 2)) ** 6 <= 1) & (depth > 0.4)
    return out


@dataclass
class Dentary:
    """Shape of the dentary behind and below the tooth row (left side, mm)."""

    row: Arcade
    tree: cKDTree
    ramus: NDArray[np.float32]  # smoothed outline on a z-y grid
    origin: tuple[float, float]
    step: float
    ramus_x: tuple[float, float, float]
    thick: float
    condyle: Pts
    inflection: float
    start: float


def make_dentary(row: Arcade, length: float, joint: Pts, rng: np.random.Generator, inflected: bool) -> Dentary:
    """Draw a dentary whose condyle meets ``joint`` (skull point of the left jaw joint)."""
    from scipy.ndimage import gaussian_filter
    from skimage.draw import polygon2mask

    k = min(int(np.searchsorted(row.arc, row.end - 0.04 * length)), len(row.arc) - 1)
    z0 = float(row.points[k, 1])
    crest = float(row.crest(row.arc[k]))
    depth = float(row.depth[k])
    jy, jz = float(joint[1]), float(joint[2])
    low = crest - depth
    cor = jy + 0.09 * length * rng.uniform(0.4, 1.3)
    span = z0 - jz
    outline = np.array(
        [
            [z0 + 0.5, low + 0.1],
            [z0, crest - 0.3],
            [z0 - 0.25 * span, crest + 0.2],
            [z0 - 0.42 * span, cor - 0.5],
            [z0 - 0.6 * span, cor],
            [z0 - 0.72 * span, jy + 0.02 * length],
            [jz + 0.03 * length, jy - 0.01 * length],
            [jz, jy - 0.0 * length],
            [jz - 0.015 * length, jy - 0.03 * length],
            [jz + 0.05 * length, 0.5 * (jy + low)],
            [jz - 0.01 * length, low + 0.1 * depth],
            [jz + 0.03 * length, low - 0.1 * depth],
            [jz + 0.12 * length, low + 0.15 * depth],
            [z0 - 0.3 * span, low],
        ]
    )
    step = 0.06
    lo = outline.min(0) - 1
    hi = outline.max(0) + 1
    n = np.ceil((hi - lo) / step).astype(int)
    mask = polygon2mask((int(n[0]), int(n[1])), (outline - lo) / step)
    soft = gaussian_filter(mask.astype(np.float32), 0.3 / step)
    x0 = float(row.points[k, 0])
    bend = rng.uniform(0.5, 0.9) * 0.12 * length if inflected else rng.uniform(-0.1, 0.1)
    return Dentary(
        row,
        cKDTree(row.points),
        soft,
        (float(lo[0]), float(lo[1])),
        step,
        (x0, float(joint[0]), 1.0),
        0.022 * length * rng.uniform(0.8, 1.25),
        joint,
        bend,
        z0,
    )


def dentary_bone(d: Dentary, x: Float, y: Float, z: Float, length: float) -> NDArray[np.bool_]:
    """Bone of the left dentary at points folded to the left side (x >= 0 is this side)."""
    x, y, z = np.broadcast_arrays(x, y, z)
    out = process_bone(d.row, x, y, z, d.tree)
    iz = np.rint((z - d.origin[0]) / d.step).astype(np.int32)
    iy = np.rint((y - d.origin[1]) / d.step).astype(np.int32)
    ok = (iz >= 0) & (iy >= 0) & (iz < d.ramus.shape[0]) & (iy < d.ramus.shape[1])
    if ok.any():
        soft = d.ramus[iz[ok], iy[ok]]
        x0, x1, _ = d.ramus_x
        t = np.clip((d.start - z[ok]) / max(d.start - d.condyle[2], 1e-3), 0, 1)
        low = np.clip((d.condyle[1] - y[ok]) / (0.2 * length), 0, 1.4)
        centre = x0 + (x1 - x0) * t**1.3 - d.inflection * t**2 * np.clip(low - 0.55, 0, 1) * 1.6
        thick = d.thick * (0.55 + 0.5 * low) * np.sqrt(np.clip((soft - 0.5) * 2.2, 0, 1))
        out[ok] |= (soft > 0.5) & (np.abs(x[ok] - centre) <= thick)
    c = d.condyle
    out |= ((x - c[0]) / (0.045 * length)) ** 2 + ((y - c[1] + 0.012 * length) / (0.02 * length)) ** 2 + (
        (z - c[2]) / (0.022 * length)
    ) ** 2 <= 1
    return out & (x > 0.06)
