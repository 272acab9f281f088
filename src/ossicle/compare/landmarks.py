"""Landmarks of specimens, from their accounts, as a sample for shape statistics."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .shape.tables import Landmarks
from .specimens import Compared

__all__ = ["landmarks_of"]


def landmarks_of(specimens: Sequence[Compared]) -> Landmarks:
    """Return the landmarks of specimens in skull coordinates (mm), NaN where one lacks one, with their growth stage."""
    held = [s.landmarks for s in specimens]
    names = tuple(dict.fromkeys(name for marks in held for name in marks))
    blank = np.full(3, np.nan)
    points = np.array([[marks.get(name, blank) for name in names] for marks in held], float)
    stages = tuple(s.account.formula.stage.name or "" for s in specimens)
    return Landmarks(
        tuple(s.name for s in specimens), names, points.reshape(len(held), len(names), 3), {"stage": stages}
    )
