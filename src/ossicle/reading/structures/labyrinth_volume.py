"""How much the bony labyrinth holds, with the canals that blur greys: what its cells lack of the wall's grey.

The rooms that make up a labyrinth hold its vestibule and the wide parts of its canals; cochlea and semicircular canals
are often so thin that their middle is no longer dark. They are known by their middle lines, so the space about those
counts for what it lacks.
"""

from __future__ import annotations

from collections.abc import Mapping

import cc3d
import edt
import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation
from scipy.spatial import cKDTree

from .cochlea import DARKEST, sharpened
from .labyrinth import LABYRINTH, Labyrinth
from .records import Value
from .space import Space

__all__ = ["labyrinth_volume"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

COCHLEA, CANAL = 0.42, 0.28
"""Half the width of the cochlear canal at its base and of a semicircular canal, in radii of the vestibule: no more of
the space about their lines is theirs. Common practice, no source."""


def labyrinth_volume(
    space: Space, labyrinth: Labyrinth, lines: Mapping[str, FloatArray]
) -> tuple[Value, BoolArray, FloatArray]:
    """The labyrinth's volume (mm3), its cells with those of the canals about ``lines`` (n, 3; skull mm), and the first
    of these cells' place (skull mm; cells of the labyrinth's step).

    Cells nearer to what lies without (middle ear, braincase) than to the labyrinth are not its own.
    """
    step, reach = labyrinth.step, 2.0 * space.blur_mm
    room = int(np.ceil((reach + COCHLEA * labyrinth.vestibule_mm) / step)) + 2
    mask = np.pad(labyrinth.mask, room)
    zones = np.pad(labyrinth.zones, room, mode="edge")
    low = labyrinth.low - room * step
    cells = tuple(slice(0, n) for n in mask.shape)
    grey = space.block(low, low + (np.array(mask.shape) - 1) * step, step).values[cells]
    about = np.zeros(mask.shape, bool)
    for name, line in lines.items():
        wide = COCHLEA if name == "cochlea" else CANAL
        about |= _about(line, low, step, mask.shape, wide * labyrinth.vestibule_mm)
    mask = _near_piece(mask, about, 0.6 * labyrinth.vestibule_mm / step)
    inner = mask | (about & ((zones == LABYRINTH) | (zones == 0)))
    own = mask | (inner & (sharpened(grey, space.blur_mm / step) < DARKEST))
    near = edt.edt(~inner, parallel=1) * step
    other = edt.edt((zones == LABYRINTH) | (zones == 0), parallel=1) * step
    held = inner | ((near < reach) & (near < other) & (zones == 0))
    wall = _wall(grey, near, other, zones, reach, max(0.8, labyrinth.wall))
    lacking = np.where(held & ((other > near) | mask), 1 - grey / wall, 0)
    faces = float((own & binary_dilation(~own)).sum()) * step**2
    volume = Value(float(lacking.sum()) * step**3, faces * max(0.15 * space.blur_mm, 0.1 * step))
    return volume, own, low


def _near_piece(mask: BoolArray, about: BoolArray, reach: float) -> BoolArray:
    """The largest piece of cells, and others that meet the space about a line or lie within ``reach`` cells of it:
    hollows of the bone farther off are no part of the labyrinth."""
    pieces, count = cc3d.connected_components(mask, connectivity=26, return_N=True)
    if count < 2:
        return mask
    main = pieces == int(np.bincount(pieces.ravel())[1:].argmax()) + 1
    near = edt.edt(~main, parallel=1) <= reach
    held = np.zeros(count + 1, bool)
    held[np.unique(pieces[mask & (near | about)])] = True
    held[0] = False
    out: BoolArray = held[pieces]
    return out


def _about(line: FloatArray, low: FloatArray, step: float, shape: tuple[int, ...], reach: float) -> BoolArray:
    """Cells within ``reach`` mm of a line (n, 3)."""
    out = np.zeros(shape, bool)
    first = np.maximum(np.floor((line.min(0) - reach - low) / step).astype(int), 0)
    last = np.minimum(np.ceil((line.max(0) + reach - low) / step).astype(int) + 1, shape)
    if (last <= first).any():
        return out
    grid = np.stack(np.meshgrid(*(np.arange(a, b) for a, b in zip(first, last, strict=True)), indexing="ij"), axis=-1)
    far = cKDTree(_dense(line, step)).query(low + grid * step, distance_upper_bound=reach)[0]
    out[tuple(slice(a, b) for a, b in zip(first, last, strict=True))] = np.isfinite(far)
    return out


def _dense(line: FloatArray, step: float) -> FloatArray:
    """The line with points no farther apart than ``step`` mm."""
    long = np.r_[0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]
    even = np.linspace(0, long[-1], max(2, int(long[-1] / step) + 1))
    return np.stack([np.interp(even, long, line[:, i]) for i in range(3)], axis=1)


def _wall(
    grey: npt.NDArray[np.float32],
    near: FloatArray,
    other: FloatArray,
    zones: npt.NDArray[np.int32],
    reach: float,
    usual: float,
) -> float:
    """Grey of the bone just beyond the labyrinth's blur; ``usual`` where there is hardly any."""
    shell = (near > reach) & (near < 2 * reach) & (other > reach) & (zones == 0)
    return float(np.median(grey[shell])) if shell.sum() > 50 else usual
