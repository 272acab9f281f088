"""What surrounds a specimen in its scan: where it lies, what holds it, and how much of it the scan shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import edt
import numpy as np
from numpy.typing import NDArray

from ossicle.practice import mix as mx
from ossicle.practice.grid import Grid, coverage
from ossicle.practice.noise import ripple
from ossicle.practice.shapes import Array, f32
from ossicle.practice.voxels import Specimen

__all__ = ["Field", "lay_out", "surround"]

F = np.float32
Vec = NDArray[np.float64]


@dataclass(frozen=True)
class Field:
    """The scan's field: grids (one a specimen, same voxels), and the tube's axis, middle and radius (scan
    mm) if there is one.
    """

    grids: tuple[Grid, ...]
    tube: tuple[int, Vec, float] | None


def lay_out(
    clouds: Sequence[Vec],
    turns: Sequence[Vec],
    spacing: tuple[float, float, float],
    margin: float,
    scale: float,
    faults: Sequence[str],
    rng: np.random.Generator,
) -> Field:
    """Put specimens (point clouds in skull mm, and the rotations into scan axes) side by side in one scan
    grid.

    Lengths are in mm of the animal's design.
    """
    turned = [c @ r.T for c, r in zip(clouds, turns, strict=True)]
    shifts = [np.zeros(3) for _ in turned]
    if len(turned) > 1:
        axis = int(np.argmin(np.ptp(turned[0], axis=0)))
        for i in range(1, len(turned)):
            before = turned[i - 1] + shifts[i - 1]
            shift = (before.min(0) + before.max(0)) / 2 - (turned[i].min(0) + turned[i].max(0)) / 2
            shift[axis] = before[:, axis].max() + float(rng.uniform(0.6, 2.0)) - turned[i][:, axis].min()
            shifts[i] = shift
    every = np.concatenate([t + s for t, s in zip(turned, shifts, strict=True)])
    wide = margin + (2.0 if "foam" in faults else 0.0)
    lo, hi = every.min(0) - wide, every.max(0) + wide
    tube = None
    if "tube" in faults:
        axis = int(np.argmax(hi - lo))
        across = [i for i in range(3) if i != axis]
        middle = (lo + hi) / 2
        radius = float(np.linalg.norm((every - middle)[:, across], axis=1).max()) + 0.4
        for i in across:
            lo[i], hi[i] = middle[i] - radius - 1.3, middle[i] + radius + 1.3
        tube = (axis, middle, radius)
    if "cropped" in faults:
        axis, end = int(rng.integers(3)), rng.random() < 0.5
        share = float(rng.uniform(0.15, 0.32)) * (hi[axis] - lo[axis])
        if end:
            hi[axis] -= share
        else:
            lo[axis] += share
    n = np.ceil((hi - lo) / np.array(spacing[::-1])).astype(int) + 1
    grids = []
    for r, s in zip(turns, shifts, strict=True):
        m = np.eye(4)
        m[:3, :3] = r.T
        m[:3, 3] = r.T @ (lo - s)
        grids.append(Grid((int(n[2]), int(n[1]), int(n[0])), spacing, m, scale))
    if tube is not None:
        tube = (tube[0], tube[1] - lo, tube[2])
    return Field(tuple(grids), tube)


def _axes(grid: Grid) -> tuple[Array, Array, Array]:
    """Scan coordinates (design mm) of the grid's columns, rows and slices, ready to broadcast."""
    sz, sy, sx = grid.spacing
    nz, ny, nx = grid.shape
    return (
        (np.arange(nx) * sx).astype(F)[None, None, :],
        (np.arange(ny) * sy).astype(F)[None, :, None],
        (np.arange(nz) * sz).astype(F)[:, None, None],
    )


def surround(s: Specimen, field: Field, faults: Sequence[str], rng: np.random.Generator) -> None:
    """Add flesh (of a wet specimen), foam, tube, pin and tag to a specimen on its grid."""
    if "wet" in faults:
        _flesh(s, rng)
    if "tube" in faults and field.tube is not None:
        axis, middle, radius = field.tube
        x, y, z = _axes(s.grid)
        d = [x - F(middle[0]), y - F(middle[1]), z - F(middle[2])]
        p, q = (d[i] for i in range(3) if i != axis)
        wall = np.broadcast_to(np.abs(np.sqrt(p * p + q * q) - F(radius + 0.45)) - F(0.45), s.grid.shape)
        _lay(s, f32(wall), mx.TUBE, over=False)
    if "pin" in faults:
        _lay(s, _pin(s, rng), mx.METAL, over=True)
    if "tag" in faults:
        _lay(s, _tag(s, rng), mx.TAG, over=False)
    if "foam" in faults:
        x, y, z = _axes(s.grid)
        lumps = ripple(x, y, z, 9.0, int(rng.integers(1 << 30)))
        taken = np.zeros(s.grid.shape, dtype=bool)
        for plane in s.mix.share.values():
            taken |= plane > 20
        index = np.flatnonzero((lumps > -0.35) & ~taken & (s.labels == 0))
        s.mix.fill(index, mx.FOAM, np.ones(len(index), dtype=F))


def _flesh(s: Specimen, rng: np.random.Generator) -> None:
    """Skin and muscle round a wet specimen, a few mm thick, and the brain; mouth and nose hold fluid in
    part.
    """
    step = 2
    held = s.labels[::step, ::step, ::step] > 0
    far = edt.edt(~held, anisotropy=tuple(step * v for v in s.grid.spacing), parallel=1)
    x, y, z = (a[..., ::step] if i == 0 else a for i, a in enumerate(_axes(s.grid)))
    y, z = y[:, ::step], z[::step]
    thick = F(1.5) + F(0.9) * ripple(x, y, z, 8.0, int(rng.integers(1 << 30)))
    near = f32(far) - thick
    whole = np.repeat(np.repeat(np.repeat(near, step, 0), step, 1), step, 2)
    nz, ny, nx = s.grid.shape
    whole = np.pad(whole, [(0, max(0, n - m)) for n, m in zip(s.grid.shape, whole.shape, strict=True)], mode="edge")
    whole = whole[:nz, :ny, :nx]
    cavity = np.isin(
        s.labels, [label for label, kind, term, _ in s.names if kind == "cavity" and term != "cranial cavity"]
    )
    index = np.flatnonzero((whole < F(s.grid.voxel)) & ~cavity)
    s.mix.fill(index, mx.SOFT, coverage(whole.ravel()[index], 2 * s.grid.voxel))
    brain = [label for label, kind, term, _ in s.names if kind == "cavity" and term == "cranial cavity"]
    index = np.flatnonzero(np.isin(s.labels, brain))
    s.mix.fill(index, mx.SOFT, np.ones(len(index), dtype=F))


def _lay(s: Specimen, distance: Array, material: int, *, over: bool) -> None:
    index = np.flatnonzero(distance.ravel() < F(s.grid.voxel / 2))
    amount = coverage(distance.ravel()[index], s.grid.voxel)
    if over:
        s.mix.cover(index, material, amount, 1.0)
        s.labels.reshape(-1)[index[amount > 0.5]] = 0
    else:
        free = s.labels.reshape(-1)[index] == 0
        s.mix.fill(index[free], material, amount[free])


def _pin(s: Specimen, rng: np.random.Generator) -> Array:
    """A steel pin, 0.5 mm thick, through the braincase near the midline (or past the jaws where there is no
    cranium).
    """
    g = s.grid
    inv = np.linalg.inv(g.scan_to_skull)
    back = float(s.anatomy.grow.along(float(s.anatomy.animal.design["cranium"]["brain"][1])))
    skull = np.array([float(rng.uniform(-1.5, 1.5)), 6.0, back + float(rng.uniform(3.0, 5.0))])
    c = inv[:3, :3] @ skull + inv[:3, 3]
    d = inv[:3, :3] @ np.array([float(rng.normal(0, 0.1)), 1.0, float(rng.normal(0, 0.15))])
    d /= np.linalg.norm(d)
    x, y, z = _axes(g)
    p = [x - F(c[0]), y - F(c[1]), z - F(c[2])]
    along = p[0] * F(d[0]) + p[1] * F(d[1]) + p[2] * F(d[2])
    across = np.sqrt(np.maximum(p[0] ** 2 + p[1] ** 2 + p[2] ** 2 - along**2, F(0))) - F(0.25)
    return f32(np.maximum(across, np.abs(along) - F(9.0)))


def _tag(s: Specimen, rng: np.random.Generator) -> Array:
    """A thin aluminium plate in a corner of the field, clear of the specimen."""
    g = s.grid
    size = np.array(g.shape[::-1]) * np.array(g.spacing[::-1])
    held = np.stack(np.nonzero(s.labels[::4, ::4, ::4]), axis=1)[:, ::-1] * 4 * np.array(g.spacing[::-1])
    best, room = size / 2, -1.0
    for _ in range(60):
        c = rng.uniform(0.08, 0.92, 3) * size
        free = float(np.linalg.norm(held - c, axis=1).min()) if len(held) else 9.0
        if free > room:
            best, room = c, free
    n = rng.normal(size=3)
    n /= np.linalg.norm(n)
    half = float(np.clip(room - 0.4, 0.8, 3.0))
    x, y, z = _axes(g)
    p = [x - F(best[0]), y - F(best[1]), z - F(best[2])]
    h = p[0] * F(n[0]) + p[1] * F(n[1]) + p[2] * F(n[2])
    r = np.sqrt(np.maximum(p[0] ** 2 + p[1] ** 2 + p[2] ** 2 - h * h, F(0)))
    return f32(np.maximum(r - F(half), np.abs(h) - F(0.2)))
