"""The plane of bilateral symmetry of a cloud of bone, by reflecting it onto itself.

For a plane with unit normal n and offset d, every point p is reflected to p - 2 (n.p - d) n; the score is the mean
over points of exp(-(D/tau)^2), D being the distance from the reflected point to the nearest bone. Broken or displaced
pieces lose their share of the score and no more. A coarse search over the half-sphere of normals is followed by
refinement with smaller tau.
"""

from __future__ import annotations

from dataclasses import dataclass

import edt
import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize

__all__ = ["SymmetryPlane", "find_plane"]

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class SymmetryPlane:
    """A plane n.p = d in mm (x, y, z), with its score 0 to 1 and the best score of an unlike plane."""

    normal: FloatArray
    offset: float
    score: float
    runner_up: float


def half_sphere(count: int) -> FloatArray:
    """Return ``count`` nearly even unit vectors (count, 3) on the half-sphere z >= 0 (spiral of Fibonacci)."""
    k = np.arange(count) + 0.5
    z = k / count
    turn = np.pi * (1 + 5**0.5) * k
    radius = np.sqrt(1 - z**2)
    return np.stack([radius * np.cos(turn), radius * np.sin(turn), z], axis=-1)


class _Field:
    """Distance in mm to the nearest bone on a coarse grid, with look-up at points (x, y, z) mm."""

    def __init__(
        self, mask_zyx: npt.NDArray[np.bool_], spacing_mm_zyx: tuple[float, float, float], reach: float
    ) -> None:
        pad = [int(np.ceil(reach / s)) for s in spacing_mm_zyx]
        padded = np.pad(mask_zyx, [(p, p) for p in pad])
        self.distance = edt.edt(~padded, anisotropy=spacing_mm_zyx, parallel=1).astype(np.float32)
        self.step = np.array(spacing_mm_zyx[::-1])
        self.pad = np.array(pad[::-1], float)
        self.far = reach * 4

    def __call__(self, points: FloatArray) -> npt.NDArray[np.float32]:
        index = np.rint(points / self.step + self.pad).astype(np.int32)
        nz, ny, nx = self.distance.shape
        x, y, z = index[..., 0], index[..., 1], index[..., 2]
        ok = (x >= 0) & (x < nx) & (y >= 0) & (y < ny) & (z >= 0) & (z < nz)
        flat = (np.where(ok, z, 0) * ny + np.where(ok, y, 0)) * nx + np.where(ok, x, 0)
        found: npt.NDArray[np.float32] = np.where(ok, self.distance.ravel()[flat], np.float32(self.far))
        return found


def _score(points: FloatArray, field: _Field, normal: FloatArray, offset: FloatArray, tau: float) -> FloatArray:
    """Score for one normal and several offsets: (k,)."""
    along = points @ normal
    moved = points[None] - 2 * (along[None, :] - offset[:, None])[..., None] * normal
    return np.asarray(np.exp(-((field(moved) / tau) ** 2)).mean(axis=1), float)


def find_plane(
    mask_zyx: npt.NDArray[np.bool_],
    spacing_mm_zyx: tuple[float, float, float],
    *,
    directions: int = 700,
    points: int = 2500,
    weights: npt.NDArray[np.float32] | None = None,
) -> SymmetryPlane:
    """Find the best plane of mirror symmetry of ``mask_zyx`` (coarse: sides of 40 to 100 voxels serve).

    ``weights``, of the same shape, biases which voxels are drawn as points. The draw is seeded: same input, same
    plane.
    """
    where = np.argwhere(mask_zyx)
    rng = np.random.default_rng(20)
    chance = None
    if weights is not None:
        chance = weights[tuple(where.T)].astype(float)
        chance = chance / chance.sum()
    take = rng.choice(len(where), min(points, len(where)), replace=False, p=chance)
    cloud = where[take][:, ::-1] * np.array(spacing_mm_zyx[::-1])
    size = float(np.linalg.norm(cloud.max(0) - cloud.min(0)))
    field = _Field(mask_zyx, spacing_mm_zyx, 0.15 * size)
    tau = max(0.02 * size, 1.2 * max(spacing_mm_zyx))
    centre = cloud.mean(axis=0)
    normals = half_sphere(directions)
    shifts = np.linspace(-0.12, 0.12, 13) * size
    few = cloud[:: max(1, len(cloud) // 700)]
    table = np.array([_score(few, field, n, centre @ n + shifts, tau) for n in normals])
    best_of = table.max(axis=1)
    order = np.argsort(best_of)[::-1]
    found: list[tuple[float, FloatArray, float]] = []
    for row in order[:200]:
        if any(abs(float(normals[row] @ n)) > np.cos(0.30) for _, n, _ in found):
            continue
        start_offset = float(centre @ normals[row] + shifts[int(np.argmax(table[row]))])
        found.append(_refine(cloud, field, centre, normals[row], start_offset, tau))
        if len(found) >= 6:
            break
    found.sort(key=lambda item: -item[0])
    score, normal, offset = found[0]
    rivals = [s for s, n, _ in found[1:] if abs(float(n @ normal)) < np.cos(0.35)]
    return SymmetryPlane(normal, offset, score, max(rivals, default=0.0))


def _refine(
    cloud: FloatArray, field: _Field, centre: FloatArray, normal: FloatArray, offset: float, tau: float
) -> tuple[float, FloatArray, float]:
    across = np.linalg.svd(normal[None])[2][1:]
    shift = offset - float(centre @ normal)

    def plane(q: FloatArray) -> tuple[FloatArray, float]:
        n = normal + q[0] * across[0] + q[1] * across[1]
        n = n / np.linalg.norm(n)
        return n, float(centre @ n) + float(q[2])

    q = np.array([0.0, 0.0, shift])
    value = 0.0
    for width in (tau, tau / 2):

        def loss(q: FloatArray, width: float = width) -> float:
            n, d = plane(q)
            return -float(_score(cloud, field, n, np.array([d]), width)[0])

        steps = np.array([[0, 0, 0], [0.08, 0, 0], [0, 0.08, 0], [0, 0, 2 * tau]]) * (width / tau)
        result = minimize(
            loss,
            q,
            method="Nelder-Mead",
            options={"initial_simplex": q + steps, "xatol": 1e-4, "fatol": 1e-5, "maxiter": 160},
        )
        q, value = result.x, -float(result.fun)
    n, d = plane(q)
    return value, n, d
