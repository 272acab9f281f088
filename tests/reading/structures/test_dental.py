"""Enamel of a crown whose cap is a half-ball shell."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from ossicle.reading.structures import Space
from ossicle.reading.structures.dental import crown_enamel
from ossicle.reading.structures.loci import StandingTooth


def test_a_crown_of_known_enamel() -> None:
    """Half-balls of 5 and 4 (closed form: average 1.2709, relative 24.83), lower tooth, crown upward, short root."""
    step = 0.2
    axis = np.arange(-6.1, 6.2, step)
    z, y, x = np.meshgrid(axis, axis, axis, indexing="ij")
    r = np.sqrt(x**2 + y**2 + z**2)
    cap, core = (r <= 5) & (r > 4) & (y > 0), (r <= 4) & (y > -3)
    grey = gaussian_filter(np.where(cap, 1.9, np.where(core, 1.0, 0.0)), 0.7).astype(np.float32)
    labels = np.where(cap | core, 7, 0).astype(np.int32)
    matrix = np.eye(4)
    matrix[:3, 3] = axis[0]
    space = Space(grey, labels, (step,) * 3, matrix, 0.8 * step)
    zero = np.zeros(3)
    tooth = StandingTooth(7, "m1", "lower", "left", "molar", 1, zero, zero, zero, zero, zero, zero, zero)
    found = crown_enamel(space, tooth, 1.9)
    assert found is not None
    assert found.average_mm == pytest.approx(1.2709, rel=0.06)
    assert found.relative == pytest.approx(24.83, rel=0.06)


def test_no_enamel_without_its_grey() -> None:
    labels = np.full((9, 9, 9), 7, np.int32)
    space = Space(np.ones((9, 9, 9), np.float32), labels, (0.1,) * 3, np.eye(4), 0.08)
    zero = np.zeros(3)
    tooth = StandingTooth(7, "m1", "lower", "left", "molar", 1, zero, zero, zero, zero, zero, zero, zero)
    assert crown_enamel(space, tooth, 1.0) is None
    assert crown_enamel(space, tooth, 1.9) is None
