"""Nasal cavity and occipital condyles on solids in closed form."""

import numpy as np
import pytest

from ossicle.reading.structures.braincase import INSIDE, Cavity
from ossicle.reading.structures.lengths import Ruler
from ossicle.reading.structures.nose import find_nose
from ossicle.reading.structures.occiput import condyle_breadth
from ossicle.reading.structures.records import Opening, Palate, Value
from ossicle.reading.structures.space import Block
from ossicle.reading.structures.surface import surface_points

from .phantoms import box, capsule, cylinder, ellipsoid, joined, space_of, without

HALF, LONG, HIND = (1.9, 1.5), 9.0, 0.0
"""Half axes of the nasal passage, how far forward its nares lie, and where the palate ends (mm)."""
SEEN = Value(1.0, 0.1)


def snout(*more, step: float = 0.16):
    """A passage along the snout, open by nares in front, and behind the palate open downward into the throat."""
    outer = cylinder([0, 0, -2.5], [0, 0, LONG + 0.4], (HALF[0] + 0.5, HALF[1] + 0.5), [1, 0, 0])
    inner = cylinder([0, 0, HIND - 2.0], [0, 0, LONG], HALF, [1, 0, 0])
    nares = cylinder([0, 0.2, LONG - 1], [0, 0.2, LONG + 2], (0.6, 0.5), [1, 0, 0])
    throat = box([-4, -4, HIND - 2.0], [4, -0.4, HIND])
    solid = joined(without(outer, joined(inner, nares, throat)), *more)
    return space_of(solid, [-4, -6, -4], [4, 3, LONG + 3], step, blur=0.8, noise=0.02)


def palate() -> Palate:
    return Palate((), 20.0, 0.0, HIND, np.zeros((2, 2), np.float32), (0.0, 0.0), 0.1)


def brain() -> Cavity:
    """Some cells of a braincase behind the snout."""
    block = Block(np.zeros((8, 8, 8), np.float32), np.array([-2.0, -2.0, -8.0]), 0.5)
    zones = np.full((8, 8, 8), INSIDE, np.int32)
    return Cavity(block, np.zeros((8, 8, 8), bool), zones, (4, 4, 4), 2.0)


def test_volume_of_the_nasal_cavity() -> None:
    nose, why = find_nose(snout(), 1, palate(), brain())
    assert nose is not None, why
    # an elliptic cylinder from the palate's end to the nares; what the flood takes of the throat's roof is its error
    assert nose.volume_mm3.value == pytest.approx(np.pi * HALF[0] * HALF[1] * (LONG - HIND), rel=0.10)
    assert np.abs(nose.points.mean(0)[:2]).max() < 0.2
    assert nose.points[:, 2].min() > HIND - 2.2


def test_a_lower_jaw_makes_no_second_nose() -> None:
    """A bar below the palate walls the mouth from below; by its label it walls nothing."""
    bar = joined(capsule([-1.6, -3.4, 0], [-1.6, -3.4, LONG], 0.35), box([-1.6, -3.7, 1], [1.6, -3.2, LONG]))
    space = snout(bar)
    height = space.skull_mm(np.argwhere(space.labels == 1))[:, 1]
    space.labels[tuple(np.argwhere(space.labels == 1)[height < -2.5].T)] = 2
    nose, why = find_nose(space, 1, palate(), brain(), apart=[2])
    assert nose is not None, why
    assert nose.points[:, 1].min() > -HALF[1] - 0.3
    assert nose.volume_mm3.value == pytest.approx(np.pi * HALF[0] * HALF[1] * (LONG - HIND), rel=0.10)


def test_no_nose_in_solid_bone() -> None:
    space = space_of(box([-2, -2, -3], [2, 2, 8]), [-3, -3, -4], [3, 3, 9], 0.25)
    nose, why = find_nose(space, 1, palate(), brain())
    assert nose is None
    assert "bone above, below and on both sides" in why


@pytest.mark.parametrize(("apart", "wide"), [(2.2, 0.8), (1.9, 1.0)])
def test_breadth_across_the_condyles(apart: float, wide: float) -> None:
    """Two half-balls on a flat occiput: from outer rim to outer rim."""
    bumps = [ellipsoid([s * apart, -1.2, 0], [wide, 1.0, 0.9]) for s in (1, -1)]
    plate = without(box([-5, -4, 0], [5, 4, 1.5]), cylinder([0, 0, -3], [0, 0, 3], (1.6, 1.3), [1, 0, 0]))
    space = space_of(joined(plate, *bumps), [-5.5, -4.5, -2], [5.5, 4.5, 3], 0.1, blur=0.8, noise=0.02)
    turn = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    rim = np.stack([1.6 * np.cos(turn), 1.3 * np.sin(turn), 0 * turn + 0.4], axis=1)
    magnum = Opening("foramen magnum", "midline", SEEN, SEEN, SEEN, 9.0, rim.mean(0), rim, 1.0, "")
    found = condyle_breadth(Ruler(space, 0.5), surface_points(space, 1), magnum)
    assert found is not None
    assert found.value_mm.value == pytest.approx(2 * (apart + wide), abs=0.3)
    assert abs(found.value_mm.value - 2 * (apart + wide)) < 3 * found.value_mm.error
    assert set(found.marks) == {"occipital condyle, outermost left", "occipital condyle, outermost right"}


def test_a_flat_occiput_has_no_condyles() -> None:
    plate = without(box([-5, -4, 0], [5, 4, 1.5]), cylinder([0, 0, -3], [0, 0, 3], (1.6, 1.3), [1, 0, 0]))
    space = space_of(plate, [-5.5, -4.5, -2], [5.5, 4.5, 3], 0.15, noise=0.02)
    turn = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    rim = np.stack([1.6 * np.cos(turn), 1.3 * np.sin(turn), 0 * turn + 0.4], axis=1)
    magnum = Opening("foramen magnum", "midline", SEEN, SEEN, SEEN, 9.0, rim.mean(0), rim, 1.0, "")
    assert condyle_breadth(Ruler(space, 0.5), surface_points(space, 1), magnum) is None
