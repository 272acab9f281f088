"""Places and directions along a fitted tooth row."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..records import Jaw, Side

__all__ = ["RowFrame"]

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class RowFrame:
    """A row curve (n, 3) in skull mm from the midline backwards, with the arc length of its points.

    Nearest places are sought in the plane of the palate (x, z), so that a crypt deep in the jaw belongs to
    the place above it.
    """

    curve: FloatArray
    arc: FloatArray
    up: FloatArray
    side_sign: float

    @classmethod
    def of(cls, curve: npt.NDArray[np.floating] | None, jaw: Jaw, side: Side) -> RowFrame:
        """Prepare a row; without a curve, or with a single point, a straight one running back along the side
        stands in."""
        sign = 1.0 if side == "left" else -1.0
        up = np.array([0.0, 1.0 if jaw == "lower" else -1.0, 0.0])
        points = np.empty((0, 3)) if curve is None else np.asarray(curve, float).reshape(-1, 3)
        if len(points):
            keep = np.concatenate([[True], np.linalg.norm(np.diff(points, axis=0), axis=1) > 1e-9])
            points = points[keep]
        if len(points) < 2:
            start = points[0] if len(points) else np.zeros(3)
            points = np.stack([start, start + np.array([0.0, 0.0, -1.0])])
        arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
        return cls(points, arc, up, sign)

    def _foot(self, point: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        """Arc length, foot and backward tangent of the nearest place; the end segments go on straight."""
        flat = self.curve[:, [0, 2]]
        step = np.diff(flat, axis=0)
        square = np.maximum((step * step).sum(axis=1), 1e-12)
        share = ((point[[0, 2]] - flat[:-1]) * step).sum(axis=1) / square
        low = np.zeros(len(share))
        high = np.ones(len(share))
        low[0], high[-1] = -np.inf, np.inf
        share = np.clip(share, low, high)
        gap = np.linalg.norm(flat[:-1] + share[:, None] * step - point[[0, 2]], axis=1)
        k = int(gap.argmin())
        ahead = self.curve[k + 1] - self.curve[k]
        arc = float(self.arc[k] + share[k] * (self.arc[k + 1] - self.arc[k]))
        return arc, np.asarray(self.curve[k] + share[k] * ahead), ahead

    def point_at(self, arc: float) -> FloatArray:
        """Point of the curve at an arc length; beyond the ends it goes on straight."""
        if arc <= 0 or arc >= self.arc[-1]:
            k = 0 if arc <= 0 else len(self.arc) - 2
            step = (self.curve[k + 1] - self.curve[k]) / (self.arc[k + 1] - self.arc[k])
            return np.asarray(self.curve[k] + (arc - self.arc[k]) * step)
        return np.array([np.interp(arc, self.arc, self.curve[:, i]) for i in range(3)])

    def place(self, point: FloatArray) -> tuple[float, float]:
        """Arc length and offset towards the cheek (mm) of a skull point."""
        arc, foot, _ = self._foot(point)
        _, cheek = self.directions(point)
        return arc, float((point - foot) @ cheek)

    def directions(self, point: FloatArray, window_mm: float | None = None) -> tuple[FloatArray, FloatArray]:
        """Unit vectors backwards along the row and towards the cheek, level with the palate, at the place
        nearest to a point.

        The tangent is the chord over ``window_mm`` (a twelfth of the row where None), so that kinks of the
        fit do not turn the tooth.
        """
        arc, _, ahead = self._foot(point)
        half = (window_mm if window_mm is not None else self.arc[-1] / 12) / 2
        chord = self.point_at(arc + half) - self.point_at(arc - half)
        tangent = chord if np.linalg.norm(chord) > 1e-9 else ahead
        tangent = tangent / max(float(np.linalg.norm(tangent)), 1e-12)
        cheek = self.side_sign * np.cross(tangent, np.array([0.0, 1.0, 0.0]))
        size = float(np.linalg.norm(cheek))
        cheek = cheek / size if size > 1e-6 else np.array([self.side_sign, 0.0, 0.0])
        return tangent, cheek
