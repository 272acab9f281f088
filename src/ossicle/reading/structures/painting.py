"""Cavities and openings as parts of the label volume: laid only where nothing else is labelled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from skimage.measure import points_in_poly

from ..elements import Element
from ..records import PartKind
from .braincase import Cavity
from .ear import EarRead
from .membrane import plane_axes
from .records import Ear, Opening, Paired
from .space import Space, spread

__all__ = ["Painter"]

FloatArray = npt.NDArray[np.float64]


@dataclass
class Painter:
    """Lays parts into ``labels`` (a copy of the space's) from label ``following`` on."""

    space: Space
    labels: npt.NDArray[np.int32]
    following: int
    elements: list[Element]

    @classmethod
    def on(cls, space: Space) -> Painter:
        """A painter on a copy of the labels."""
        return cls(space, space.labels.copy(), int(space.labels.max()) + 1, [])

    def cells(
        self,
        points: FloatArray,
        kind: PartKind,
        term: str,
        side: Paired | None,
        certain: float,
        over: int | None = None,
    ) -> int | None:
        """Label the voxels nearest to ``points`` (n, 3) skull mm; None where none is free.

        With ``over``, a bone's label, only solid voxels that are that bone's or no part's are taken.
        """
        index = np.rint(self.space.indices(points)).astype(int)
        fits = ((index >= 0) & (index < np.array(self.labels.shape)[:, None])).all(axis=0)
        z, y, x = index[:, fits]
        there = self.labels[z, y, x]
        free = there == 0
        if over is not None:
            free = (free | (there == over)) & (self.space.values[z, y, x] > 0.5)
        if not free.any():
            return None
        self.labels[z[free], y[free], x[free]] = self.following
        self.elements.append(Element(self.following, kind, term, side, certain))
        self.following += 1
        return self.following - 1

    def cavity(self, cavity: Cavity) -> int | None:
        """The endocranial cavity, each of its cells spread over the voxels that it holds."""
        step, voxel = cavity.block.step, self.space.voxel
        at = cavity.block.point(np.argwhere(cavity.within))
        return self.cells(spread(at, step, voxel), "cavity", "cranial cavity", "midline", 0.9)

    def ear(self, read: EarRead, cranium: int) -> Ear:
        """An ear's windows, labyrinth, middle-ear space, ossicles and petrosal."""
        ear, parts = read.ear, {}
        oval, round_ = (None if w is None else self.opening(w) for w in (ear.oval, ear.round))
        for b in read.bodies:
            part = self.cells(b.points, b.kind, b.term, ear.side, b.certain, cranium if b.over else None)
            if part is not None:
                parts[b.term] = part
        return replace(ear, oval=oval, round=round_, part=parts.get("bony labyrinth"), parts=parts)

    def opening(self, opening: Opening) -> Opening:
        """The membrane of an opening, about a voxel thick."""
        rim, centre = opening.rim, opening.centre
        normal = np.linalg.svd(rim - rim.mean(0), full_matrices=False)[2][2]
        u, v = plane_axes(normal)
        flat = np.stack([(rim - centre) @ u, (rim - centre) @ v], axis=1)
        step = 0.5 * self.space.voxel
        axes = [np.arange(low, high + step, step) for low, high in zip(flat.min(0), flat.max(0), strict=True)]
        grid = np.stack([g.ravel() for g in np.meshgrid(*axes, indexing="ij")], axis=1)
        grid = grid[points_in_poly(grid, flat)]
        if not len(grid):
            return opening
        height = _heights(flat, (rim - centre) @ normal, grid)
        points = centre + grid[:, :1] * u + grid[:, 1:] * v + height[:, None] * normal
        thick = np.concatenate([points + k * step * normal for k in (-1, 0, 1)])
        return replace(opening, part=self.cells(thick, "opening", opening.term, opening.side, opening.certain))

    def openings(self, some: Sequence[Opening]) -> tuple[Opening, ...]:
        """Several openings."""
        return tuple(self.opening(o) for o in some)


def _heights(flat: FloatArray, off: FloatArray, grid: FloatArray) -> FloatArray:
    """Heights over the plane of a rim that is not flat: the rim's, weighed by nearness."""
    gaps = np.linalg.norm(grid[:, None] - flat[None], axis=-1) + 1e-6
    weight = 1 / gaps**2
    out: FloatArray = (weight * off).sum(1) / weight.sum(1)
    return out
