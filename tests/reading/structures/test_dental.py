"""Enamel of a crown whose cap is a half-ball shell."""

from dataclasses import make_dataclass

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from ossicle.reading.structures import Space
from ossicle.reading.structures.dental import crown_enamel, crown_section, enamel_of_crowns
from ossicle.reading.structures.dental_cusps import count_peaks, crown_cusps
from ossicle.reading.structures.loci import StandingTooth


def half_balls(inner: float = 4.0) -> tuple[Space, StandingTooth]:
    """Half-balls of 5 and 4 (or another), lower tooth, crown upward, short root."""
    step = 0.2
    axis = np.arange(-6.1, 6.2, step)
    z, y, x = np.meshgrid(axis, axis, axis, indexing="ij")
    r = np.sqrt(x**2 + y**2 + z**2)
    cap, core = (r <= 5) & (r > inner) & (y > 0), (r <= inner) & (y > -3)
    grey = gaussian_filter(np.where(cap, 1.9, np.where(core, 1.0, 0.0)), 0.7).astype(np.float32)
    labels = np.where(cap | core, 7, 0).astype(np.int32)
    matrix = np.eye(4)
    matrix[:3, 3] = axis[0]
    space = Space(grey, labels, (step,) * 3, matrix, 0.8 * step)
    zero = np.zeros(3)
    tooth = StandingTooth(7, "m1", "lower", "left", "molar", 1, zero, zero, zero, zero, zero, zero, zero)
    return space, tooth


def test_a_crown_of_known_enamel() -> None:
    """Half-balls of 5 and 4 (closed form: average 1.2709, relative 24.83)."""
    space, tooth = half_balls()
    found = crown_enamel(space, tooth, 1.9)
    assert found is not None
    assert found.average_mm == pytest.approx(1.2709, rel=0.06)
    assert found.relative == pytest.approx(24.83, rel=0.06)


def test_a_section_of_a_crown_of_known_enamel() -> None:
    """Half-discs of 5 and 4: area of the cap 9 pi / 2, junction 4 pi, dentine 8 pi; average 1.125, relative 22.44."""
    space, tooth = half_balls()
    found = crown_section(space, tooth, 1.9)
    assert found is not None
    assert found.average_mm == pytest.approx(1.125, rel=0.06)
    assert found.relative == pytest.approx(22.44, rel=0.06)


@pytest.mark.parametrize(("inner", "told"), [(4.0, True), (4.7, False), (4.8, False)])
def test_enamel_is_told_where_it_spans_three_voxels(inner: float, told: bool) -> None:
    """Caps of 5, 1.5 and 1 voxel; blur makes thin ones look thick."""
    space, tooth = half_balls(inner)
    record = make_dataclass("Record", ["part", "completeness", "emergence"])(7, "complete", "erupted")
    found = enamel_of_crowns(space, [tooth], [record], 1.9)  # type: ignore[list-item]
    assert (7 in found) == told
    if told:
        assert found[7].average_mm == pytest.approx(1.2709, rel=0.06)


def test_peaks_of_a_height_field_count_by_their_prominence() -> None:
    """Four peaks on a table; one stands out by 0.2 mm only."""
    y, x = np.mgrid[0:40, 0:40] * 0.1
    tops = ((1.0, 1.0, 1.0), (1.0, 3.0, 0.8), (3.0, 1.0, 0.6), (3.0, 3.0, 0.2))
    height = 2 + sum(h * np.exp(-((x - a) ** 2 + (y - b) ** 2) / 0.18) for a, b, h in tops)
    seen = np.ones(height.shape, bool)
    assert len(count_peaks(height, seen, 0.3)) == 3
    assert len(count_peaks(height, seen, 0.1)) == 4
    assert len(count_peaks(height, seen, 1.5)) == 1  # the highest, from the ground up
    assert len(count_peaks(height, seen, 3.5)) == 0


def crown_of_cones(cusps: int, jaw: str, step: float = 0.1):
    """A block with so many cones of 1 mm on it, in scan axes along the skull's; the crown points to its jaw's side."""
    up = -1.0 if jaw == "upper" else 1.0
    axis = np.arange(-3.0, 3.0, step)
    z, y, x = np.meshgrid(axis, axis, axis, indexing="ij")
    t = up * y
    solid = np.maximum(np.maximum(abs(x) - 1.8, abs(z) - 1.8), np.maximum(t - 0.3, -1.5 - t))
    for cx, cz in ((0.9, 0.9), (-0.9, 0.9), (0.9, -0.9), (-0.9, -0.9))[:cusps]:
        solid = np.minimum(solid, np.maximum(np.hypot(x - cx, z - cz) - 0.65 * (1.3 - t), -t))
    grey = gaussian_filter(np.clip(0.5 - solid / step, 0, 1), 0.7).astype(np.float32)
    matrix = np.eye(4)
    matrix[:3, 3] = axis[0]
    space = Space(grey, np.where(grey > 0.5, 7, 0).astype(np.int32), (step,) * 3, matrix, 0.8 * step)
    low, high = np.array([-1.9, -1.5, -1.9]), np.array([1.9, 1.4, 1.9])
    if jaw == "upper":
        low[1], high[1] = -1.4, 1.5
    zero = np.zeros(3)
    return space, StandingTooth(7, "M1", jaw, "left", "molar", 1, low, high, zero, low, high, low, high)  # type: ignore[arg-type]


@pytest.mark.parametrize("jaw", ["upper", "lower"])
@pytest.mark.parametrize("cusps", [1, 2, 3, 4])
def test_cusps_of_a_crown_in_closed_form(cusps: int, jaw: str) -> None:
    space, tooth = crown_of_cones(cusps, jaw)
    found = crown_cusps(space, tooth)
    assert found is not None
    assert found.count == cusps
    assert found.prominence_mm == pytest.approx(0.04 * 2.9)
    assert abs(found.tips[:, 1]) == pytest.approx(1.3, abs=0.25)


def test_cusps_of_a_crown_of_few_voxels_are_not_told() -> None:
    space, tooth = crown_of_cones(2, "lower", 0.45)
    assert crown_cusps(space, tooth) is None


def test_no_enamel_without_its_grey() -> None:
    labels = np.full((9, 9, 9), 7, np.int32)
    space = Space(np.ones((9, 9, 9), np.float32), labels, (0.1,) * 3, np.eye(4), 0.08)
    zero = np.zeros(3)
    tooth = StandingTooth(7, "m1", "lower", "left", "molar", 1, zero, zero, zero, zero, zero, zero, zero)
    assert crown_enamel(space, tooth, 1.0) is None
    assert crown_enamel(space, tooth, 1.9) is None
