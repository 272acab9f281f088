"""The lower jaw's own frame: closed until its cheek teeth run as the upper ones, so that the gape does not matter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..records import Jaw
from .loci import StandingTooth

__all__ = ["PITCH_ERROR", "JawFrame", "jaw_frame"]

FloatArray = npt.NDArray[np.float64]

FACING = 6
"""Cheek teeth of both sides together that must face upper ones for the rows to be compared place by place."""
PITCH_ERROR = np.deg2rad(1.5)
"""How well the closed jaw is known, radians. From practice specimens, whose jaws were drawn closed."""


@dataclass(frozen=True)
class JawFrame:
    """Turns skull mm into the jaw's own: the lower row level, whatever the gape."""

    pitch_rad: float

    def to_jaw(self, points: npt.ArrayLike) -> FloatArray:
        """Return points (..., 3) in the jaw's frame."""
        out: FloatArray = np.asarray(points, float) @ self._matrix().T
        return out

    def to_skull(self, points: npt.ArrayLike) -> FloatArray:
        """Return points (..., 3) back in skull coordinates."""
        out: FloatArray = np.asarray(points, float) @ self._matrix()
        return out

    def _matrix(self) -> FloatArray:
        c, s = np.cos(self.pitch_rad), np.sin(self.pitch_rad)
        return np.array([[1, 0, 0], [0, c, -s], [0, s, c]])


def jaw_frame(teeth: Sequence[StandingTooth]) -> JawFrame:
    """Close the lower jaw: turn it until the necks of its cheek teeth run as those of the upper ones above them do.

    With too few teeth above one another each row's own slope is taken; without upper cheek teeth the lower jaw is
    levelled; without four lower ones it is left as it stands.
    """
    lower, upper = _necks(teeth, "lower"), _necks(teeth, "upper")
    if len(upper) >= FACING and len(lower) >= FACING:
        facing = lower[(lower[:, 0] > upper[0, 0]) & (lower[:, 0] < upper[-1, 0])]
        if len(facing) >= FACING:
            apart = np.c_[facing[:, 0], facing[:, 1] - np.interp(facing[:, 0], upper[:, 0], upper[:, 1])]
            slope = _slope(apart)
            if slope is not None:
                return JawFrame(float(np.arctan(slope)))
    low, high = _slope(lower), _slope(upper)
    if low is None:
        return JawFrame(0.0)
    return JawFrame(float(np.arctan(low) - np.arctan(high or 0.0)))


def _necks(teeth: Sequence[StandingTooth], jaw: Jaw) -> FloatArray:
    """Place along the skull and height (n, 2) of the necks of a jaw's cheek teeth, from the hindmost on."""
    necks = sorted(
        (float(t.neck[2]), float(t.neck[1]))
        for t in teeth
        if t.jaw == jaw and t.tooth_class in ("premolar", "molar") and t.erupted
    )
    return np.array(necks, float).reshape(-1, 2)


def _slope(necks: FloatArray) -> float | None:
    """Rise of a row towards the front: the median slope of all pairs of necks (Theil 1950; Sen 1968)."""
    if len(necks) < 4 or np.ptp(necks[:, 0]) < 1e-6:
        return None
    slopes = [(b[1] - a[1]) / (b[0] - a[0]) for i, a in enumerate(necks) for b in necks[i + 1 :] if b[0] - a[0] > 1e-3]
    return float(np.median(slopes)) if slopes else None
