"""The endocranial cavity and the foramen magnum.

Air within the cranium is parted from air without by a watershed on its distance from bone (Beucher & Lantuejoul 1979;
Meyer & Beucher 1990): the two floods meet in every foramen where it is narrowest, so that each is closed by a membrane
of its own and no radius of closing need be chosen.
"""

from __future__ import annotations

from dataclasses import dataclass

import cc3d
import edt
import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation
from skimage.segmentation import watershed

from .membrane import narrowest
from .records import Braincase, Opening, Value
from .space import Block, Space

__all__ = ["Cavity", "enclosed_cavity", "read_braincase", "sides_walled"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

MOST_CELLS = 1_600_000
INSIDE, OUTSIDE = 1, 2


@dataclass(frozen=True)
class Cavity:
    """The box that was looked at, which of its cells are solid, within (1) and without (2), and the deepest cell."""

    block: Block
    solid: BoolArray
    zones: npt.NDArray[np.int32]
    deepest: tuple[int, int, int]
    depth_mm: float

    @property
    def within(self) -> BoolArray:
        """Cells of the cavity."""
        out: BoolArray = self.zones == INSIDE
        return out


def sides_walled(solid: BoolArray) -> npt.NDArray[np.uint8]:
    """Of how many of the six directions along the axes each cell is walled off by something solid."""
    out = np.zeros(solid.shape, np.uint8)
    for axis in range(3):
        out += np.logical_or.accumulate(solid, axis=axis)
        out += np.flip(np.logical_or.accumulate(np.flip(solid, axis), axis=axis), axis)
    return out


def enclosed_cavity(space: Space, cranium: int) -> Cavity | None:
    """Find the largest cavity that bone walls off on five sides or six, in the hind two thirds of the cranium."""
    where = np.argwhere(space.labels[::3, ::3, ::3] == cranium) * 3
    if len(where) < 100:
        return None
    points = space.skull_mm(where)
    low, high = points.min(0), points.max(0)
    low[2] = low[2] - 1.0
    high[2] = low[2] + 0.7 * (high[2] - low[2])
    low[:2] -= 0.02 * (high[2] - low[2])
    high[:2] += 0.02 * (high[2] - low[2])
    step = max(space.voxel, float(np.cbrt(np.prod(high - low) / MOST_CELLS)))
    block = space.block(low, high, step)
    solid = block.values > 0.5
    void = ~solid
    depth = edt.edt(void, anisotropy=(step,) * 3, black_border=False, parallel=1)
    walled = sides_walled(solid)
    middle = np.abs(block.axis(0)) < 0.12 * float(np.ptp(points[:, 2]))
    core = np.where((walled >= 5) & void & middle[:, None, None], depth, 0)
    seat = np.unravel_index(int(np.argmax(core)), core.shape)
    deepest = float(core[seat])
    if deepest < 4 * step:
        return None
    markers = np.zeros(solid.shape, np.int32)
    pieces = cc3d.connected_components((depth > 0.55 * deepest) & (walled >= 5), connectivity=6)
    markers[pieces == pieces[seat]] = INSIDE
    edge = np.ones(solid.shape, bool)
    edge[1:-1, 1:-1, 1:-1] = False
    outer = void & (edge | (walled <= 3)) & (markers == 0)
    outer[:, :, -1] = void[:, :, -1]
    markers[outer & (markers == 0)] = OUTSIDE
    zones = watershed(-depth, markers, mask=void).astype(np.int32)
    return Cavity(block, solid, zones, (int(seat[0]), int(seat[1]), int(seat[2])), deepest)


def read_braincase(space: Space, cranium: int) -> tuple[Braincase, Cavity | None]:
    """Measure the endocranial volume and the foramen magnum."""
    cavity = enclosed_cavity(space, cranium)
    if cavity is None:
        return Braincase(None, None, None, "no cavity is walled off by bone on five sides"), None
    within, step = cavity.within, cavity.block.step
    at = cavity.block.point(np.argwhere(within))
    edge = _touches(within)
    contact = within & binary_dilation(~within)
    cells = float(within.sum()) * step**3
    surface = float(contact.sum()) * step**2
    volume = Value(cells, surface * max(0.1 * space.blur_mm, 0.02 * step))
    magnum = _magnum(space, cavity)
    if edge:
        return Braincase(None, magnum, at.mean(0), "the cavity is cut by the edge of the scan"), cavity
    return Braincase(volume, magnum, at.mean(0)), cavity


def _touches(within: BoolArray) -> bool:
    faces = (within[0], within[-1], within[:, 0], within[:, -1], within[:, :, 0])
    return any(bool(f.any()) for f in faces)


def _magnum(space: Space, cavity: Cavity) -> Opening | None:
    """The largest way out at the cavity's hind end, near the midplane."""
    within, step = cavity.within, cavity.block.step
    seam = within & binary_dilation(cavity.zones == OUTSIDE)
    pieces = cc3d.connected_components(seam, connectivity=26)
    centre = cavity.block.point(np.argwhere(within)).mean(0)
    best = None
    for k in range(1, int(pieces.max()) + 1):
        at = np.argwhere(pieces == k)
        middle = cavity.block.point(at).mean(0)
        if middle[2] > centre[2] or abs(middle[0]) > 0.35 * cavity.depth_mm + 2 * step:
            continue
        if best is None or len(at) > best[0]:
            best = (len(at), middle)
    if best is None or best[0] < 12:
        return None
    radius = float(np.sqrt(best[0] * step**2 / np.pi))
    way = best[1] - centre
    m = narrowest(
        space.at,
        best[1],
        way,
        reach=3.0 * radius,
        along=(-0.8 * radius, 0.8 * radius),
        step=max(0.5 * space.voxel, radius / 25),
        blur=space.sampled_blur,
        tilt_deg=50,
    )
    if m is None:
        return None
    fault = 0.29 * space.voxel * np.sqrt(2)
    return Opening(
        "foramen magnum",
        "midline",
        Value(m.area, m.error(space.noise, space.blur_mm)),
        Value(m.length, fault),
        Value(m.width, fault),
        m.perimeter,
        m.centre,
        m.rim,
        0.95,
        "the largest way out of the braincase behind",
    )
