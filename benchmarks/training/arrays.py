"""A specimen as the network's training draws from it: normalised greys in three looks, truth by voxel, its teeth."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ossicle.reading.greys import normalise

from .rendering import ENAMEL, NEAR, classes, draw_look, rerender
from .specimens import Volumes

__all__ = ["CLOSE", "ENAMEL_BIT", "FORMS", "NUMBER", "Prepared", "prepare", "teeth_table"]

LOOKS = 3
"""The scan itself and two new renderings of it."""
FORMS = ("incisor", "canine", "premolar", "molar")
GENERATIONS = {"deciduous": 1.0, "permanent": 0.0}
"""Teeth that nothing replaces are neither; there the network is not taught."""
NUMBER, ENAMEL_BIT, CLOSE = 0x0FFF, 0x1000, 0x2000
"""Parts of a truth value: the tooth's row in the table (0 none), whether enamel, whether near or between two teeth."""
SOLID = 0.5
POINTS = 3000
POINTS_OF_A_TOOTH = 60


@dataclass(frozen=True)
class Prepared:
    """One specimen to draw patches from.

    ``greys`` float16 (looks, z, y, x), the scan first, surround 0 and bone 1; ``truth`` uint16 (z, y, x), see `NUMBER`;
    ``teeth`` float32 (n + 1, 5): centre in voxels (z, y, x), deciduous 1 or 0, place in `FORMS`, -1 where unknown, row
    0 being none; ``solid`` and ``inside`` int16 (k, 3): voxels of what is solid and, as many of each tooth, of teeth.
    """

    greys: NDArray[np.float16]
    truth: NDArray[np.uint16]
    teeth: NDArray[np.float32]
    solid: NDArray[np.int16]
    inside: NDArray[np.int16]

    @classmethod
    def of(cls, arrays: Mapping[str, NDArray[Any]]) -> Prepared:
        """From the arrays that `prepare` gives."""
        return cls(**{name: arrays[name] for name in ("greys", "truth", "teeth", "solid", "inside")})


def teeth_table(numbers: NDArray[np.integer], teeth: tuple[dict[str, Any], ...]) -> NDArray[np.float32]:
    """The table of `Prepared` for a volume of row numbers (z, y, x), 1 for the first of ``teeth`` and so on."""
    table = np.full((len(teeth) + 1, 5), -1, np.float32)
    table[:, :3] = 0
    index = np.flatnonzero(numbers)
    number = numbers.ravel()[index]
    count = np.bincount(number, minlength=len(table))
    for axis, place in enumerate(np.unravel_index(index, numbers.shape)):
        table[:, axis] = np.bincount(number, place, minlength=len(table)) / np.maximum(count, 1)
    for row, tooth in enumerate(teeth, start=1):
        table[row, 3] = GENERATIONS.get(tooth["generation"], -1.0)
        table[row, 4] = FORMS.index(tooth["class"])
    return table


def prepare(volumes: Volumes, rng: np.random.Generator) -> dict[str, NDArray[Any]]:
    """The arrays of `Prepared` for one specimen; one without a tooth voxel is kept in its own look alone."""
    labels = [int(t["label"]) for t in volumes.teeth]
    number_of = np.zeros(int(max(volumes.labels.max(initial=0), *labels, 0)) + 1, np.uint16)
    number_of[labels] = np.arange(1, len(labels) + 1)
    numbers = number_of[volumes.labels]
    greys = [normalise(volumes.grey)[0].values.astype(np.float16)]
    for _ in range(LOOKS - 1 if numbers.any() else 0):
        greys.append(normalise(rerender(volumes, draw_look(volumes, rng), rng))[0].values.astype(np.float16))
    truth = numbers.copy()
    truth[volumes.tissue == ENAMEL] |= ENAMEL_BIT
    truth[classes(volumes.labels, labels) >= NEAR] |= CLOSE
    solid = np.argwhere(greys[0][::2, ::2, ::2] > SOLID) * 2
    tooth = np.argwhere(numbers > 0)
    own = numbers[tuple(tooth.T)]
    drawn = [rng.choice(np.flatnonzero(own == n), POINTS_OF_A_TOOTH) for n in np.unique(own)]
    return {
        "greys": np.stack(greys),
        "truth": truth,
        "teeth": teeth_table(numbers, volumes.teeth),
        "solid": rng.permutation(solid)[:POINTS].astype(np.int16),
        "inside": tooth[np.concatenate([np.zeros(0, int), *drawn])].astype(np.int16),
    }
