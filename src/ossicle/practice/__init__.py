"""Invented specimens with known truth, and the scanner that takes their CT scans.

:func:`presets` names what can be made, :func:`make` writes a specimen's folder, :func:`build` keeps it in
memory, :func:`make_set` writes a whole set for a class or a bench.
"""

from ossicle.practice.making import FAULTS, Made, Preset, build, make, presets
from ossicle.practice.portrait import portrait
from ossicle.practice.sets import GRADES, SETS, Exercise, make_set, plan_set
from ossicle.practice.sheet import write_sheet

__all__ = [
    "FAULTS",
    "GRADES",
    "SETS",
    "Exercise",
    "Made",
    "Preset",
    "build",
    "make",
    "make_set",
    "plan_set",
    "portrait",
    "presets",
    "write_sheet",
]
