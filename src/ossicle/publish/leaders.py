"""Leader lines from labels at the sides of a picture to places in it; no two of them cross.

Labels stand in slots at the left and right of a picture. Which label has which slot is the assignment of least total
length; in it no two straight leaders cross, since uncrossing a pair would shorten both together (triangle inequality).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["slots_for"]

FloatArray = npt.NDArray[np.float64]


def slots_for(places: FloatArray, slots: FloatArray) -> list[int]:
    """Return for each place (n, 2) the number of its slot (m, 2), m at least n, so that no two leaders cross."""
    from scipy.optimize import linear_sum_assignment

    if not len(places):
        return []
    cost = np.linalg.norm(places[:, None] - slots[None], axis=2)
    rows, columns = linear_sum_assignment(cost)
    out = [0] * len(places)
    for row, column in zip(rows, columns, strict=True):
        out[int(row)] = int(column)
    return out
