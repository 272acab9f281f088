"""The practice scanner: CT volumes of tissue models, by a physical model of the scanner.

`scan_volume` is the entry point; `ScannerSettings` says how. ``preset(name, voxel_mm)`` gives named
settings, and ``degraded(settings, name)`` makes any settings worse in a named way and tells the factor for
the voxel size.

Presets (point spread is the standard deviation in voxels; noise and rings are shares of the contrast of
cortical bone to air; cupping is the loss in the middle of a bone cylinder that fills half the field):

======== ============ ===== ===== ======= ====================================
name     point spread noise rings cupping besides
======== ============ ===== ===== ======= ====================================
perfect  0            0     0     0       partial volume only
clean    0.4          0.02  0     0
typical  0.8          0.06  0.01  0.04
noisy    0.8          0.15  0.015 0.04
rings    0.8          0.06  0.08  0.04
cupped   0.8          0.06  0.01  0.20
coarse   2.0          0.05  0.01  0.04    8 bit
wet      0.8          0.06  0.01  0.06    70 % ethanol in the place of air
foam     0.8          0.06  0.01  0.04    polyethylene foam in the place of air
======== ============ ===== ===== ======= ====================================

Degradations:

=============== ====================================================================================
name            what it does
=============== ====================================================================================
none            nothing
half noise      half the noise
double noise    twice the noise: a quarter of the dose
double blur     twice the width of the point spread
rings           marked ring artefacts, 8 % of the contrast of bone
cupping         marked beam hardening, 20 % in the middle (image mode)
soft beam       60 kV without copper, so that the beam hardens more in dense paths (projections)
half resolution voxels and point spread twice as wide; the caller samples the model at twice the voxel
wet             70 % ethanol in the place of air; the caller writes it into truth as fluid
foam            foam in the place of air
misaligned      rotation axis off by three pixels (projections; in image mode it only moves the rings)
phantom         hydroxyapatite rods in the field
8 bit           256 grey values
mirrored        columns in reverse; the caller reverses truth
=============== ====================================================================================
"""

from ossicle.practice.scanner.materials import MATERIALS, Material, mu
from ossicle.practice.scanner.phantom import PhantomRod
from ossicle.practice.scanner.sampling import Progress
from ossicle.practice.scanner.scan import ScanVolume, scan_volume
from ossicle.practice.scanner.settings import (
    DEGRADATIONS,
    PRESET_VOXEL_MM,
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
    "PRESET_VOXEL_MM",
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
