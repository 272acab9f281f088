"""Enamel thickness on half-balls, whose figures are known in closed form."""

import numpy as np
import pytest

from ossicle.reading.structures import enamel_thickness_2d, enamel_thickness_3d

STEP = 0.125


def half_balls() -> tuple[np.ndarray, np.ndarray]:
    """Enamel of 5 mm over dentine of 4 mm radius, both cut flat at z = 0."""
    axis = np.arange(-5.5 + STEP / 2, 5.5, STEP)
    z, y, x = np.meshgrid(axis, axis, axis, indexing="ij")
    r = np.sqrt(x**2 + y**2 + z**2)
    above = z > 0
    return (r <= 5) & (r > 4) & above, (r <= 4) & above


def test_three_dimensions() -> None:
    enamel, dentine = half_balls()
    found = enamel_thickness_3d(enamel, dentine, (STEP,) * 3)
    assert found is not None
    # Closed form: cap 2/3 pi (125 - 64), junction 2 pi 16, dentine 2/3 pi 64.
    assert found.enamel == pytest.approx(127.76, rel=0.01)
    assert found.junction == pytest.approx(100.53, rel=0.02)
    assert found.average_mm == pytest.approx(1.2709, rel=0.02)
    assert found.relative == pytest.approx(24.83, rel=0.02)


def test_a_section() -> None:
    enamel, dentine = half_balls()
    middle = enamel.shape[1] // 2
    found = enamel_thickness_2d(enamel[:, middle], dentine[:, middle], (STEP, STEP))
    assert found is not None
    # Closed form: half-rings, pi/2 (25 - 16), over the half circle pi 4; dentine pi/2 16.
    assert found.average_mm == pytest.approx(9 / 8, rel=0.02)
    assert found.relative == pytest.approx(100 * 9 / 8 / np.sqrt(8 * np.pi), rel=0.02)


def test_nothing_from_nothing() -> None:
    enamel, dentine = half_balls()
    assert enamel_thickness_3d(enamel & False, dentine, (STEP,) * 3) is None
    assert enamel_thickness_2d(enamel[0], dentine[0], (STEP, STEP)) is None
