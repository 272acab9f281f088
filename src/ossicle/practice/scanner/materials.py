"""What the scanned materials are made of, and how they attenuate X-rays.

Linear attenuation is density times the mass fractions' sum of the elements' mass attenuation coefficients.
These come from ``xraydb`` (tables of Elam, Ravel & Sieber 2002, Radiat. Phys. Chem. 63:121; photoelectric +
coherent + incoherent), which agree with NIST's XCOM.

Sources of the compositions (mass fractions) and densities (g/cm3):

- mineralised tissues: hydroxyapatite Ca5(PO4)3OH, organic matter taken as collagen, and water, at densities
  2.95 (enamel), 2.14 (dentine) and 1.92 (cortical bone). The shares 96/1/3, 70/20/10 and 60/30/10 are the
  usual textbook round figures (value from memory). They give 1.18, 0.74 and 0.62 per cm at 60 keV.
- collagen: elements of ICRU-type protein (H 7, C 50, N 17, O 25, S 1 %; value from memory).
- soft tissue: ICRU-44 four-component soft tissue (H 10.1, C 11.1, N 2.6, O 76.2 %; density 1.06 as for
  muscle and skin rather than 1.00; value from memory). Dried skin and tendon are lighter; they count as
  soft.
- fluid: 70 % (by volume) ethanol in water, 0.886 g/cm3 at 20 degrees C, 62.4 % ethanol by mass (value from
  memory).
- foam: expanded polyethylene, 0.03 g/cm3; tube: polypropylene, 0.905 g/cm3 (common practice, no source).
- metal: iron at 7.87 g/cm3, for a steel pin; aluminium at 2.70 g/cm3 for a tag.
- marrow: as ICRU adipose-rich tissue (H 11.5, C 64.4, N 0.7, O 23.1, others below 0.5 %; 0.98 g/cm3; from
  memory).
- phantom rods: hydroxyapatite in epoxy resin, each with its stated grams of hydroxyapatite per cm3.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import overload

import numpy as np
import xraydb
from numpy.typing import ArrayLike, NDArray

from ossicle.errors import OssicleError

__all__ = [
    "AIR",
    "BONE",
    "DENTINE",
    "ENAMEL",
    "FLUID",
    "FOAM",
    "FOREIGN",
    "MARROW",
    "MATERIALS",
    "METAL",
    "PHANTOM_DENSITIES",
    "PHANTOM_FIRST",
    "PULP",
    "SOFT",
    "TAG",
    "TUBE",
    "Material",
    "attenuation",
    "mu",
    "mu_table",
]

AIR, SOFT, BONE, DENTINE, ENAMEL, FOREIGN, FLUID = range(7)
FOAM, TUBE, METAL, TAG, PULP, MARROW = 7, 8, 9, 10, 11, 12
PHANTOM_FIRST = 20
"""First tissue id of the phantom's rods; the others follow it in the order of `PHANTOM_DENSITIES`."""
PHANTOM_DENSITIES: tuple[float, ...] = (0.0, 0.25, 0.5, 0.75, 1.25)
"""Grams of hydroxyapatite per cm3 in the phantom's rods; the first is bare resin."""


@dataclass(frozen=True)
class Material:
    """A material: its name, density in g/cm3, and mass fraction by element symbol (they sum to 1)."""

    name: str
    density: float
    fractions: Mapping[str, float]


def _formula(formula: str) -> dict[str, float]:
    """Return mass fractions of a chemical formula."""
    masses = {e: n * float(xraydb.atomic_mass(e)) for e, n in xraydb.chemparse(formula).items()}
    whole = sum(masses.values())
    return {element: mass / whole for element, mass in masses.items()}


def _mixture(*shares: tuple[Mapping[str, float], float]) -> dict[str, float]:
    """Return mass fractions of a mixture of (mass fractions, share by mass), made to sum to 1."""
    sums: dict[str, float] = {}
    for fractions, share in shares:
        for element, fraction in fractions.items():
            sums[element] = sums.get(element, 0.0) + share * fraction
    whole = sum(sums.values())
    return {element: value / whole for element, value in sums.items()}


_HYDROXYAPATITE = _formula("Ca5P3O13H")
_WATER = _formula("H2O")
_ETHANOL = _formula("C2H6O")
_COLLAGEN = {"H": 0.07, "C": 0.50, "N": 0.17, "O": 0.25, "S": 0.01}
_EPOXY = _formula("C21H25ClO5")
_EPOXY_DENSITY = 1.16
_HYDROXYAPATITE_DENSITY = 3.16


def _mineral(name: str, density: float, apatite: float, organic: float, water: float) -> Material:
    return Material(name, density, _mixture((_HYDROXYAPATITE, apatite), (_COLLAGEN, organic), (_WATER, water)))


def _rod(apatite: float) -> Material:
    """Return resin that holds ``apatite`` grams of hydroxyapatite per cm3."""
    resin = _EPOXY_DENSITY * (1.0 - apatite / _HYDROXYAPATITE_DENSITY)
    mixed = _mixture((_HYDROXYAPATITE, apatite), (_EPOXY, resin))
    return Material(f"phantom rod, {apatite:g} g/cm3 hydroxyapatite", apatite + resin, mixed)


MATERIALS: dict[int, Material] = {
    AIR: Material("air", 0.001205, {"N": 0.755, "O": 0.232, "Ar": 0.013}),
    SOFT: Material("soft tissue", 1.06, {"H": 0.101, "C": 0.111, "N": 0.026, "O": 0.762}),
    BONE: _mineral("cortical bone", 1.92, 0.60, 0.30, 0.10),
    DENTINE: _mineral("dentine", 2.14, 0.70, 0.20, 0.10),
    ENAMEL: _mineral("enamel", 2.95, 0.96, 0.01, 0.03),
    FOREIGN: Material("polypropylene", 0.905, _formula("C3H6")),
    FLUID: Material("70 % ethanol", 0.886, _mixture((_ETHANOL, 0.624), (_WATER, 0.376))),
    FOAM: Material("polyethylene foam", 0.03, _formula("C2H4")),
    TUBE: Material("polypropylene tube", 0.905, _formula("C3H6")),
    METAL: Material("iron", 7.87, {"Fe": 1.0}),
    TAG: Material("aluminium", 2.70, {"Al": 1.0}),
    PULP: Material("pulp", 1.06, {"H": 0.101, "C": 0.111, "N": 0.026, "O": 0.762}),
    MARROW: Material("marrow", 0.98, _mixture(({"H": 0.115, "C": 0.647, "N": 0.007, "O": 0.231}, 1.0))),
    **{PHANTOM_FIRST + i: _rod(apatite) for i, apatite in enumerate(PHANTOM_DENSITIES)},
}
"""Tissue id to material. Ids 0 to 6 are those of truth files; the rest tell foreign matter apart."""


@lru_cache(maxsize=4096)
def _element_mu(element: str, kev: tuple[float, ...]) -> NDArray[np.float64]:
    """Return an element's mass attenuation coefficient, cm2/g, at each energy in keV."""
    return np.atleast_1d(np.asarray(xraydb.mu_elam(element, np.asarray(kev) * 1e3, kind="total"), dtype=np.float64))


def attenuation(material: Material, energy_kev: ArrayLike) -> NDArray[np.float64]:
    """Return a material's linear attenuation, 1/cm, at each energy in keV (1-D array)."""
    kev = np.atleast_1d(np.asarray(energy_kev, dtype=np.float64))
    if kev.size == 0 or not np.all((kev >= 1.0) & (kev <= 800.0)):
        raise OssicleError("the photon energy is outside 1 to 800 keV", where="energy_kev", mend="give it in keV")
    key = tuple(float(e) for e in kev)
    mass = sum((f * _element_mu(e, key) for e, f in material.fractions.items()), np.zeros(kev.size))
    return np.asarray(material.density * mass, dtype=np.float64)


@overload
def mu(tissue: int, energy_kev: float) -> float: ...
@overload
def mu(tissue: int, energy_kev: NDArray[np.float64]) -> NDArray[np.float64]: ...
def mu(tissue: int, energy_kev: float | NDArray[np.float64]) -> float | NDArray[np.float64]:
    """Return the linear attenuation of a tissue id, 1/cm, at one energy (float) or several (array), in keV.

    Raises
    ------
    OssicleError
        If no material has this id, or an energy is outside 1 to 800 keV.
    """
    if int(tissue) not in MATERIALS:
        known = ", ".join(f"{i} {m.name}" for i, m in MATERIALS.items())
        raise OssicleError(f"no material has the tissue id {tissue}", where="tissue", mend=f"use one of {known}")
    values = attenuation(MATERIALS[int(tissue)], energy_kev)
    return float(values[0]) if np.ndim(energy_kev) == 0 else values


def mu_table(energy_kev: float) -> NDArray[np.float32]:
    """Return attenuation, 1/cm, of each tissue id 0 to 255 at one energy; NaN where none has the id."""
    table = np.full(256, np.nan, dtype=np.float32)
    for tissue in MATERIALS:
        table[tissue] = mu(tissue, energy_kev)
    return table
