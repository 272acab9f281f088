"""Objects that may be teeth: well-isolated components of the tooth chance, at whatever level each stands alone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import edt
import numpy as np
import numpy.typing as npt

from .boxes import grown
from .component_tree import ComponentTree, build_tree
from .greys import Normalised
from .tissue_model import ToothChance

__all__ = ["Candidates", "away_from_bone", "away_from_socket", "choose", "find_candidates"]

FloatArray = npt.NDArray[np.float32]
LEVELS = tuple(np.linspace(0.25, 0.95, 15))
GAP = 0.25
RISE = 0.06
"""How far the chance must rise above where two cores part for both to count."""


@dataclass(frozen=True)
class Candidates:
    """Cores of possible teeth. ``markers`` is int32 (z, y, x), 1..n; the columns below have one row a candidate, in
    that order.

    ``place`` is the centroid in voxels (z, y, x); ``bright`` the 90th percentile of grey (bone 1); ``chance`` the
    mean tooth chance; ``enamel`` the mean chance of enamel; ``peak`` the greatest `ToothChance.alone`; ``alone`` the
    open share of the boundary; ``away`` a vector (z, y, x) that points away from the bone around it.
    """

    markers: npt.NDArray[np.int32]
    place: npt.NDArray[np.float64]
    voxels: npt.NDArray[np.int64]
    bright: npt.NDArray[np.float64]
    mean: npt.NDArray[np.float64]
    chance: npt.NDArray[np.float64]
    enamel: npt.NDArray[np.float64]
    peak: npt.NDArray[np.float64]
    alone: npt.NDArray[np.float64]
    away: npt.NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.place)


def choose(tree: ComponentTree, rise: float = RISE) -> list[int]:
    """Return the nodes that stand for one summit each: the lowest that hold no two.

    A summit counts where the values rise at least ``rise`` above the level at which it parts from its neighbours (its
    dynamics: Grimaud 1992, SPIE 1769:292). What belongs together is joined later, with all that then is known.
    """
    children = tree.children()
    level = tree.thresholds[tree.level]
    summit = tree.peak - level >= rise
    parts: list[list[int]] = [[] for _ in range(len(tree))]
    for node in range(len(tree) - 1, -1, -1):
        found = [part for child in children[node] if summit[child] for part in parts[child]]
        parts[node] = found if len(found) > 1 else [node]
    return sorted(part for node in range(len(tree)) if tree.parent[node] < 0 for part in parts[node])


def find_candidates(
    volume: Normalised,
    chance: ToothChance,
    *,
    minimum_voxels: int = 12,
    tick: Callable[[], None] | None = None,
) -> Candidates:
    """Find the cores of possible teeth in ``volume``."""
    core = chance.alone
    tree = build_tree(
        core,
        LEVELS,
        minimum=minimum_voxels,
        gap=GAP,
        fields={"chance": chance.tooth, "grey": volume.values, "enamel": chance.enamel},
        tick=tick,
    )
    alone = tree.open_faces / np.maximum(tree.faces, 1)
    chosen = [node for node in choose(tree) if tree.peak[node] > 0.4]
    markers = np.zeros(core.shape, np.int32)
    bright = np.zeros(len(chosen))
    away = np.zeros((len(chosen), 3))
    for row, node in enumerate(chosen):
        box, mask = tree.mask(core, node)
        markers[box][mask] = row + 1
        bright[row] = float(np.quantile(volume.values[box][mask], 0.9))
        away[row] = away_from_bone(volume.values, chance.tooth, box)
    nodes = np.array(chosen, int)
    count = tree.count[nodes] if len(nodes) else np.zeros(0, np.int64)
    return Candidates(
        markers=markers,
        place=tree.mean[nodes].reshape(-1, 3),
        voxels=count,
        bright=bright,
        mean=tree.sums["grey"][nodes] / np.maximum(count, 1) if len(nodes) else np.zeros(0),
        chance=tree.sums["chance"][nodes] / np.maximum(count, 1) if len(nodes) else np.zeros(0),
        enamel=tree.sums["enamel"][nodes] / np.maximum(count, 1) if len(nodes) else np.zeros(0),
        peak=tree.peak[nodes] if len(nodes) else np.zeros(0),
        alone=alone[nodes] if len(nodes) else np.zeros(0),
        away=away,
    )


def away_from_bone(
    grey: FloatArray, teeth: npt.NDArray[np.int32] | FloatArray, box: tuple[slice, ...]
) -> npt.NDArray[np.float64]:
    """Mean direction (z, y, x), 0 to 1 long, from the bone near ``box`` to its centre.

    It is near zero where bone is all round.
    Bone is what is solid and less than 0.3 in ``teeth`` (a chance, or labels).
    """
    margin = [4 + (s.stop - s.start) // 3 for s in box]
    near = grown(box, grey.shape, margin)
    where = np.argwhere((grey[near] > 0.6) & (teeth[near] < 0.3))
    if not len(where):
        return np.zeros(3)
    centre = np.array([(s.start + s.stop - 1) / 2 for s in box])
    offset = where + np.array([s.start for s in near]) - centre
    length = np.linalg.norm(offset, axis=1, keepdims=True)
    mean: npt.NDArray[np.float64] = -(offset / np.maximum(length, 1)).mean(axis=0)
    return mean


def away_from_socket(
    grey: FloatArray, labels: npt.NDArray[np.int32], part: int, box: tuple[slice, ...], reach: int = 3
) -> npt.NDArray[np.float64]:
    """Direction (z, y, x), up to about 1 long, from the bone that touches a whole tooth to the tooth's centre.

    Only bone within ``reach`` voxels of the tooth counts, so that the opposing jaw does not speak for it; the offset
    is in units of the tooth's own spread.
    """
    near = grown(box, grey.shape, reach)
    own = labels[near] == part
    inside = np.argwhere(own)
    socket = np.argwhere((edt.edt(~own, parallel=1) <= reach) & (grey[near] > 0.6) & (labels[near] == 0))
    if len(socket) < 5:
        return np.zeros(3)
    centre = inside.mean(axis=0)
    spread = float(np.sqrt(((inside - centre) ** 2).sum(axis=1).mean())) + 1.0
    away: npt.NDArray[np.float64] = (centre - socket.mean(axis=0)) / spread
    return away
