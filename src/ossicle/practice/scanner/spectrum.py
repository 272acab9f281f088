"""The X-ray beam: an analytic tungsten spectrum, its filters and the detector's response.

Bremsstrahlung of a thick target by Kramers' law (Kramers 1923, Phil. Mag. 46:836): photons per energy are
proportional to (E0 - E) / E. The target's own absorption is that of a few micrometres of tungsten, which
shows as a step at its K edge; filters and the exit window absorb by Beer's law with ``xraydb``
coefficients. The K lines of tungsten (59.32, 57.98, 67.24 and 69.10 keV; X-ray Data Booklet, table 1-2,
from memory) are added when asked, with their total as a share of the photons made above 69.5 keV (common
practice, no source). The detector integrates energy in caesium iodide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xraydb
from numpy.typing import NDArray

from ossicle.practice.scanner.materials import BONE, mu

__all__ = ["Spectrum", "effective_kev", "mono", "polychromatic"]

_LINES = ((59.318, 0.50), (57.982, 0.29), (67.244, 0.16), (69.10, 0.05))
_K_EDGE = 69.525


@dataclass(frozen=True)
class Spectrum:
    """Energies in keV, and the share of the detector's signal (and of the photons counted) in open beam at
    each.

    ``signal`` and ``photons`` each sum to 1.
    """

    kev: NDArray[np.float64]
    photons: NDArray[np.float64]
    signal: NDArray[np.float64]


def mono(energy_kev: float) -> Spectrum:
    """Return a beam of one energy, in keV."""
    return Spectrum(np.array([energy_kev]), np.ones(1), np.ones(1))


def polychromatic(
    kv: float,
    filters: Sequence[tuple[str, float]] = (("Al", 1.0),),
    *,
    target_um: float = 3.0,
    scintillator_mm: float = 0.3,
    lines: float = 0.0,
    step_kev: float = 2.0,
) -> Spectrum:
    """Return the spectrum of a tungsten tube.

    Parameters
    ----------
    kv
        Tube voltage.
    filters
        Elements or formulas known to xraydb, with their thickness in mm.
    target_um
        Tungsten crossed on the way out of the target, in micrometres.
    scintillator_mm
        Thickness of caesium iodide; it sets which share of each energy is counted.
    lines
        Photons in the K lines over bremsstrahlung photons above the K edge; 0 leaves them out.
    step_kev
        Width of an energy bin; a bin is represented by its middle.
    """
    kev = np.arange(5.0 + step_kev / 2, kv, step_kev)
    made = np.clip(kv - kev, 0.0, None) / kev
    if lines > 0 and kv > _K_EDGE:
        whole = lines * made[kev > _K_EDGE].sum()
        for energy, share in _LINES:
            made[int(np.argmin(np.abs(kev - energy)))] += whole * share
    depth = target_um * 1e-4 * _mu("W", kev)
    for name, thickness in filters:
        depth = depth + thickness * 0.1 * _mu(name, kev)
    seen = 1.0 - np.exp(-scintillator_mm * 0.1 * np.asarray(xraydb.material_mu("CsI", kev * 1e3, density=4.51)))
    photons = made * np.exp(-depth) * seen
    keep = photons > 1e-5 * photons.max()
    kev, photons = kev[keep], photons[keep] / photons[keep].sum()
    signal = photons * kev
    return Spectrum(kev, photons, signal / signal.sum())


def effective_kev(spectrum: Spectrum, bone_mm: float = 3.0) -> float:
    """Return the energy, in keV, at which cortical bone attenuates as it does on average over the spectrum.

    The average is that of the line integral through ``bone_mm`` of bone, about what a ray crosses in a
    small skull.
    """
    depth = bone_mm / 10
    passed = float(np.sum(spectrum.signal * np.exp(-depth * mu(BONE, spectrum.kev))))
    mean = -np.log(passed) / depth
    grid = np.linspace(spectrum.kev[0], max(spectrum.kev[-1], spectrum.kev[0] + 1e-3), 400)
    return float(np.interp(-mean, -mu(BONE, grid), grid))


def _mu(name: str, kev: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return linear attenuation, 1/cm, of a filter given as an element or a formula known to xraydb."""
    return np.asarray(xraydb.material_mu(name, kev * 1e3, density=_density(name)), dtype=np.float64)


def _density(name: str) -> float:
    """Return a filter's density in g/cm3."""
    return float(xraydb.atomic_density(name)) if len(name) <= 2 else float(xraydb.get_material(name)[1])
