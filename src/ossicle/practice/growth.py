"""Growth: how far each tooth has come at an age, and how the skull's proportions change.

Age runs from 0 (newborn) to 1 (adult) and beyond (old). One number, the age at which half of the crown has
emerged, sets a tooth's course; the rest follows by fixed delays, since crowns are complete before they
emerge and roots close after (common practice in dental development; the delays themselves are invented).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ossicle.practice.teeth import State

__all__ = ["Course", "Proportions", "smooth_step"]


def smooth_step(x: float) -> float:
    """0 below 0, 1 above 1, smooth between."""
    t = min(max(x, 0.0), 1.0)
    return t * t * (3 - 2 * t)


@dataclass(frozen=True)
class Course:
    """The course of one tooth's life.

    Attributes
    ----------
    erupts
        Age at which half of the crown's height has emerged.
    pace
        Factor on the delays: small for deciduous teeth, which form fast.
    shed
        Age at which it is lost to its successor, if ever.
    """

    erupts: float
    pace: float = 1.0
    shed: float | None = None

    def begun(self, age: float) -> bool:
        """Whether any mineral is there."""
        return self.crown(age) > 0.12

    def lost(self, age: float) -> bool:
        """Whether the tooth has been shed at an age."""
        return self.shed is not None and age >= self.shed

    def crown(self, age: float) -> float:
        """Share of the crown's height formed."""
        start, end = self.erupts - 0.46 * self.pace, self.erupts - 0.14 * self.pace
        return float(np.clip((age - start) / (end - start), 0, 1))

    def root(self, age: float) -> float:
        """Share of the root's length formed."""
        start, end = self.erupts - 0.14 * self.pace, self.erupts + 0.2 * self.pace
        return float(np.clip((age - start) / (end - start), 0, 1))

    def emergence(self, age: float) -> float:
        """Share of the crown's height above the alveolar margin, 0 to 1."""
        half = 0.06 * self.pace
        return smooth_step((age - self.erupts + half) / (2 * half))

    def depth(self, age: float) -> float:
        """How far the crown's tip still lies below the margin, mm."""
        wait = max(0.0, self.erupts - 0.06 * self.pace - age)
        return float(min(0.9, 0.12 + 2.0 * wait))

    def resorbed(self, age: float) -> float:
        """Share of the root lost to the successor."""
        if self.shed is None:
            return 0.0
        return float(np.clip((age - self.shed + 0.3) / 0.3, 0, 0.92))

    def state(self, age: float, wear: float = 0.0) -> State:
        """How the tooth stands at an age."""
        settled = smooth_step((age - self.erupts) / 0.6)
        return State(self.crown(age), self.root(age), self.resorbed(age), wear, settled)


@dataclass(frozen=True)
class Proportions:
    """The map from the adult design to the skull of a given age: the face grows more than the braincase.

    Attributes
    ----------
    face, brain
        Scale of the parts before and behind the hinge.
    hinge
        z (mm, adult design) where one gives way to the other.
    width
        Half width (mm) of the transition.
    """

    face: float
    brain: float
    hinge: float
    width: float = 4.0

    def scale(self, z: float | NDArray[np.float64]) -> NDArray[np.float64]:
        """How many times as large the skull is at ``z`` (mm of the adult design)."""
        t = np.clip((self.hinge + self.width - np.asarray(z, dtype=float)) / (2 * self.width), 0, 1)
        t = t * t * (3 - 2 * t)
        out: NDArray[np.float64] = self.face + (self.brain - self.face) * t
        return out

    def along(self, z: ArrayLike) -> NDArray[np.float64]:
        """Where a z of the adult design comes to lie (the integral of the scale from 0)."""
        zz = np.asarray(z, dtype=float)
        knots = np.linspace(-120, 60, 1801)
        s = self.scale(knots)
        total = np.r_[0, np.cumsum((s[1:] + s[:-1]) / 2 * np.diff(knots))]
        total -= np.interp(0.0, knots, total)
        out: NDArray[np.float64] = np.interp(zz, knots, total)
        return out

    def point(self, p: ArrayLike) -> NDArray[np.float64]:
        """A point (or points) of the adult design, mm."""
        q = np.asarray(p, dtype=float).copy()
        s = self.scale(q[..., 2])
        q[..., 0], q[..., 1] = q[..., 0] * s, q[..., 1] * s
        q[..., 2] = self.along(np.asarray(p, dtype=float)[..., 2])
        return q
