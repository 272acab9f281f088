"""Palate, jaw, ear and braincase: read from greys, labels, pose and tooth loci; measured with their error.

The records are here at once; what reads them brings SciPy and scikit-image along and is loaded when it is asked for, so
that a program that only shows an account starts without them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import lazy_loader

from .records import (
    Angle,
    Asymmetry,
    Braincase,
    Cusps,
    Ear,
    EnamelThickness,
    JawHalf,
    Measured,
    NasalCavity,
    Opening,
    Palate,
    Structures,
    Suture,
    Value,
    openings_of,
)

if TYPE_CHECKING:
    from .enamel import enamel_thickness_2d, enamel_thickness_3d
    from .space import Space
    from .whole import read_structures, structures_of

__all__ = [
    "Angle",
    "Asymmetry",
    "Braincase",
    "Cusps",
    "Ear",
    "EnamelThickness",
    "JawHalf",
    "Measured",
    "NasalCavity",
    "Opening",
    "Palate",
    "Space",
    "Structures",
    "Suture",
    "Value",
    "enamel_thickness_2d",
    "enamel_thickness_3d",
    "openings_of",
    "read_structures",
    "structures_of",
]
__getattr__, _, _ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "enamel": ["enamel_thickness_2d", "enamel_thickness_3d"],
        "space": ["Space"],
        "whole": ["read_structures", "structures_of"],
    },
)
