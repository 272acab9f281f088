"""Landmarks that a person places: measures follow them, and those appear whose two ends were placed."""

import numpy as np
import pytest

from ossicle.anatomy import load_measurements
from ossicle.reading.structures import Space
from ossicle.reading.structures.lengths import Ruler, marks_of
from ossicle.reading.structures.lengths_placed import marks_at, with_placed

VOXEL = 0.1


@pytest.fixture
def ruler() -> Ruler:
    matrix = np.eye(4)
    matrix[:3, 3] = -10.0
    grey = np.zeros((200, 200, 200), np.float32)
    return Ruler(Space(grey, grey.astype(np.int32), (VOXEL,) * 3, matrix, VOXEL), 1.0)


def test_a_measure_follows_its_end_and_counts_along_its_direction(ruler: Ruler) -> None:
    found = ruler.between("basal length", "basal_length", np.array([0.0, 0, 5]), np.array([0.0, 1, -5]), 2)
    assert found is not None
    assert found.value_mm.value == pytest.approx(10.0)
    # two ends of a voxel's uniform error, and a lean of one degree over 1 mm
    lean = 10 * (1 - np.cos(np.deg2rad(1))) + np.sin(np.deg2rad(1))
    assert found.value_mm.error == pytest.approx(np.hypot(VOXEL / np.sqrt(12) * np.sqrt(2), lean), rel=0.01)
    assert set(marks_at([found])) == {"prosthion", "basion"}
    moved = with_placed([found], {"basion": np.array([0.0, 3.0, -6.0])}, ruler, ())
    assert [m.value_mm.value for m in moved] == [pytest.approx(11.0)]
    assert moved[0].value_mm.error > found.value_mm.error  # it leans more
    assert with_placed([found], {"opisthion": np.zeros(3)}, ruler, ()) == [found]


def test_every_definition_that_has_ends_can_be_placed_by_hand(ruler: Ruler) -> None:
    rng = np.random.default_rng(1)
    placed, expected = {}, 0
    for d in load_measurements().values():
        sides = ("left", "right") if d.sides == "paired" else (None,)
        for side in sides if d.marks else ():
            a, b = marks_of(d.id, side)
            placed.setdefault(a, np.array([4.0, 4.0, 4.0]) + rng.uniform(-1, 1, 3))
            placed.setdefault(b, np.array([-4.0, -4.0, -4.0]) + rng.uniform(-1, 1, 3))
            expected += 1
    found = with_placed([], placed, ruler, ())
    assert len(found) == expected
    assert len({m.name for m in found}) == expected
    nasal = next(m for m in found if m.name == "nasal length left")
    ends = placed["nasal, foremost left"] - placed["nasal, hindmost left"]
    assert nasal.value_mm.value == pytest.approx(ends[2])
    broad = next(m for m in found if m.name == "mastoid breadth")
    assert broad.value_mm.value == pytest.approx(
        (placed["mastoid process, outermost left"] - placed["mastoid process, outermost right"])[0]
    )
    # one end is not enough, nor two on the edge of the scan
    assert with_placed([], {"nasal, foremost left": np.zeros(3)}, ruler, ()) == []
    edge = {"zygion left": np.array([9.9, 0, 0]), "zygion right": np.array([-9.9, 0, 0])}
    assert with_placed([], edge, ruler, ()) == []
