"""The petrosal as the dense bone round the labyrinth, where it is denser than the bone about it.

The bone of the otic capsule is among the densest of the skull (any handbook of the ear); where greys show that, it is
parted from its neighbours half-way between its own grey and theirs. Where they do not, nothing is told: the sutures
round it are seldom wider than a voxel.
"""

from __future__ import annotations

from dataclasses import dataclass

import cc3d
import edt
import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation, binary_erosion, gaussian_filter

from .labyrinth import Labyrinth
from .space import Space

__all__ = ["Petrosal", "find_petrosal"]

FloatArray = npt.NDArray[np.float64]

REACH = 4.5
"""How far from the labyrinth the petrosal reaches, in radii of the vestibule. Common practice, no source."""
LEAST_CONTRAST = 0.1
"""By what share of bone's grey the petrosal must be denser than its neighbours. Common practice, no source."""
MOST_CELLS = 1_200_000


@dataclass(frozen=True)
class Petrosal:
    """Cells of a petrosal (n, 3; skull mm) of ``step`` mm, and by how much its grey exceeds that of its neighbours."""

    points: FloatArray
    step: float
    contrast: float

    @property
    def volume_mm3(self) -> float:
        """Volume of its bone."""
        return len(self.points) * self.step**3


def find_petrosal(space: Space, labyrinth: Labyrinth, inner: FloatArray) -> tuple[Petrosal | None, str]:
    """Find the petrosal round a labyrinth whose cells are ``inner`` (n, 3; skull mm); None with the reason."""
    reach = REACH * labyrinth.vestibule_mm
    low, high = inner.min(0) - reach, inner.max(0) + reach
    step = max(space.voxel, float(np.cbrt(np.prod(high - low) / MOST_CELLS)))
    block = space.block(low, high, step)
    held = np.zeros(block.values.shape, bool)
    held[tuple(np.rint(block.index(inner)).astype(int).T)] = True
    far = edt.edt(~held, anisotropy=(step,) * 3, parallel=1)
    solid = block.values > 0.5
    # greys of bone only, off its faces by the blur, else thin bone would seem less dense than thick
    core = binary_erosion(solid, iterations=max(1, int(np.ceil(1.5 * space.blur_mm / step))))
    core |= solid & (far > 1.5 * space.blur_mm) & (far < 2.5 * space.blur_mm)
    weight = gaussian_filter(core.astype(np.float32), 1.5)
    smooth = gaussian_filter(np.where(core, block.values, 0).astype(np.float32), 1.5) / np.maximum(weight, 1e-3)
    own = core & (far < labyrinth.vestibule_mm)
    others = core & (far > 0.7 * reach)
    if own.sum() < 50 or others.sum() < 50:
        return None, "too little bone lies about the labyrinth to tell its grey from that of its neighbours"
    dense, usual = float(np.median(smooth[own])), float(np.median(smooth[others]))
    contrast = (dense - usual) / usual
    if contrast < LEAST_CONTRAST:
        return None, (
            f"the bone round the labyrinth is {max(contrast, 0) * 100:.0f} % brighter than the bone about it, and "
            f"{LEAST_CONTRAST * 100:.0f} % are needed to part them"
        )
    bright = core & (weight > 0.05) & (smooth > (dense + usual) / 2) & (far < reach)
    firm = binary_erosion(bright | held, iterations=1)
    pieces = cc3d.connected_components(firm, connectivity=6)
    near = pieces[(far < labyrinth.vestibule_mm) & firm]
    if not len(near):
        return None, "the dense bone round the labyrinth does not hang together"
    mine = pieces == np.bincount(near).argmax()
    back = binary_dilation(mine, iterations=1 + max(1, int(np.ceil(1.5 * space.blur_mm / step))))
    cells = back & solid & ~held & (bright | ~core)
    if _touches(cells):
        return None, "the dense bone round the labyrinth runs on without an end"
    return Petrosal(block.point(np.argwhere(cells)), step, contrast), ""


def _touches(cells: npt.NDArray[np.bool_]) -> bool:
    return any(bool(f.any()) for a in range(3) for f in (np.take(cells, 0, a), np.take(cells, -1, a)))
