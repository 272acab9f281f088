"""Palate, jaw, ear and braincase: read from greys, labels, pose and tooth loci; measured with their error."""

from .dental_cusps import Cusps
from .enamel import EnamelThickness, enamel_thickness_2d, enamel_thickness_3d
from .records import (
    Angle,
    Asymmetry,
    Braincase,
    Ear,
    JawHalf,
    Measured,
    NasalCavity,
    Opening,
    Palate,
    Structures,
    Suture,
    Value,
)
from .space import Space
from .whole import openings_of, read_structures, structures_of

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
