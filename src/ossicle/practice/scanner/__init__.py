"""The practice scanner: CT volumes of tissue models, by a physical model of the scanner.

`scan_volume` is the entry point; `ScannerSettings` says how; ``preset(name)`` gives named settings and
``degraded(settings, name)`` makes them worse in a named way.
"""

from ossicle.practice.scanner.materials import MATERIALS, Material, mu
from ossicle.practice.scanner.phantom import PhantomRod
from ossicle.practice.scanner.sampling import Progress
from ossicle.practice.scanner.scan import ScanVolume, scan_volume
from ossicle.practice.scanner.settings import (
    DEGRADATIONS,
    PRESETS,
    Degradation,
    ScannerSettings,
    degraded,
    preset,
)

__all__ = [
    "DEGRADATIONS",
    "MATERIALS",
    "PRESETS",
    "Degradation",
    "Material",
    "PhantomRod",
    "Progress",
    "ScanVolume",
    "ScannerSettings",
    "degraded",
    "mu",
    "preset",
    "scan_volume",
]
