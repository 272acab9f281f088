"""Surfaces of parts: from labels to triangles in skull mm.

Each part's mask is blurred by about a voxel and contoured at one half (marching cubes: Lewiner et al. 2003, J. Graphics
Tools 8:1), then thinned out by quadric errors (Garland & Heckbert 1997, SIGGRAPH) to its share of a budget. Blurring
leaves a flat surface in its place and moves a rounded one inwards by about sigma^2 / radius: a tenth of a voxel at a
radius of ten voxels. These surfaces are for the eye; measures are taken on the scan.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ossicle.reading.boxes import grown
from ossicle.scans.model import ArrayLike3D

__all__ = ["BUDGET", "Surface", "closed_volume", "shares", "surface_of", "thinned"]

FloatArray = npt.NDArray[np.float64]
BUDGET = 150_000
"""Triangles of all surfaces of one specimen, about."""
LEAST = 240
"""Triangles that even the smallest part keeps, where it has them."""
BLUR = 1.0
"""Blur of a mask before it is contoured, voxels (Gaussian sigma)."""
MOST_READ = 64_000_000
"""Voxels of a part's box that are looked at; of a larger one every second, fourth, eighth ... along each axis."""
LARGEST = 6_000_000
"""Voxels of a part's box above which it is contoured in means of 2, 3 ... voxels a side."""


@dataclass(frozen=True)
class Surface:
    """A closed surface: ``vertices`` (n, 3) mm, ``faces`` (m, 3), counter-clockwise as seen from outside."""

    vertices: npt.NDArray[np.float32]
    faces: npt.NDArray[np.uint32]

    @property
    def area_mm2(self) -> float:
        """Area of all triangles."""
        a, b, c = (self.vertices[self.faces[:, k]].astype(float) for k in range(3))
        return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)


def closed_volume(vertices: npt.NDArray[np.floating], faces: npt.NDArray[np.integer]) -> float:
    """Return the volume that a closed surface encloses, negative where its triangles turn inwards."""
    a, b, c = (np.asarray(vertices, float)[faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)


def surface_of(
    labels_zyx: ArrayLike3D,
    part: int,
    box: Sequence[slice],
    spacing_mm_zyx: Sequence[float],
    grid_to_skull: npt.NDArray[np.floating],
) -> Surface | None:
    """Return the surface of one part; None where it has no voxel.

    Parameters
    ----------
    labels_zyx
        The label volume, or anything that gives a box of it.
    part, box
        The label, and a box that holds all of it.
    spacing_mm_zyx
        Of the grid.
    grid_to_skull
        4x4, index (x, y, z) times spacing to skull mm.
    """
    wide = grown(box, labels_zyx.shape, 1)
    thin = 1
    while math.prod(-(-(s.stop - s.start) // thin) for s in wide) > MOST_READ:
        thin *= 2
    thinned_box = tuple(slice(s.start // thin * thin, s.stop, thin) for s in wide)
    mask = np.asarray(labels_zyx[thinned_box]) == part
    if thin > 1 and not mask.any():  # a thin sheet between the voxels looked at
        thinned_box, thin = tuple(wide), 1
        mask = np.asarray(labels_zyx[thinned_box]) == part
    if not mask.any():
        return None
    spacing = [float(s) * thin for s in spacing_mm_zyx]
    return contour(mask, [s.start // thin for s in thinned_box], spacing, grid_to_skull)


def contour(
    mask: npt.NDArray[np.bool_],
    start_zyx: Sequence[int],
    spacing_mm_zyx: Sequence[float],
    grid_to_skull: npt.NDArray[np.floating],
) -> Surface:
    """Return the surface of a mask (z, y, x), not empty, whose first voxel has the index ``start_zyx``."""
    from scipy.ndimage import gaussian_filter
    from skimage.measure import marching_cubes

    from ossicle.reading.working_grid import means

    step = 1
    while mask.size / step**3 > LARGEST:
        step += 1
    padded = np.pad(mask, [(3 * step, 3 * step + (-n) % step) for n in mask.shape])
    field: npt.NDArray[np.float32] = means(padded, step) if step > 1 else padded.astype(np.float32)
    sigma = BLUR / step
    blurred = gaussian_filter(field, sigma, truncate=3.0)
    while blurred.max() <= 0.55 and sigma > 0.2:  # a part one or two voxels thick
        sigma /= 2
        blurred = gaussian_filter(field, sigma, truncate=3.0)
    if blurred.max() <= 0.5:
        blurred = field
    vertices, faces, _, _ = marching_cubes(blurred, 0.5, allow_degenerate=False)
    index = vertices * step + (step - 1) / 2 - 3 * step + np.asarray(start_zyx, float)
    grid = (index * np.asarray(spacing_mm_zyx, float))[:, ::-1]
    matrix = np.asarray(grid_to_skull, float)
    skull = grid @ matrix[:3, :3].T + matrix[:3, 3]
    faces = faces.astype(np.uint32)
    if closed_volume(skull - skull.mean(axis=0), faces) < 0:
        faces = np.ascontiguousarray(faces[:, ::-1])
    return Surface(skull.astype(np.float32), faces)


def shares(areas: Mapping[int, float], teeth: set[int], budget: int = BUDGET) -> dict[int, int]:
    """Return how many triangles each part may have: teeth share half of the budget, all else the other half, by area.

    Where one of the two is not there, the other has it all.
    """
    out: dict[int, int] = {}
    groups = [[p for p in areas if p in teeth], [p for p in areas if p not in teeth]]
    groups = [g for g in groups if g]
    for group in groups:
        whole = sum(areas[p] for p in group)
        for part in group:
            out[part] = max(LEAST, round(budget / len(groups) * areas[part] / max(whole, 1e-12)))
    return out


def thinned(surface: Surface, triangles: int) -> Surface:
    """Return a surface with about so many triangles, still turned outwards; as it is where it has no more."""
    if len(surface.faces) <= triangles:
        return surface
    import fast_simplification

    centre = surface.vertices.mean(axis=0)
    points, faces = fast_simplification.simplify(
        np.ascontiguousarray(surface.vertices - centre),
        np.ascontiguousarray(surface.faces.astype(np.int32)),
        target_count=int(triangles),
        agg=4,
    )
    if len(faces) < 4:
        return surface
    kept = np.asarray(faces, np.uint32)
    if closed_volume(points, kept) < 0:
        kept = np.ascontiguousarray(kept[:, ::-1])
    return Surface(np.asarray(points, np.float32) + centre, kept)
