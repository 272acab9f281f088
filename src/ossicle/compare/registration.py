"""Laying one specimen on another: by skull pose, by landmarks, by surfaces, and one side mirrored onto the other.

Every way returns a `Placement`: the matrix that carries skull mm of the moved specimen into skull mm of the one that
stays, and what stays apart. A reflection is used for mirroring only, and then said.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from ossicle.errors import OssicleError

from .shape.procrustes import fit
from .specimens import Compared
from .surfaces import Surface, surface_of

__all__ = ["Placement", "by_landmarks", "by_pose", "by_surfaces", "closest_points", "mirrored_side"]

FloatArray = npt.NDArray[np.float64]
Way = Literal["skull pose", "landmarks", "surfaces", "mirror and surfaces"]
KEPT, ROUNDS, SETTLED, POINTS = 0.9, 150, 1e-6, 6000
MIRROR = np.diag([-1.0, 1.0, 1.0, 1.0])


@dataclass(frozen=True)
class Placement:
    """Where the moved specimen comes to lie.

    ``matrix`` (4, 4) acts on skull mm; ``scale`` is its factor of size (1 where size was left alone). ``residuals`` are
    the distances in mm that stay, by landmark name or in the order of points used; ``rms`` the root of their mean
    square. ``note`` says what a person should know.
    """

    way: Way
    matrix: FloatArray
    scale: float
    residuals: tuple[tuple[str, float], ...]
    rms: float
    count: int
    note: str = ""


def by_pose() -> Placement:
    """Both stand in skull pose: nothing is moved, and nothing is measured of how well it fits."""
    return Placement("skull pose", np.eye(4), 1.0, (), float("nan"), 0, "as good as both poses are")


def by_landmarks(
    moved: Compared, fixed: Compared, names: Sequence[str] | None = None, *, scale: bool = False
) -> Placement:
    """Lay one on the other by the landmarks that both have (least squares, a reflection refused).

    Raises
    ------
    OssicleError
        They share fewer than three, or one that was named is missing.
    """
    a, b = moved.landmarks, fixed.landmarks
    for name in names or ():
        for marks, s in ((a, moved), (b, fixed)):
            if name not in marks:
                raise OssicleError(
                    f"there is no landmark {name!r}", where=s.name, mend=f"choose from {', '.join(sorted(marks))}"
                )
    shared = list(names) if names is not None else [n for n in a if n in b]
    if len(shared) < 3:
        raise OssicleError(
            f"{moved.name} and {fixed.name} share {len(shared)} landmarks, and three are needed",
            mend="place them with `ossicle decide SPECIMEN landmark`, or lay them on each other by surfaces",
        )
    found = fit(np.array([a[n] for n in shared]), np.array([b[n] for n in shared]), scale=scale)
    note = "a mirror image would fit much better: one of the two scans may be mirrored" if found.looks_mirrored else ""
    rows = tuple((n, float(r)) for n, r in zip(shared, found.residuals, strict=True))
    return Placement("landmarks", found.matrix, found.scale, rows, found.rms, len(shared), note)


def by_surfaces(
    moved: Compared,
    fixed: Compared,
    moved_parts: Iterable[int],
    fixed_parts: Iterable[int],
    *,
    scale: bool = False,
    start: npt.ArrayLike | None = None,
) -> Placement:
    """Lay one on the other by the surfaces of chosen parts; ``start`` (4, 4) is where to begin, else in skull pose."""
    a, b = surface_of(moved, moved_parts), surface_of(fixed, fixed_parts)
    return closest_points(a, b, scale=scale, start=start)


def mirrored_side(s: Compared, moved_parts: Iterable[int], fixed_parts: Iterable[int]) -> Placement:
    """Mirror parts of one side at the midplane of the pose, and lay them on the other side's as a rigid body."""
    a = surface_of(s, moved_parts).moved(MIRROR)
    found = closest_points(a, surface_of(s, fixed_parts))
    return Placement(
        "mirror and surfaces",
        found.matrix @ MIRROR,
        1.0,
        found.residuals,
        found.rms,
        found.count,
        "; ".join(x for x in ("mirrored at the midplane", found.note) if x),
    )


def closest_points(
    moved: Surface,
    fixed: Surface,
    *,
    scale: bool = False,
    start: npt.ArrayLike | None = None,
    most_turn_deg: float = 60.0,
) -> Placement:
    """Lay a surface on another by trimmed iterative closest points, to the tangent plane.

    Besl & McKay 1992, IEEE Trans. Pattern Anal. Mach. Intell. 14:239; to the plane: Chen & Medioni 1992, Image Vis.
    Comput. 10:145; trimmed: Chetverikov et al. 2005, Image Vis. Comput. 23:299. The nearest 90 % of the points count,
    so that a broken process or an absent tooth does not pull; edges of the fixed surface are no special case.

    Raises
    ------
    OssicleError
        It turned by more than ``most_turn_deg`` from where it began: then it is no counterpart, or the start was wrong.
    """
    points = _spread(moved, POINTS)
    tree = cKDTree(fixed.vertices)
    begun = np.eye(4) if start is None else np.asarray(start, float)
    matrix = begun
    if start is None:  # centroids first: poses place the origin to a few mm only
        matrix = matrix.copy()
        matrix[:3, 3] += fixed.vertices.mean(axis=0) - (moved.vertices @ matrix[:3, :3].T + matrix[:3, 3]).mean(axis=0)
    if scale:
        spread = np.sqrt(_variance(fixed) / _variance(moved))
        centre = fixed.vertices.mean(axis=0)
        grown = np.eye(4)
        grown[:3, :3] *= spread
        grown[:3, 3] = centre * (1 - spread)
        matrix = grown @ matrix
    before = np.inf
    settled = False
    for _ in range(ROUNDS):
        laid = points @ matrix[:3, :3].T + matrix[:3, 3]
        gap, near = tree.query(laid)
        kept = gap <= np.quantile(gap, KEPT)
        step = _step(laid[kept], fixed.vertices[near[kept]], fixed.normals[near[kept]], scale)
        matrix = step @ matrix
        now = float(np.sqrt((gap[kept] ** 2).mean()))
        if abs(before - now) <= SETTLED * max(now, 1e-12):
            settled = True
            break
        before = now
    laid = points @ matrix[:3, :3].T + matrix[:3, 3]
    gap, near = tree.query(laid)
    off = np.abs(np.einsum("ij,ij->i", laid - fixed.vertices[near], fixed.normals[near]))
    off = np.where(gap > 3 * fixed.step_mm, gap, off)
    kept = gap <= np.quantile(gap, KEPT)
    linear, first = matrix[:3, :3], begun[:3, :3]
    size, size_before = np.cbrt(np.linalg.det(linear)), np.cbrt(np.linalg.det(first))
    turn = (linear / size) @ (first / size_before).T
    angle = float(np.rad2deg(np.arccos(np.clip((np.trace(turn) - 1) / 2, -1, 1))))
    if angle > most_turn_deg:
        raise OssicleError(
            f"the surfaces fit only after a turn of {angle:.0f}°, so they are taken for no counterparts",
            mend="choose other parts, or lay the specimens on each other by landmarks",
        )
    note = "" if settled else "the fit had not settled when it was stopped"
    rms = float(np.sqrt((off[kept] ** 2).mean()))
    return Placement("surfaces", matrix, float(size), tuple(("", float(v)) for v in off), rms, int(kept.sum()), note)


def _variance(s: Surface) -> float:
    return float(((s.vertices - s.vertices.mean(axis=0)) ** 2).sum(axis=1).mean())


def _spread(s: Surface, most: int) -> FloatArray:
    """At most so many vertices, evenly through the list; marching cubes lists them in order of place."""
    if len(s.vertices) <= most:
        return s.vertices
    some: FloatArray = s.vertices[np.linspace(0, len(s.vertices) - 1, most).astype(int)]
    return some


def _step(a: FloatArray, b: FloatArray, normals: FloatArray, scale: bool) -> FloatArray:
    """The small turn, shift and, if wanted, growth (4, 4) that brings ``a`` nearest to the planes at ``b``."""
    centre = a.mean(axis=0)
    r = a - centre
    columns = [np.cross(r, normals), normals]
    if scale:
        columns.append(np.einsum("ij,ij->i", r, normals)[:, None])
    system = np.hstack(columns)
    wanted = np.einsum("ij,ij->i", b - a, normals)
    solved, *_ = np.linalg.lstsq(system, wanted, rcond=1e-9)
    w, t = solved[:3], solved[3:6]
    angle = float(np.linalg.norm(w))
    turn = np.eye(3)
    if angle > 1e-12:
        x, y, z = w / angle
        k = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
        turn = np.eye(3) + np.sin(angle) * k + (1 - np.cos(angle)) * k @ k
    linear: FloatArray = turn * (float(np.clip(1 + solved[6], 0.8, 1.25)) if scale else 1.0)
    out = np.eye(4)
    out[:3, :3] = linear
    out[:3, 3] = centre + t - linear @ centre
    return out
