"""From densities to grey values: surroundings, blur, correlated noise, rings, cupping, offset and scale."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from .build import Options
from .canvas import Canvas, Texture


def surroundings(canvas: Canvas, o: Options, rng: np.random.Generator) -> str:
    """Foam block, tube wall or dried tissue in the air around the specimen. Returns what was added."""
    kind = o.background
    if kind == "auto":
        kind = str(rng.choice(["air", "foam", "tube", "tissue", "foam+tube"]))
    air = canvas.tissue == 0
    _nz, ny, nx = canvas.shape
    if "foam" in kind:
        axis = int(rng.integers(1, 3))
        cut = int(canvas.shape[axis] * rng.uniform(0.35, 0.6))
        where = [slice(None)] * 3
        where[axis] = slice(cut, None)
        cell = Texture(rng, 0.25, canvas.voxel)
        for box in canvas.slabs():
            x, y, z = canvas.coords(box)
            part = air[box].copy()
            keep = np.zeros(part.shape, bool)
            keep[(slice(None), *where[1:])] = True
            part &= keep
            v = 0.05 + 0.025 * cell(x, y, z)
            canvas.density[box][part] += np.clip(v, 0, None)[part]
            canvas.tissue[box][part] = 5
    if "tube" in kind:
        yy, xx = np.mgrid[:ny, :nx]
        r = np.hypot((yy - ny / 2) / (ny / 2), (xx - nx / 2) / (nx / 2))
        ring = (r > 0.985) & (r < 0.985 + 1.2 / (min(ny, nx) * canvas.voxel))
        wall = air & ring[None]
        canvas.density[wall] = 0.24
        canvas.tissue[wall] = 5
    if "tissue" in kind:
        blob = Texture(rng, 0.8, canvas.voxel * 2)
        near = gaussian_filter((canvas.tissue == 2).astype(np.float32), 0.35 / canvas.voxel)
        for box in canvas.slabs():
            x, y, z = canvas.coords(box)
            part = (near[box] > 0.12) & (canvas.tissue[box] == 0) & (blob(x, y, z) > 1.0)
            canvas.density[box][part] = 0.22 + 0.03 * blob(x * 3, y * 3, z * 3)[part]
            canvas.tissue[box][part] = 1
    return kind


def scan(canvas: Canvas, o: Options) -> tuple[NDArray[np.generic], dict[str, Any]]:
    """Grey values of the scan (z, y, x) and the settings used."""
    rng = np.random.default_rng([o.seed, sum(ord(c) for c in o.animal + o.stage + o.tilt), 9, round(o.noise * 100)])
    background = surroundings(canvas, o, rng)
    blur = o.blur or float(rng.uniform(0.7, 1.1))
    sigma = 0.07 * o.noise * float(rng.uniform(0.8, 1.2))
    v = gaussian_filter(canvas.density, blur)
    nz, ny, nx = canvas.shape
    yy, xx = np.mgrid[:ny, :nx].astype(np.float32)
    cy, cx = ny * rng.uniform(0.45, 0.55), nx * rng.uniform(0.45, 0.55)
    r = np.hypot(yy - cy, xx - cx)
    rel = r / r.max()
    if o.cupping:
        v *= (1 - o.cupping * (1 - rel**2))[None]
    if o.rings:
        n = int(r.max()) + 2
        bands = rng.normal(0, 0.05 * o.rings, n) * (rng.random(n) < 0.15)
        drift = gaussian_filter(rng.standard_normal((nz, n)), (8, 0)) * 3
        v += (bands[None] * (1 + 0.3 * drift))[:, r.astype(int)].astype(np.float32)
    # noise: part white, part correlated over a voxel as reconstruction filters leave it; less at the rim
    mix = rng.uniform(0.35, 0.7)
    noise = gaussian_filter(rng.standard_normal(canvas.shape, np.float32), rng.uniform(0.45, 0.7))
    noise /= noise.std()
    noise *= np.float32(mix)
    noise += np.float32(np.sqrt(1 - mix * mix)) * rng.standard_normal(canvas.shape, np.float32)
    load = gaussian_filter(v.mean(axis=(1, 2)), 3)
    load = 0.85 + 0.3 * load / max(float(load.max()), 1e-6)
    noise *= (1.1 - 0.25 * rel).astype(np.float32)[None]
    noise *= load.astype(np.float32)[:, None, None]
    v += np.float32(sigma) * noise
    gain = float(rng.uniform(6000, 18000))
    offset = max(float(rng.uniform(2000, 12000)), 5 * sigma * gain)  # air must not be clipped
    if o.bits == 8:
        grey: NDArray[np.generic] = np.clip(v * 95 + 25, 0, 255).astype(np.uint8)
    else:
        grey = np.clip(v * gain + offset, 0, 65535).astype(np.uint16)
    return grey, {
        "background": background,
        "blur_voxels": blur,
        "noise_sigma_of_bone": sigma,
        "gain": gain,
        "offset": offset,
        "cupping": o.cupping,
        "rings": o.rings,
    }
