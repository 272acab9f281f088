"""Invented specimens with known truth, and the scanner that takes their CT scans.

:func:`presets` names what can be made, :func:`make` writes a specimen's folder, :func:`build` keeps it in
memory.
"""

from ossicle.practice.making import FAULTS, Made, Preset, build, make, presets
from ossicle.practice.portrait import portrait

__all__ = ["FAULTS", "Made", "Preset", "build", "make", "portrait", "presets"]
