"""Teeth of closed form, scanned: capped columns with an enamel shell, in air or in a slab of bone, at any
turn and blur.

The crown is a superellipsoid column under a half-ellipsoid dome; enamel is what lies outside the same body
shrunk by the enamel's thickness, above the cervix. The root is a tapering column of dentine with a canal. All
figures follow from the parameters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter
from scipy.spatial.transform import Rotation

FloatArray = npt.NDArray[np.float64]

DENTINE, ENAMEL, BONE = 1.3, 2.1, 1.0


@dataclass(frozen=True)
class Scanned:
    """A scanned phantom: greys (surround 0, bone 1), labels, spacing, scan mm to skull mm, and its enamel's
    volume (mm3)."""

    grey: npt.NDArray[np.float32]
    labels: npt.NDArray[np.int32]
    spacing: tuple[float, float, float]
    to_skull: FloatArray
    enamel_mm3: float
    mineral_mm3: float


def _crown(m: FloatArray, b: FloatArray, s: FloatArray, size: FloatArray, shrink: float) -> npt.NDArray[np.bool_]:
    """Inside the crown (cervix at s = 0), shrunk by ``shrink`` on all sides but the cervix."""
    length, width, height = size
    top = 0.35 * height
    wall = height - top
    flat = np.hypot(m / (length / 2 - shrink), b / (width / 2 - shrink))
    dome = np.hypot(flat, np.maximum(s - wall, 0) / (top - shrink))
    return (s >= 0) & np.where(s <= wall, flat <= 1, dome <= 1)


def scan_tooth(
    *,
    length: float = 2.0,
    width: float = 1.6,
    height: float = 1.5,
    enamel: float = 0.2,
    root: float = 2.2,
    canal: float = 0.3,
    turn: tuple[float, float, float] = (0.0, 0.0, 0.0),
    margin: float | None = None,
    roof: bool = False,
    pore: float = 0.0,
    gap: float = 0.12,
    neighbours: bool = False,
    cusps: tuple[tuple[float, float], ...] = (),
    roots: tuple[float, ...] = (0.0,),
    worn: float = 0.0,
    voxel: float = 0.1,
    blur: float = 0.9,
    noise: float = 0.08,
    seed: int = 1,
) -> Scanned:
    """Scan one lower tooth standing upright in skull space, its row running backwards along -z.

    ``margin`` is the height of the alveolar margin above the cervix (mm; None: no bone at all), ``roof``
    closes the crypt over the crown but for a hole of radius ``pore``, ``gap`` is the socket's width,
    ``neighbours`` puts crowns in contact before and behind (labels 2, 3), ``cusps`` are places (m, b) of
    cones that make up the occlusal third instead of one dome, ``roots`` places (m) of stems,
    ``worn`` the share of the crown's height ground off flat, ``turn`` the
    rotation of the skull in the scanner (vector, radians), ``blur`` and ``noise`` in voxels and shares of
    bone.
    """
    size = np.array([length, width, height])
    aside = 1.3 if margin is not None or neighbours else 0.6
    reach = float(np.hypot(max(length, width) / 2 + aside, (height + root) / 2 + 0.6))
    n = int(np.ceil(2 * reach / voxel)) + 2
    fine = 3 if n < 60 else 2
    rotation = Rotation.from_rotvec(turn).as_matrix()
    middle = np.array([0.0, (height - root) / 2, 0.0])
    centre = (n - 1) / 2 * voxel
    axis = ((np.arange(n * fine) + 0.5) / fine - 0.5) * voxel - centre
    z, y, x = np.meshgrid(axis, axis, axis, indexing="ij", sparse=True)
    sx, sy, sz = (rotation[k, 0] * x + rotation[k, 1] * y + rotation[k, 2] * z + middle[k] for k in range(3))
    m, b, s = -sz, sx, sy
    crown = _crown(m, b, s, size, 0.0)
    core = _crown(m, b, s, size, enamel)
    if cusps:
        wall = 0.65 * height
        tops = [1 - np.hypot(m - cm, b - cb) / (0.45 * min(length, width)) for cm, cb in cusps]
        relief = wall + (height - wall) * np.clip(np.max(tops, axis=0), 0, 1)
        column = np.hypot(m / (length / 2), b / (width / 2)) <= 1
        inner = np.hypot(m / (length / 2 - enamel), b / (width / 2 - enamel)) <= 1
        crown = (s >= 0) & (s <= relief) & column
        core = (s >= 0) & (s <= relief - enamel) & inner
    crown = crown & (s <= height * (1 - worn))
    taper = np.clip(1 + s / max(root, 1e-6) * 0.5, 0.3, 1)
    slim = 0.46 * length / len(roots)
    radius = np.min([np.hypot((m - at) / (slim * taper), b / (0.46 * width * taper)) for at in roots], axis=0)
    stem = (s < 0) & (s >= -root) & (radius <= 1)
    pulp = (stem & (radius <= canal) & (s > -0.9 * root)) if root > 0 else np.zeros_like(stem)
    tooth = crown | stem
    density = np.where(tooth, DENTINE, 0.0)
    density[crown & ~core] = ENAMEL
    density[pulp] = 0.0
    beside = [_crown(m + side * length, b, s, size, 0.0) & ~tooth for side in (1, -1) if neighbours]
    for column in beside:
        density[column] = ENAMEL
    if margin is not None:
        around = np.hypot(m / (length / 2 + gap), b / (width / 2 + gap))
        socket = (around <= 1) & (s > -root - gap)
        bone = (s <= margin) & (np.abs(m) < length / 2 + 0.8) & (np.abs(b) < width / 2 + 0.8) & ~socket
        if roof:
            lid = (s > height + 0.25) & (s <= height + 0.65) & (np.hypot(m, b) >= pore)
            walls = (s > margin) & (s <= height + 0.65) & (around > 1)
            bone |= (lid | walls) & (np.abs(m) < length / 2 + 0.8) & (np.abs(b) < width / 2 + 0.8)
        density[bone & ~tooth] = BONE

    def shrunk(a: npt.NDArray[np.floating] | npt.NDArray[np.bool_]) -> FloatArray:
        return a.reshape(n, fine, n, fine, n, fine).mean(axis=(1, 3, 5), dtype=float)

    grey = gaussian_filter(shrunk(density), blur)
    rng = np.random.default_rng(seed)
    grey = grey + rng.normal(0, noise, grey.shape)
    labels = (shrunk(tooth) > 0.5).astype(np.int32)
    for k, column in enumerate(beside):
        labels[(shrunk(column) > 0.5) & (labels == 0)] = k + 2
    to_skull = np.eye(4)
    to_skull[:3, :3] = rotation
    to_skull[:3, 3] = middle - rotation @ np.full(3, centre)
    unit = (voxel / fine) ** 3
    return Scanned(
        grey.astype(np.float32),
        labels,
        (voxel, voxel, voxel),
        to_skull,
        float((crown & ~core).sum()) * unit,
        float((tooth & ~pulp).sum()) * unit,
    )


ROW = np.array([[0.0, 0.0, 6.0], [0.0, 0.0, -6.0]])
"""A straight lower left row along which the phantom stands, six millimetres from its front end."""
