"""Openings measured by the membrane that would close them, not by counting pixels of a slice.

A hole in a sheet of bone is cut by the plane in which it is smallest; its rim is where the grey lies half-way between
bone and what fills the hole, taken between voxels. Blur draws a rim inwards by half its variance times the rim's
curvature; as the curvature of a closed rim adds up to 2 pi, the area lost is pi times the variance, whatever the form
(Gauss-Bonnet; the shift of a blurred edge is that of motion by mean curvature: Bence, Merriman & Osher 1992). That is
given back.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates
from scipy.optimize import minimize
from scipy.spatial import ConvexHull, QhullError
from skimage.measure import find_contours, points_in_poly

from .space import unit

__all__ = ["Membrane", "narrowest", "plane_axes", "rim_in_image", "section", "wall_beside"]

FloatArray = npt.NDArray[np.float64]
Sampler = Callable[[npt.NDArray[np.float64]], npt.NDArray[np.float32]]


@dataclass(frozen=True)
class Membrane:
    """What closes an opening: area (mm2), rim length, greatest length and width across it (mm), centre and normal
    (skull), and its rim (n, 3) in skull mm."""

    area: float
    perimeter: float
    length: float
    width: float
    centre: FloatArray
    normal: FloatArray
    rim: FloatArray

    def error(self, noise: float, blur: float) -> float:
        """Standard error (mm2) of the area, from noise and from an edge placed to a tenth of the blur.

        The rim is set by greys averaged over about a blur's width; an edge rises by 1 over sqrt(2 pi) blurs.
        """
        shift = np.hypot(noise * np.sqrt(2 * np.pi) * blur, 0.1 * blur)
        return float(self.perimeter * shift)


def plane_axes(normal: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Two unit vectors that span the plane across ``normal``."""
    n = unit(normal)
    x, y, z = n.tolist()
    # products by hand: numpy.cross takes most of a search among thousands of planes
    u = unit([(0.0, z, -y), (-z, 0.0, x), (y, -x, 0.0)][int(np.argmin(np.abs(n)))])
    a, b, c = u.tolist()
    return u, np.array([y * c - z * b, z * a - x * c, x * b - y * a])


def rim_in_image(image: npt.NDArray[np.floating], seed: tuple[float, float], level: float) -> FloatArray | None:
    """The closed line (n, 2) at ``level`` about the dark region that holds ``seed`` (row, column); None where it is
    open or the seed is bright."""
    best: FloatArray | None = None
    for line in find_contours(image, level):
        if len(line) < 4 or not np.allclose(line[0], line[-1]) or not points_in_poly([seed], line)[0]:
            continue
        if best is None or abs(_shoelace(line)) < abs(_shoelace(best)):
            best = line
    return best


def wall_beside(image: npt.NDArray[np.floating], line: FloatArray, reach: float) -> float:
    """The usual grey of the wall round a rim: the greatest outward of it within ``reach`` cells, at most 1."""
    out = line[:-1] - line[:-1].mean(0)
    out /= np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-9)
    path = line[:-1, None, :] + out[:, None, :] * np.linspace(0.2, 1.0, 6)[None, :, None] * reach
    seen = map_coordinates(image, np.moveaxis(path, -1, 0), order=1, mode="nearest")
    return float(min(1.0, np.median(seen.max(axis=1))))


def _shoelace(line: FloatArray) -> float:
    y, x = line[:, 0], line[:, 1]
    return float(0.5 * np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]))


def _spans(line: FloatArray) -> tuple[float, float]:
    """Greatest distance across a line, and its width across that direction."""
    try:
        corner = line[ConvexHull(line).vertices]
    except QhullError:
        return 0.0, 0.0
    gaps = corner[:, None] - corner[None]
    far = np.linalg.norm(gaps, axis=-1)
    i, j = np.unravel_index(int(np.argmax(far)), far.shape)
    if far[i, j] == 0:
        return 0.0, 0.0
    along = gaps[i, j] / far[i, j]
    across = corner @ np.array([-along[1], along[0]])
    return float(far[i, j]), float(np.ptp(across))


def from_line(
    line: FloatArray, step: float, place: Callable[[FloatArray], FloatArray], normal: FloatArray, blur: float
) -> Membrane:
    """A membrane from a closed line (n, 2) on a grid of ``step`` mm; ``place`` carries grid points to skull mm."""
    area = abs(_shoelace(line)) * step * step
    sides = np.linalg.norm(np.diff(line, axis=0), axis=1)
    perimeter = float(sides.sum()) * step
    length, width = (v * step for v in _spans(line))
    # Half axes of the ellipse that fits; its sharpest curvature tells how far blur drew the ends in.
    a, b = max(length / 2, 1e-6), max(width / 2, 1e-6)
    given = [min(blur**2 * k / 2, 0.5 * blur) for k in (a / b**2, b / a**2)]
    middle = (line[:-1] + line[1:]) / 2
    mean = (middle * sides[:, None]).sum(0) / max(sides.sum(), 1e-9)
    whole = area + np.pi * blur**2
    return Membrane(
        whole,
        perimeter + np.pi * blur**2 / max(np.sqrt(whole / np.pi), blur),
        length + 2 * given[0],
        width + 2 * given[1],
        place(mean[None])[0],
        normal,
        place(line),
    )


def section(
    sample: Sampler, centre: FloatArray, normal: FloatArray, reach: float, step: float, blur: float, level: float = 0.5
) -> Membrane | None:
    """The membrane in one plane; None where the hole is not closed within ``reach`` mm or the centre is bone."""
    u, v = plane_axes(normal)
    n = int(np.ceil(reach / step))
    grid = np.arange(-n, n + 1) * step
    points = centre + grid[:, None, None] * u + grid[None, :, None] * v
    image = sample(points)
    line = rim_in_image(image, (n, n), level)
    if line is None:
        return None
    wall = wall_beside(image, line, 2.5 * blur / step)
    if wall < 0.95:  # a plate hardly thicker than the blur never shows its full grey: half of what it shows is its edge
        line = rim_in_image(image, (n, n), level * max(wall, 0.7))
        if line is None:
            return None
    return from_line(line, step, lambda q: centre + (q[:, :1] - n) * step * u + (q[:, 1:] - n) * step * v, normal, blur)


def narrowest(
    sample: Sampler,
    centre: npt.ArrayLike,
    normal: npt.ArrayLike,
    *,
    reach: float,
    along: tuple[float, float],
    step: float,
    blur: float,
    tilt_deg: float = 35.0,
    level: float = 0.5,
) -> Membrane | None:
    """The smallest membrane near ``centre``: offset along ``normal`` within ``along`` (mm), tilt to ``tilt_deg``.

    ``sample`` gives greys (surround 0, bone 1) at skull points (..., 3); ``reach`` bounds the hole (mm), ``step`` is
    the sampling (mm), ``blur`` the blur (mm, standard deviation) of what is sampled. None where no plane closes it.
    """
    c, n = np.asarray(centre, float), unit(normal)
    u, v = plane_axes(n)

    def plane(p: npt.NDArray[np.float64], start: FloatArray) -> tuple[FloatArray, FloatArray]:
        tilted = unit(n + np.tan(p[1]) * u + np.tan(p[2]) * v)
        return start + p[0] * n, tilted

    best: Membrane | None = None
    begin, start = np.zeros(3), c
    for offset in np.linspace(along[0], along[1], 7):
        found = section(sample, start + offset * n, n, reach, step, blur, level)
        if found is not None and (best is None or found.area < best.area):
            best, begin = found, np.array([offset, 0.0, 0.0])
            c = found.centre - offset * n
    if best is None:
        return None
    start = c
    most = np.deg2rad(tilt_deg)

    def cost(p: npt.NDArray[np.float64]) -> float:
        if not along[0] <= p[0] <= along[1] or np.hypot(p[1], p[2]) > most:
            return 1e6
        where, way = plane(p, start)
        found = section(sample, where, way, reach, step, blur, level)
        return 1e5 if found is None else found.area

    simplex = begin + np.vstack([np.zeros(3), np.diag([0.15 * (along[1] - along[0]), 0.2, 0.2])])
    done = minimize(
        cost, begin, method="Nelder-Mead", options={"initial_simplex": simplex, "maxfev": 60, "xatol": 0.01}
    )
    where, way = plane(done.x, start)
    return section(sample, where, way, reach, step, blur, level) or best
