"""Openings of the practice palates, measured on the model: bone closes them all round, and they lead through."""

import numpy as np
import pytest

from ossicle.practice.shapes import smooth_max, smooth_min
from ossicle.practice.specimen import Anatomy, anatomy


def skull_at(a: Anatomy, points: np.ndarray) -> np.ndarray:
    """Distance (mm) to the cranium before its openings are cut."""
    assert a.cranium is not None
    x, y, z = np.ascontiguousarray(points.T.astype(np.float32))
    d = np.full(len(points), 50.0, np.float32)
    for op in a.cranium.ops:
        e = op.solid(x, y, z)
        d = smooth_min(d, e, op.k) if op.verb == "add" else smooth_max(d, -e, op.k)
    return d


@pytest.mark.parametrize("stage", ["newborn", "adult"])
@pytest.mark.parametrize("name", ["metatherian", "small-placental", "carnivore-like"])
def test_openings_lie_in_bone_and_lead_through_it(name: str, stage: str) -> None:
    a = anatomy(name, stage, 861)
    heights = np.arange(-1.5, 4.0, 0.05)
    seen = [o for o in a.openings if o.term != "foramen magnum"]
    assert seen
    for o in seen:
        way = np.c_[np.full(len(heights), o.centre[0]), heights, np.full(len(heights), o.centre[2])]
        bone = skull_at(a, way) < 0
        plate = np.flatnonzero(bone)
        last = plate[0] + int(np.argmin(bone[plate[0] :]))  # the nasal face of the palate
        cut = o.solid(*np.ascontiguousarray(way.T.astype(np.float32))) < 0
        assert cut[plate[0] : last].all(), (name, stage, o.term, o.side)
        # a little outward of its rim there is bone on the way up, all round
        for turn in np.linspace(0, 2 * np.pi, 16, endpoint=False):
            side = way + np.array([np.cos(turn), 0, np.sin(turn)]) * (
                np.array([min(o.half_axes), 0, max(o.half_axes)]) + 0.12
            )
            held = skull_at(a, side) < 0
            first = np.flatnonzero(held)
            assert len(first), (name, stage, o.term, o.side)
            assert heights[first[0]] < heights[plate[0]] + 0.7, (name, stage, o.term, o.side)


def test_the_palate_ends_in_bone_before_the_choanae() -> None:
    """Behind the hindmost opening the metatherian's palate is closed across the midplane."""
    a = anatomy("metatherian", "adult", 861)
    hindmost = min(o.centre[2] - max(o.half_axes) for o in a.openings if o.term == "palatine fenestra")
    heights = np.arange(0.0, 2.2, 0.05)
    across = np.linspace(-1.2, 1.2, 9)
    points = np.array([[x, y, hindmost - 0.3] for x in across for y in heights])
    assert (skull_at(a, points).reshape(len(across), -1) < 0).any(axis=1).all()
