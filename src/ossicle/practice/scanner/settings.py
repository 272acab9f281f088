"""How a practice scan is taken: the settings, their presets, and the named ways to make a scan worse."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Literal

from ossicle.errors import OssicleError
from ossicle.practice.scanner import spectrum as beams
from ossicle.practice.scanner.materials import AIR, BONE, ENAMEL, FLUID, FOAM, MATERIALS, mu

__all__ = [
    "DEGRADATIONS",
    "PRESETS",
    "PRESET_VOXEL_MM",
    "Degradation",
    "ScannerSettings",
    "degraded",
    "preset",
]


@dataclass(frozen=True)
class ScannerSettings:
    """Settings of the practice scanner. Lengths in mm, energies in keV, attenuation in 1/cm.

    Attributes
    ----------
    mode
        ``image``: one effective energy and effects modelled on the finished volume, fast. ``projections``:
        line integrals by energy, detector, counting noise and filtered back-projection.
    beam
        ``mono`` uses `energy_kev`; ``poly`` uses `kv`, `filters` and `lines`. Image mode turns ``poly``
        into its effective energy.
    energy_kev
        Energy of a mono beam; also overrides the effective energy of image mode when given.
    filters
        (element or material, thickness in mm) pairs between the tube and the specimen.
    lines
        Tungsten K lines' photons over bremsstrahlung photons above the K edge.
    geometry
        ``parallel`` or ``cone`` (projections only; image mode has no geometry).
    source_mm
        Distance from the source to the rotation axis in a cone; ``None`` takes 3 times the field's width.
        The detector is described by its shadow at the axis: pixels as wide as the slices', rows as high as
        the slices.
    views
        Number of projections, over 180 degrees (parallel) or 360 degrees (cone); ``None`` takes pi/2 times
        the field's width in voxels (parallel) or twice that (cone), the sampling rule of Kak & Slaney 1988,
        ch. 5.
    blur_mm
        Standard deviation of the system's Gaussian point spread, in all three directions. Its full width at
        half maximum is 2.355 times that.
    noise
        Standard deviation of the noise over the contrast of cortical bone to air, at the axis, in slices
        where the specimen is thick; less where rays pass more easily. In projections mode it sets the photon
        count unless `photons` is given.
    photons
        Photons counted per detector pixel and view in open beam (projections only); overrides `noise`.
    electronic
        Electronic noise of the detector, as the standard deviation in photons (projections only).
    rings
        Strength of ring artefacts: in image mode the rms of the rings, over the contrast of bone to air, at
        a quarter of the field's width from the axis; in projections mode the rms of uncorrected gain errors
        of detector pixels is a fifth of it.
    cupping
        Image mode with any beam: the loss of attenuation in the middle of a bone cylinder that fills half
        the field, as a fraction, through beam hardening. In projections mode hardening follows from the
        beam, and this is not used.
    centre_offset_px
        Error in the position of the rotation axis, in detector pixels.
    bits
        8 or 16.
    window_per_cm
        Attenuation that maps to the lowest and the highest grey value; ``None`` takes -0.15 to 1.35 times
        enamel's with 8 bits and -0.5 to 1.75 times with 16. Denser matter saturates.
    mirrored
        Whether columns are stored in reverse. The caller reverses truth in the same way.
    phantom
        Whether hydroxyapatite rods stand in the field of view.
    background
        Tissue id that takes the place of air: air, fluid (a wet specimen) or foam.
    """

    mode: Literal["image", "projections"] = "image"
    beam: Literal["mono", "poly"] = "poly"
    kv: float = 100.0
    energy_kev: float | None = None
    filters: tuple[tuple[str, float], ...] = (("Al", 1.0), ("Cu", 0.1))
    lines: float = 0.0
    geometry: Literal["parallel", "cone"] = "parallel"
    source_mm: float | None = None
    views: int | None = None
    blur_mm: float = 0.0
    noise: float = 0.0
    photons: float | None = None
    electronic: float = 0.0
    rings: float = 0.0
    cupping: float = 0.0
    centre_offset_px: float = 0.0
    bits: Literal[8, 16] = 16
    window_per_cm: tuple[float, float] | None = None
    mirrored: bool = False
    phantom: bool = False
    background: int = AIR

    def __post_init__(self) -> None:
        choices = {
            "mode": ("image", "projections"),
            "beam": ("mono", "poly"),
            "geometry": ("parallel", "cone"),
            "bits": (8, 16),
        }
        for name, allowed in choices.items():
            if getattr(self, name) not in allowed:
                listed = " or ".join(str(a) for a in allowed)
                raise OssicleError(f"{getattr(self, name)!r} is not known", where=name, mend=f"use {listed}")
        for name in ("blur_mm", "noise", "electronic", "rings", "cupping", "lines"):
            if not 0.0 <= getattr(self, name) < float("inf"):
                raise OssicleError(f"{getattr(self, name)} is not a usable value", where=name, mend="give 0 or more")
        if not 20.0 <= self.kv <= 450.0:
            raise OssicleError(f"a tube voltage of {self.kv} kV is not usable", where="kv", mend="use 20 to 450")
        if self.beam == "mono" and self.energy_kev is None:
            raise OssicleError("a mono beam needs its energy", where="energy_kev", mend="give it in keV")
        if self.photons is not None and not self.photons > 0:
            raise OssicleError(f"{self.photons} photons make no scan", where="photons", mend="give more than 0")
        if self.views is not None and self.views < 8:
            raise OssicleError(f"{self.views} views make no scan", where="views", mend="give 8 or more")
        if self.background not in MATERIALS:
            raise OssicleError(f"no material has the id {self.background}", where="background", mend="use 0, 6 or 7")

    @property
    def spectrum(self) -> beams.Spectrum:
        """The beam as energies and their shares."""
        if self.beam == "mono" and self.energy_kev is not None:
            return beams.mono(self.energy_kev)
        return _poly(self.kv, self.filters, self.lines)

    @property
    def effective_kev(self) -> float:
        """The one energy, in keV, that stands for the beam in image mode and in the grey scale."""
        return self.energy_kev if self.energy_kev is not None else beams.effective_kev(self.spectrum)

    @property
    def bone_contrast(self) -> float:
        """Attenuation of cortical bone less that of air, 1/cm, at the effective energy."""
        return mu(BONE, self.effective_kev) - mu(AIR, self.effective_kev)

    @property
    def window(self) -> tuple[float, float]:
        """Attenuation, 1/cm, of the lowest and the highest grey value."""
        if self.window_per_cm is not None:
            return self.window_per_cm
        enamel = mu(ENAMEL, self.effective_kev)
        return (-0.15 * enamel, 1.35 * enamel) if self.bits == 8 else (-0.5 * enamel, 1.75 * enamel)


@lru_cache(maxsize=64)
def _poly(kv: float, filters: tuple[tuple[str, float], ...], lines: float) -> beams.Spectrum:
    return beams.polychromatic(kv, filters, lines=lines)


PRESET_VOXEL_MM = 0.1
"""Voxel size, in mm, that the presets' point spread is for."""

PRESETS: dict[str, ScannerSettings] = {
    "perfect": ScannerSettings(),
    "clean": ScannerSettings(blur_mm=0.04, noise=0.02),
    "typical": ScannerSettings(blur_mm=0.08, noise=0.06, rings=0.01, cupping=0.04),
    "noisy": ScannerSettings(blur_mm=0.08, noise=0.15, rings=0.015, cupping=0.04),
    "rings": ScannerSettings(blur_mm=0.08, noise=0.06, rings=0.08, cupping=0.04),
    "cupped": ScannerSettings(blur_mm=0.08, noise=0.06, rings=0.01, cupping=0.20),
    "coarse": ScannerSettings(blur_mm=0.20, noise=0.05, rings=0.01, cupping=0.04, bits=8),
    "wet": ScannerSettings(blur_mm=0.08, noise=0.06, rings=0.01, cupping=0.06, background=FLUID),
    "foam": ScannerSettings(blur_mm=0.08, noise=0.06, rings=0.01, cupping=0.04, background=FOAM),
}
"""Named settings for voxels of `PRESET_VOXEL_MM`, in image mode; `dataclasses.replace` changes that."""


@dataclass(frozen=True)
class Degradation:
    """A named way to make a scan worse: changes to the settings, and what the maker of the specimen must
    change.

    Attributes
    ----------
    name, what
        Its name, and what it does in one sentence.
    factors
        Settings multiplied, by name; a setting that is 0 is first set to its value in ``typical``.
    changes
        Settings replaced, by name.
    voxel_factor
        The voxel size of tissue and truth is multiplied by this before the scan: the caller's part.
    """

    name: str
    what: str
    factors: tuple[tuple[str, float], ...] = ()
    changes: tuple[tuple[str, Any], ...] = ()
    voxel_factor: float = 1.0


DEGRADATIONS: dict[str, Degradation] = {
    d.name: d
    for d in (
        Degradation("none", "as the preset has it"),
        Degradation("half noise", "half the noise", factors=(("noise", 0.5),)),
        Degradation("double noise", "twice the noise: a quarter of the dose", factors=(("noise", 2.0),)),
        Degradation("double blur", "twice the width of the point spread", factors=(("blur_mm", 2.0),)),
        Degradation("rings", "marked ring artefacts, 8 % of the contrast of bone", changes=(("rings", 0.08),)),
        Degradation("cupping", "marked beam hardening, 20 % in the middle", changes=(("cupping", 0.20),)),
        Degradation("soft beam", "60 kV without copper", changes=(("kv", 60.0), ("filters", (("Al", 0.5),)))),
        Degradation(
            "half resolution",
            "voxels and point spread twice as wide",
            factors=(("blur_mm", 2.0),),
            voxel_factor=2.0,
        ),
        Degradation("wet", "70 % ethanol in the place of air", changes=(("background", FLUID),)),
        Degradation("foam", "polyethylene foam in the place of air", changes=(("background", FOAM),)),
        Degradation("misaligned", "rotation axis off by three pixels", changes=(("centre_offset_px", 3.0),)),
        Degradation("phantom", "hydroxyapatite rods in the field", changes=(("phantom", True),)),
        Degradation("8 bit", "256 grey values", changes=(("bits", 8),)),
        Degradation("mirrored", "columns in reverse", changes=(("mirrored", True),)),
    )
}
"""Degradations by name, for the accuracy bench."""


def preset(name: str, voxel_mm: float = PRESET_VOXEL_MM) -> ScannerSettings:
    """Return the settings called ``name``, the point spread scaled to voxels of ``voxel_mm``.

    Raises
    ------
    OssicleError
        If no preset has this name.
    """
    if name not in PRESETS:
        listed = ", ".join(PRESETS)
        raise OssicleError(f"no scanner preset is called {name!r}", where="preset", mend=f"use {listed}")
    return replace(PRESETS[name], blur_mm=PRESETS[name].blur_mm * voxel_mm / PRESET_VOXEL_MM)


def degraded(settings: ScannerSettings, name: str) -> tuple[ScannerSettings, float]:
    """Return ``settings`` made worse in the way called ``name``, and the factor for the voxel size.

    Raises
    ------
    OssicleError
        If no degradation has this name.
    """
    if name not in DEGRADATIONS:
        listed = ", ".join(DEGRADATIONS)
        raise OssicleError(f"no degradation is called {name!r}", where="degradation", mend=f"use {listed}")
    way = DEGRADATIONS[name]
    typical = PRESETS["typical"]
    values: dict[str, Any] = dict(way.changes)
    for field, factor in way.factors:
        values[field] = factor * (getattr(settings, field) or getattr(typical, field))
    return replace(settings, **values), way.voxel_factor
