"""A closed shell with a way out behind: volume in closed form, and by another library."""

import numpy as np
import pytest
import SimpleITK as sitk

from ossicle.reading.structures.braincase import read_braincase, sides_walled

from .phantoms import cylinder, ellipsoid, joined, space_of, without

RADII = np.array([4.0, 3.5, 6.0])


def skull(hole: float, step: float = 0.2):
    """A shell half a millimetre thick, with a snout before it; ``hole`` is the radius of its foramen magnum."""
    shell = without(ellipsoid([0, 0, 0], RADII + 0.5), ellipsoid([0, 0, 0], RADII))
    snout = cylinder([0, -1.5, 5.5], [0, -1.5, 16], (1.6, 1.4), [1, 0, 0])
    inside = ellipsoid([0, 0, 0], RADII)
    solid = joined(shell, without(snout, inside))
    if hole:
        solid = without(solid, cylinder([0, -0.5, -4], [0, -0.5, -8], (1.2 * hole, hole), [1, 0, 0]))
    return space_of(solid, [-6, -6, -8], [6, 6, 17], step, noise=0.03, turn_deg=(0, 6, 0))


@pytest.fixture(scope="module")
def opened():
    space = skull(1.0)
    return space, read_braincase(space, 1)


def test_volume_of_an_opened_shell(opened) -> None:
    found, _ = opened[1]
    assert found.volume_mm3 is not None
    assert found.volume_mm3.value == pytest.approx(4 / 3 * np.pi * np.prod(RADII), rel=0.02)
    assert found.volume_mm3.error < 0.03 * found.volume_mm3.value


def test_foramen_magnum(opened) -> None:
    found, _ = opened[1]
    assert found.magnum is not None
    assert found.magnum.area_mm2.value == pytest.approx(np.pi * 1.2, rel=0.06)
    assert found.magnum.centre[2] == pytest.approx(-6, abs=0.8)


def test_volume_of_a_closed_shell_agrees_with_another_library() -> None:
    space = skull(0.0)
    found, _ = read_braincase(space, 1)
    assert found.volume_mm3 is not None
    assert found.magnum is None
    solid = sitk.GetImageFromArray((space.values > 0.5).astype(np.uint8))
    filled = sitk.GetArrayFromImage(sitk.BinaryFillhole(solid)).astype(bool)
    other = float((filled & ~(space.values > 0.5)).sum()) * space.voxel**3
    assert found.volume_mm3.value == pytest.approx(other, rel=0.02)


def test_a_solid_block_has_no_cavity() -> None:
    space = space_of(ellipsoid([0, 0, 0], [4, 4, 8]), [-5, -5, -9], [5, 5, 9], 0.3)
    found, cavity = read_braincase(space, 1)
    assert found.volume_mm3 is None
    assert cavity is None
    assert found.reason


def test_walled_sides_are_counted() -> None:
    solid = np.zeros((5, 5, 5), bool)
    solid[0], solid[-1], solid[:, 0], solid[:, -1] = True, True, True, True
    assert sides_walled(solid)[2, 2, 2] == 4
