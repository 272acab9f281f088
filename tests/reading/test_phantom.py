"""Rods of a density phantom: found, left out, and what they make of greys."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ossicle.errors import OssicleError
from ossicle.practice.making import build
from ossicle.practice.scanner.materials import PHANTOM_DENSITIES
from ossicle.practice.scanner.settings import ScannerSettings
from ossicle.reading.greys import normalise
from ossicle.reading.phantom import Rod, calibrated, find_rods, rod_mask

SHAPE = (60, 80, 80)


def field(rods: dict[tuple[int, int], float], noise: float = 0.03, lean: float = 0.0) -> np.ndarray:
    z, y, x = np.indices(SHAPE)
    out = np.zeros(SHAPE)
    skull = ((z - 30) / 26) ** 2 + ((y - 40) / 20) ** 2 + ((x - 40) / 14) ** 2
    out[(skull < 1) & (skull > 0.6)] = 1.0
    for (row, column), level in rods.items():
        out[np.hypot(y - row - lean * z, x - column) <= 5] = level
    return (out + np.random.default_rng(3).normal(0, noise, SHAPE)).astype(np.float32)


def test_rods_are_found_darkest_first_and_nothing_else_is() -> None:
    values = field({(10, 10): 0.3, (70, 10): 0.1, (10, 70): 1.2})
    rods = find_rods(values, 0.03)
    assert [r.grey for r in rods] == pytest.approx([0.1, 0.3, 1.2], abs=0.01)
    assert [r.centre_yx for r in rods] == [pytest.approx(c, abs=0.3) for c in ((70, 10), (10, 10), (10, 70))]
    mask = rod_mask(rods, SHAPE)
    assert mask[:, 10, 10].all()
    assert not mask[:, 30:50, 25:55].any()


def test_a_skull_alone_a_single_rod_and_a_leaning_one_are_no_phantom() -> None:
    assert find_rods(field({}), 0.03) == ()
    assert find_rods(field({(10, 10): 0.3}), 0.03) == ()
    assert find_rods(field({(8, 10): 0.3, (8, 70): 0.5}, lean=0.5), 0.03) == ()


def test_the_wall_of_a_tube_is_no_rod() -> None:
    _, y, x = np.indices(SHAPE)
    values = field({(10, 10): 0.3, (70, 10): 0.6})
    far = np.hypot(y - 40, x - 40)
    values[(far > 37) & (far < 39)] = 0.4
    assert len(find_rods(values, 0.03)) in (0, 2)  # the wall may run into rods that touch it, and never is one


def rod(grey: float) -> Rod:
    return Rod(np.ones((3, 3), bool), grey, (1.0, 1.0))


def test_densities_follow_a_straight_line() -> None:
    made = calibrated([rod(2000 + 8000 * d) for d in (0.25, 0.5, 0.75, 1.25)], [1.25, 0.75, 0.5, 0.25])
    assert (made.zero, made.slope) == pytest.approx((2000, 8000))
    assert made.error == pytest.approx(0, abs=1e-9)
    assert made.density(2000 + 8000 * 1.1) == pytest.approx(1.1)


def test_a_rod_of_plain_resin_that_cannot_be_seen_may_be_named() -> None:
    assert calibrated([rod(4000), rod(6000)], [0.0, 0.25, 0.5]).rods == 2


def test_an_error_by_hand() -> None:
    """Residuals of 1, -2, 1 about a line: sqrt(6 / 1) in greys, by the slope in g/cm3 (least squares by hand)."""
    made = calibrated([rod(101), rod(198), rod(301)], [1.0, 2.0, 3.0])
    assert made.slope == pytest.approx(100)
    assert made.error == pytest.approx(np.sqrt(6) / 100)


@pytest.mark.parametrize("densities", [[0.5], [0.1, 0.2, 0.3, 0.4]])
def test_too_few_or_too_many_densities_are_refused(densities: list[float]) -> None:
    with pytest.raises(OssicleError, match="2 rods of a density phantom were found"):
        calibrated([rod(10), rod(20)], densities)


def test_greys_that_do_not_rise_with_density_are_refused() -> None:
    with pytest.raises(OssicleError, match="do not rise"):
        calibrated([rod(10), rod(11), rod(12), rod(60)], [0.1, 2.0, 4.0, 4.1])


def test_densities_of_the_scanner_model_come_back() -> None:
    """The forward model's rods (attenuation from xraydb) are read back to their densities."""
    settings = replace(ScannerSettings(), phantom=True)
    grey = np.asarray(build("carnivore-like-newborn", seed=871, voxel_mm=0.15, settings=settings).values, np.float32)
    normal, _, _ = normalise(grey)
    rods = find_rods(normal.values, normal.noise, grey)
    assert len(rods) >= 4
    made = calibrated(rods, PHANTOM_DENSITIES)
    for one, density in zip(rods, sorted(PHANTOM_DENSITIES)[-len(rods) :], strict=True):
        assert made.density(one.grey) == pytest.approx(density, abs=0.04)
