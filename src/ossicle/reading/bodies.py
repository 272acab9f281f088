"""What else lies in a scan beside the specimen read: other specimens, and metal.

A head is a body of bone of its own, large, and alike on both sides of one plane and of no other; a detached dentary is
a plate, which is as alike on both sides of its blade as across it. So several heads in one scan are told from one head
with its dentaries beside it. Heads that touch are not told apart.

Metal takes far more X-rays than any tissue: enamel has up to about three times the attenuation of poorly mineralised
bone (from hydroxyapatite densities of 0.8 to 2.8 g/cm3; values from memory), steel and tin ten times and more, so that
it mostly runs into the upper end of the stored greys.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cc3d
import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation, distance_transform_edt

from ossicle.errors import OssicleError
from ossicle.scans.model import ArrayLike3D

from .greys import Normalised, normalise
from .phantom import Rod, find_rods, rod_mask
from .statistics import Levels
from .symmetry import find_plane
from .working_grid import WorkingGrid, means

__all__ = ["Company", "Heads", "find_heads", "find_metal", "of_one_specimen", "without_company"]

LARGE = 0.35
"""Share of the largest body's volume from which another may be a head of its own."""
ALIKE, ALONE = 0.8, 0.25
"""Score of a head's plane of symmetry (see `symmetry`), and how far it exceeds that of any unlike plane. Heads seen:
0.88 to 0.93 and 0.39 to 0.47; detached dentaries 0.79 to 0.81 and 0.09 to 0.12."""
METAL = 4.0
"""Grey (surround 0, bone 1) from which a voxel is metal whatever its neighbours."""
CLIPPED = 2.4
"""Grey from which it is metal if it belongs to a piece of which much is at the upper end of the stored greys."""
SMALLEST = 30
"""Voxels of the smallest piece of metal."""


@dataclass(frozen=True)
class Heads:
    """Whose each voxel is, int8 (z, y, x): 0 of none, 1 the largest head's, 2 the next; and how many there are."""

    owner: npt.NDArray[np.int8]
    count: int


def find_heads(values: npt.NDArray[np.float32], spacing_mm_zyx: tuple[float, float, float]) -> Heads:
    """Find the heads in greys with surround 0 and bone 1 (z, y, x), largest first.

    Lesser bodies, dentaries among them, go to the head they lie nearest to. With fewer than two heads ``count`` is 1
    and everything belongs to the first.
    """
    pieces = cc3d.connected_components(values > 0.5, connectivity=26)
    size = np.bincount(pieces.ravel())
    size[0] = 0
    large = [int(k) for k in np.argsort(-size, kind="stable") if size[k] > LARGE * size.max(initial=1)]
    boxes = cc3d.statistics(pieces)["bounding_boxes"]
    heads = [k for k in large if len(large) > 1 and _is_head(pieces[boxes[k]] == k, spacing_mm_zyx)]
    if len(heads) < 2:
        return Heads(np.ones(values.shape, np.int8), 1)
    table = np.zeros(len(size), np.int8)
    table[heads] = np.arange(1, len(heads) + 1)
    step = max(1, int(np.ceil(max(values.shape) / 96)))
    few = table[pieces[::step, ::step, ::step]]
    away = np.stack(
        [distance_transform_edt(few != k + 1, sampling=np.array(spacing_mm_zyx) * step) for k in range(len(heads))]
    )
    owner = (1 + away.argmin(axis=0)).astype(np.int8)
    for axis in range(3):
        owner = np.repeat(owner, step, axis=axis)
    owner = owner[tuple(slice(0, n) for n in values.shape)]
    # A head's own voxels are its own, however near the other lies; a lesser body goes whole where its middle does.
    middle = np.nan_to_num(cc3d.statistics(pieces)["centroids"]).astype(int)
    rest = owner[tuple(np.clip(middle.T, 0, np.array(values.shape)[:, None] - 1))]
    whole = np.where(table > 0, table, rest)
    return Heads(np.where(pieces > 0, whole[pieces], owner).astype(np.int8), len(heads))


def _is_head(body: npt.NDArray[np.bool_], spacing_mm_zyx: tuple[float, float, float]) -> bool:
    step = max(1, int(np.ceil(max(body.shape) / 64)))
    coarse = means(np.pad(body, [(0, -n % step) for n in body.shape]).astype(np.float32), step) > 0.2
    z, y, x = spacing_mm_zyx
    plane = find_plane(coarse, (z * step, y * step, x * step), directions=300, points=1500)
    return plane.score > ALIKE and plane.score - plane.runner_up > ALONE


def find_metal(values: npt.NDArray[np.float32], grey: npt.NDArray[np.float32]) -> npt.NDArray[np.bool_]:
    """Find metal, (z, y, x), with the voxel round it that blur brightens.

    ``values`` are greys with surround 0 and bone 1; ``grey`` the stored ones, whose greatest value is where they end.
    """
    bright = values > CLIPPED
    if not bright.any():
        return np.zeros(values.shape, np.bool_)
    pieces = cc3d.connected_components(bright, connectivity=26)
    size = np.bincount(pieces.ravel())
    top = float(grey.max())
    at_end = np.bincount(pieces.ravel(), weights=(grey >= top - 1e-6 * abs(top)).ravel())
    far = np.bincount(pieces.ravel(), weights=(values > METAL).ravel())
    metal = (size >= SMALLEST) & (np.maximum(at_end, far) > 0.3 * size) & (np.arange(len(size)) > 0)
    found: npt.NDArray[np.bool_] = metal[pieces]
    return binary_dilation(found, iterations=2) if found.any() else found


@dataclass(frozen=True)
class Company:
    """What was left out of a reading: bool (z, y, x) of ``metal`` and of the rods of a density ``phantom``, and the
    rods with their stored greys. ``own`` is where the specimen read lies, of several; None where there is one."""

    metal: npt.NDArray[np.bool_]
    phantom: npt.NDArray[np.bool_]
    rods: tuple[Rod, ...]
    own: npt.NDArray[np.bool_] | None = None


def without_company(
    normal: Normalised, grid: WorkingGrid, separable: bool, specimen: int, warnings: list[str]
) -> tuple[Normalised, Company]:
    """Return the greys of one specimen alone, all else being surround, and what was left out.

    It is also said in ``warnings``.

    Raises
    ------
    OssicleError
        There is no head of the number ``specimen``, counted from the largest.
    """
    shape = normal.values.shape
    if not separable:
        _only_one(specimen, 1)
        return normal, Company(np.zeros(shape, np.bool_), np.zeros(shape, np.bool_), ())
    own = None
    rods = find_rods(normal.values, normal.noise, grid.grey)
    phantom = rod_mask(rods, shape)
    metal = find_metal(normal.values, grid.grey) & ~phantom
    values = normal.values
    if rods:
        values = np.where(phantom, np.float32(0), values)
    if metal.any():
        values = np.where(metal, np.float32(0), values)
        warnings.append(
            "The scan holds metal (a pin, wire or tag). It was left out of the reading; near it greys are streaked, "
            "so look twice at what lies beside it."
        )
    heads = find_heads(values, grid.spacing_mm_zyx)
    _only_one(specimen, heads.count)
    if heads.count > 1:
        warnings.append(
            f"The scan holds {heads.count} heads apart from one another, and what lies beside them; this is the "
            f"reading of number {specimen}, counted from the largest. Read each of the others by its number, or take "
            "it in with the box it lies in."
        )
        own = heads.owner == specimen
        values = np.where(own, values, np.float32(0))
    if values is not normal.values:
        solid = values[values > 0.5]
        enamel = float(np.quantile(solid[::3], 0.995)) if solid.size > 100 else 1.0
        normal = replace(normal, values=np.asarray(values, np.float32), enamel=enamel)
    return normal, Company(metal, phantom, rods, own)


def of_one_specimen(
    volume: ArrayLike3D, grid: WorkingGrid, specimen: int, warnings: list[str], *, threads: int = 1
) -> tuple[WorkingGrid, Normalised, Levels, float, Company]:
    """Normalise a scan and leave all but one specimen out, as `without_company`; with the grid, levels and noise.

    Where several heads lie in a scan so large that its grid is coarser than the scan, the one read gets a grid of its
    own: it would otherwise be seen on fewer voxels than if it lay alone.
    """
    normal, levels, noise = normalise(grid.grey)
    one, company = without_company(normal, grid, levels.separable, specimen, warnings)
    if company.own is None or grid.factor <= 1:
        return grid, one, levels, noise, company
    near = grid.about(volume, company.own & (one.values > 0.5), threads=threads)
    if near.factor >= grid.factor:
        return grid, one, levels, noise, company
    normal, levels, noise = normalise(near.grey)
    values = np.where(near.of_coarser(company.own, grid), normal.values, np.float32(0))
    again: list[str] = []
    one, beside = without_company(replace(normal, values=values), near, levels.separable, 1, again)
    warnings.extend(said for said in again if said not in warnings)
    return near, one, levels, noise, replace(beside, rods=company.rods)


def _only_one(specimen: int, count: int) -> None:
    if not 1 <= specimen <= count:
        raise OssicleError(
            f"the scan holds {count} head{'' if count == 1 else 's'} apart from one another, not {specimen}",
            where="the scan",
            mend=f"ask for one from 1 to {count}",
        )
