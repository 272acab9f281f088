"""Meshes of parts to hand on: closed, of the volume of their labels, simplified within a stated distance.

Each part's mask is blurred by 0.7 voxel and contoured by marching cubes (Lewiner et al. 2003, J. Graphics Tools 8:1) at
the level at which the surface encloses as much as the labels do: at one half, blur would take from whatever is thin or
small. It is then simplified by Manifold (manifold3d), which keeps surfaces closed and moves them by less than the
tolerance it is given; where that costs more than a hundredth of the volume, the tolerance is halved until it does not.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from ossicle.compare import Compared
from ossicle.errors import OssicleError
from ossicle.reading.boxes import grown
from ossicle.reading.records import Part
from ossicle.scans.model import ArrayLike3D

from .naming import names_of
from .surfaces import Surface, closed_volume

__all__ = ["PartMesh", "PrintCheck", "labels_of", "mesh_of", "meshes_of", "print_check", "true_contour"]

BLUR = 0.7
"""Blur of a mask before it is contoured, voxels (Gaussian sigma)."""
SHARE = 0.01
"""By how much of a part's volume simplifying may change it."""
_CLOSE = 0.002
_PAD = 4
Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class PrintCheck:
    """What a printer should know of a mesh.

    ``bodies`` are shells that do not touch, ``hollows`` shells turned inwards (closed cavities, which hold powder or
    resin), ``handles`` the holes that go through, ``thin_share`` the share of the volume where a wall is thinner than
    ``wall_mm`` of the print.
    """

    watertight: bool
    bodies: int
    hollows: int
    handles: int
    wall_mm: float
    thin_share: float


@dataclass(frozen=True)
class PartMesh:
    """A part's mesh, skull mm; ``error_mm`` is the tolerance that it was simplified with, the greatest that kept its
    volume."""

    part: Part
    name: str
    surface: Surface
    label_mm3: float
    error_mm: float

    @property
    def volume_mm3(self) -> float:
        """Volume that the mesh encloses."""
        middle = self.surface.vertices.mean(axis=0)
        return closed_volume(self.surface.vertices - middle, self.surface.faces)


def labels_of(s: Compared) -> ArrayLike3D:
    """Return the labels of a specimen.

    Raises
    ------
    OssicleError
        They are not at hand.
    """
    if s.parts is None:
        raise OssicleError(
            "the labels of its parts are not at hand, so it has no meshes",
            where=s.name,
            mend="keep parts.nii.gz beside account.json",
        )
    return s.parts


def meshes_of(
    s: Compared, parts: Sequence[int], error_mm: float | None = None, progress: Progress | None = None
) -> list[PartMesh]:
    """Return the meshes of parts, in their order; parts without a voxel are left out.

    Parameters
    ----------
    error_mm
        How far simplifying may move a surface; None: a quarter of a voxel.
    """
    out = []
    names = names_of(s.account)
    for number, part in enumerate(parts):
        if progress is not None:
            progress(names[part], number / max(len(parts), 1))
        made = mesh_of(s, part, error_mm)
        if made is not None:
            out.append(made)
    return out


def mesh_of(s: Compared, part: int, error_mm: float | None = None) -> PartMesh | None:
    """Return the mesh of one part; None where it has no voxel."""
    labels = labels_of(s)
    record = s.part(part)
    box = s.boxes[part - 1] if 0 < part <= len(s.boxes) else None
    if record is None or box is None:
        return None
    wide = grown(box, labels.shape, 1)
    mask = np.asarray(labels[wide]) == part
    error = s.voxel_mm / 4 if error_mm is None else error_mm
    voxel_mm3 = s.voxel_mm**3
    matrix = s.index_to_skull
    volume = float(np.count_nonzero(mask)) * voxel_mm3
    shape = true_contour(mask, [w.start for w in wide], matrix)
    surface, kept = _simplified(shape, volume, error)
    return PartMesh(record, names_of(s.account)[part], surface, volume, kept)


def true_contour(mask: npt.NDArray[np.bool_], start_zyx: Sequence[int], index_to_skull: npt.ArrayLike) -> Surface:
    """Return the closed surface of a mask (z, y, x), not empty, that encloses the volume of its voxels.

    Parameters
    ----------
    start_zyx
        Index of the mask's first voxel.
    index_to_skull
        4x4, index (x, y, z, 1) to skull mm.
    """
    from skimage.measure import marching_cubes

    field = gaussian_filter(np.pad(mask, _PAD).astype(np.float32), BLUR, truncate=4.0)
    count = int(np.count_nonzero(mask))
    flat = np.partition(field.ravel(), field.size - count)
    level = float(flat[field.size - count])
    low, high = 0.02, min(0.98, float(field.max()) * 0.98)
    above = below = None
    vertices = faces = None
    for _ in range(12):
        level = min(max(level, low + 1e-4), high - 1e-4)
        vertices, faces, _, _ = marching_cubes(field, level)
        ratio = abs(closed_volume(vertices - vertices.mean(axis=0), faces)) / count
        if abs(ratio - 1) < _CLOSE:
            break
        if ratio > 1:
            low, above = level, ratio - 1
        else:
            high, below = level, 1 - ratio
        if above is not None and below is not None:
            level = low + (high - low) * min(max(above / (above + below), 0.1), 0.9)
            continue
        # One end alone is known: by the slope of volume over level, taken from the field's own shell.
        shell = np.count_nonzero(np.abs(field - level) < 0.05) / 0.1
        step = 1.3 * (ratio - 1) * count / max(shell, 1.0)
        level = level + step if low < level + step < high else (low + high) / 2
    assert vertices is not None
    assert faces is not None
    index = (vertices - _PAD + np.asarray(start_zyx, float))[:, ::-1]
    matrix = np.asarray(index_to_skull, float)
    skull = index @ matrix[:3, :3].T + matrix[:3, 3]
    turned = faces.astype(np.uint32)
    if closed_volume(skull - skull.mean(axis=0), turned) < 0:
        turned = np.ascontiguousarray(turned[:, ::-1])
    return Surface(skull.astype(np.float32), turned)


def _manifold(surface: Surface) -> Any:
    import manifold3d

    made = manifold3d.Manifold(
        manifold3d.Mesh(
            np.ascontiguousarray(surface.vertices, np.float32), np.ascontiguousarray(surface.faces, np.uint32)
        )
    )
    if made.status() != manifold3d.Error.NoError or made.is_empty():
        raise ValueError(f"the surface is not closed: {made.status()}")
    return made


def _simplified(surface: Surface, volume: float, error: float) -> tuple[Surface, float]:
    # About the middle, so that single precision holds fine steps.
    middle = surface.vertices.mean(axis=0)
    whole = _manifold(Surface(surface.vertices - middle, surface.faces))
    before = float(whole.volume())
    kept = whole
    while error > 1e-4:
        kept = whole.simplify(error)
        if not kept.is_empty() and abs(kept.volume() - before) < (SHARE - _CLOSE) * volume:
            break
        kept = whole
        error /= 2
    mesh = kept.to_mesh()
    vertices = np.asarray(mesh.vert_properties, np.float32)[:, :3] + middle
    return Surface(vertices, np.asarray(mesh.tri_verts, np.uint32)), error if kept is not whole else 0.0


def print_check(mesh: PartMesh, s: Compared, wall_mm: float = 0.4, enlarged: float = 1.0) -> PrintCheck:
    """Return what a printer should know of a mesh that is printed so many times as large.

    Thin is what no ball of the wall's width reaches within the part (opening of the mask by a ball; Serra 1982, Image
    Analysis and Mathematical Morphology). 0.4 mm is the usual nozzle of filament printers (common practice, no source).
    """
    import edt

    made = _manifold(mesh.surface)
    shells = made.decompose()
    volumes = [float(x.volume()) for x in shells]
    genus = sum(int(x.genus()) for x in shells)
    box = s.boxes[mesh.part.part - 1]
    assert box is not None
    mask = np.pad(np.asarray(labels_of(s)[box]) == mesh.part.part, 2)
    spacing = tuple(float(v) for v in s.account.scan.spacing_mm_zyx)
    # A wall of n voxels has a middle that lies n/2 voxels from air, give or take half a voxel.
    radius = wall_mm / enlarged / 2
    deep = edt.edt(mask, anisotropy=spacing, black_border=True) - min(spacing) / 2 >= radius - 1e-9
    near = edt.edt(~deep, anisotropy=spacing) <= radius + min(spacing) if deep.any() else np.zeros_like(mask)
    thin = float(np.count_nonzero(mask & ~near)) / max(int(np.count_nonzero(mask)), 1)
    return PrintCheck(
        watertight=_watertight(mesh.surface),
        bodies=sum(v > 0 for v in volumes),
        hollows=sum(v < 0 for v in volumes),
        handles=genus,
        wall_mm=wall_mm,
        thin_share=thin,
    )


def _watertight(surface: Surface) -> bool:
    """True where each edge is run through once in each direction."""
    f = surface.faces.astype(np.int64)
    edges = np.concatenate([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]])
    size = len(surface.vertices)
    there = np.sort(edges[:, 0] * size + edges[:, 1])
    back = np.sort(edges[:, 1] * size + edges[:, 0])
    return bool(len(there) and np.array_equal(there, back) and (np.diff(there) > 0).all())
