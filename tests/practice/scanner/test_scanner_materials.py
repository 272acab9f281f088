"""Attenuation and the beam against tables."""

import numpy as np
import pytest
import xraydb

from ossicle.errors import OssicleError
from ossicle.practice.scanner import MATERIALS, mu
from ossicle.practice.scanner.materials import (
    BONE,
    DENTINE,
    ENAMEL,
    FLUID,
    METAL,
    PHANTOM_DENSITIES,
    PHANTOM_FIRST,
    SOFT,
    TAG,
    Material,
    attenuation,
)
from ossicle.practice.scanner.projections import basis
from ossicle.practice.scanner.settings import ScannerSettings
from ossicle.practice.scanner.spectrum import effective_kev, polychromatic

WATER = Material("water", 1.0, {"H": 2 * 1.008 / 18.015, "O": 15.999 / 18.015})


@pytest.mark.parametrize(
    ("material", "kev", "expected"),
    [
        # NIST X-Ray Mass Attenuation Coefficients (Hubbell & Seltzer), tables 3 and 4, cm2/g; from memory.
        (WATER, 40, 0.2683),
        (WATER, 60, 0.2059),
        (WATER, 80, 0.1837),
        (MATERIALS[METAL], 60, 1.205 * 7.87),
        (MATERIALS[METAL], 100, 0.3717 * 7.87),
        (MATERIALS[TAG], 60, 0.2778 * 2.70),
    ],
)
def test_attenuation_agrees_with_nist(material: Material, kev: float, expected: float) -> None:
    assert attenuation(material, kev)[0] == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize(
    ("tissue", "at_40_60_80"),
    # The project's table for enamel 2.95, dentine 2.14 and cortical bone 1.92 g/cm3, 1/cm (from xraydb).
    [(ENAMEL, (2.83, 1.18, 0.76)), (DENTINE, (1.64, 0.74, 0.50)), (BONE, (1.33, 0.62, 0.43))],
)
def test_mineralised_tissues_agree_with_the_table(tissue: int, at_40_60_80: tuple[float, ...]) -> None:
    assert mu(tissue, np.array([40.0, 60.0, 80.0])) == pytest.approx(at_40_60_80, abs=0.006)


def test_fluid_is_the_mixture_xraydb_gives() -> None:
    kev = np.array([30.0, 60.0, 90.0])
    parts = 0.624 * xraydb.material_mu("C2H5OH", kev * 1e3, density=1.0)
    parts += 0.376 * xraydb.material_mu("H2O", kev * 1e3, density=1.0)
    assert mu(FLUID, kev) == pytest.approx(0.886 * parts, rel=1e-4)


def test_cortical_bone_is_near_the_icru_composition() -> None:
    # ICRU-44 cortical bone, mass fractions and 1.92 g/cm3 (as in NIST's table of materials; from memory).
    icru = {"H": 3.4, "C": 15.5, "N": 4.2, "O": 43.5, "Na": 0.1, "Mg": 0.2, "P": 10.3, "S": 0.3, "Ca": 22.5}
    whole = sum(icru.values())
    reference = Material("ICRU-44", 1.92, {e: w / whole for e, w in icru.items()})
    for kev in (40.0, 60.0, 80.0):
        assert mu(BONE, kev) == pytest.approx(attenuation(reference, kev)[0], rel=0.05)


def test_mass_fractions_sum_to_one() -> None:
    for material in MATERIALS.values():
        assert sum(material.fractions.values()) == pytest.approx(1.0, abs=1e-9)


def test_rods_hold_the_stated_apatite() -> None:
    calcium = 5 * 40.078 / 502.31  # share of calcium in hydroxyapatite, Ca5(PO4)3OH
    for i, density in enumerate(PHANTOM_DENSITIES):
        rod = MATERIALS[PHANTOM_FIRST + i]
        assert rod.density * rod.fractions.get("Ca", 0.0) == pytest.approx(density * calcium, rel=1e-3, abs=1e-9)


@pytest.mark.parametrize(("tissue", "kev"), [(99, 60.0), (BONE, 0.5), (BONE, float("nan"))])
def test_unknown_tissue_or_energy_is_refused(tissue: int, kev: float) -> None:
    with pytest.raises(OssicleError):
        mu(tissue, kev)


def test_a_filter_takes_away_by_beers_law() -> None:
    bare = polychromatic(100.0, ())
    filtered = polychromatic(100.0, (("Cu", 0.5),))
    kev = np.intersect1d(bare.kev, filtered.kev)
    kev = kev[(kev > 30) & (kev < 99)]
    ratio = filtered.photons[np.isin(filtered.kev, kev)] / bare.photons[np.isin(bare.kev, kev)]
    passed = np.exp(-0.05 * xraydb.material_mu("Cu", kev * 1e3, density=xraydb.atomic_density("Cu")))
    assert ratio / ratio[0] == pytest.approx(passed / passed[0], rel=1e-6)


def test_the_spectrum_ends_at_the_tube_voltage_and_hardens() -> None:
    soft, hard = polychromatic(60.0, (("Al", 0.5),)), polychromatic(100.0, (("Al", 1.0), ("Cu", 0.5)))
    assert soft.kev.max() < 60.0
    assert soft.signal.sum() == pytest.approx(1.0)
    assert soft.signal @ soft.kev < hard.signal @ hard.kev
    assert 20.0 < effective_kev(soft) < effective_kev(hard) < 100.0
    lines = polychromatic(100.0, (("Al", 1.0),), lines=0.5)
    plain = polychromatic(100.0, (("Al", 1.0),))
    at = int(np.argmin(np.abs(lines.kev - 59.3)))
    assert lines.photons[at] > 1.2 * plain.photons[at]


def test_few_basis_functions_stand_for_all_tissues() -> None:
    spectrum = ScannerSettings().spectrum
    ids = (0, SOFT, BONE, DENTINE, ENAMEL, FLUID)
    chosen = basis(ids, spectrum)
    assert chosen.table.shape[1] <= 3
    for tissue in ids[1:]:
        assert chosen.table[tissue] @ chosen.functions == pytest.approx(mu(tissue, spectrum.kev), rel=2e-3)
    with_metal = basis((*ids, METAL), spectrum)
    assert with_metal.table[METAL] @ with_metal.functions == pytest.approx(mu(METAL, spectrum.kev), rel=2e-3)
