"""Dentaries drawn in closed form: a body, a ramus, two processes and an angle turned inward by a known amount."""

from dataclasses import replace

import numpy as np
import pytest

from ossicle.reading.structures.jaw import JawFrame, jaw_frame, read_jaw
from ossicle.reading.structures.jaw_foramina import mental_foramina
from ossicle.reading.structures.loci import StandingTooth
from ossicle.reading.structures.surface import surface_points

from .phantoms import box, capsule, cylinder, ellipsoid, joined, space_of, without

LEVEL = JawFrame(0.0)


def dentary(turn_deg: float | None, side: float = 1.0, long: float = 3.0):
    """A left jaw (side 1) with a rod-shaped angular process turned by ``turn_deg``; None leaves it out."""

    def at(x: float, y: float, z: float) -> list[float]:
        return [side * x, y, z]

    parts = [
        capsule(at(1.5, -4, 8), at(4, -4, -8), 1.2),
        _plate(side, [-4.6, -13.5], [1.0, -7.5]),
        capsule(at(4, 0, -10), at(4, 4.5, -11), 0.5),
        capsule(at(4, 0, -12), at(4.2, 1.6, -15.2), 0.7),
    ]
    if turn_deg is not None:
        t = np.deg2rad(turn_deg)
        tip = np.array([4.0, -4.2, -13.0]) + long * np.array([-np.sin(t), 0.1, -np.cos(t)])
        parts.append(capsule(at(4.0, -4.2, -13.0), at(*tip), 0.55))
    return joined(*parts)


def _plate(side: float, low: list[float], high: list[float]):
    x = sorted([side * 3.7, side * 4.3])
    return box([x[0], low[0], low[1]], [x[1], high[0], high[1]])


def read(turn_deg: float | None, side: str = "left", **kind):
    k = 1.0 if side == "left" else -1.0
    solid = dentary(turn_deg, k, **kind)
    x = sorted([0.0, k * 7.0])
    space = space_of(solid, [x[0], -7, -18], [x[1], 7, 11], 0.2, noise=0.03, turn_deg=(3, 5, 0))
    return read_jaw(space, 1, side, [side], LEVEL), space  # type: ignore[arg-type]


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("turn", [0.0, 12.0, 60.0, 80.0])
def test_inflection(turn: float, side: str) -> None:
    half, _ = read(turn, side)
    assert half is not None
    assert half.angle is not None
    assert half.angle.inflection_deg is not None
    assert half.angle.inflection_deg.value == pytest.approx(turn, abs=4.0)
    assert half.angle.form == ("shelf" if turn > 40 else "rod")


def test_no_angular_process_is_invented() -> None:
    half, _ = read(None)
    assert half is not None
    assert half.angle is not None
    assert half.angle.form == "absent"
    assert half.angle.inflection_deg is None
    assert half.angle.reason


def test_length_and_coronoid_height() -> None:
    half, space = read(12.0)
    assert half is not None
    assert half.length_mm is not None
    assert half.coronoid_height_mm is not None
    # from the condyle's hind end (-15.2 - 0.7) to the body's front (8 + 1.2)
    assert half.length_mm.value == pytest.approx(25.1, abs=space.voxel)
    # from the coronoid's tip (4.5 + 0.5) down to the plate's lower edge
    assert half.coronoid_height_mm.value == pytest.approx(9.6, abs=1.5 * space.voxel)
    assert half.symphysis == "other side absent"


def teeth_of(side: float, jaw: str, places: list[float], height) -> list[StandingTooth]:
    """Cheek teeth at the given z, whose necks lie at ``height`` of z."""
    out = []
    for i, z in enumerate(places):
        neck = np.array([side * 2.5, height(z), z])
        half = np.array([0.6, 0.8, 0.8])
        low, high = neck - half, neck + half
        which = "left" if side > 0 else "right"
        kind = "premolar" if i < 3 else "molar"
        letter = ("p" if i < 3 else "m") + str(i % 3 + 1)
        args = (low, high, neck, low, high, low, high)
        out.append(StandingTooth(50 + i, letter, jaw, which, kind, i % 3 + 1, *args))  # type: ignore[arg-type]
    return out


def test_a_jaw_is_closed_until_facing_teeth_run_alike() -> None:
    """Rows that rise behind alike, the lower one opened by six degrees: the curve of the rows does not enter."""

    def curve(z: float) -> float:
        return 0.02 * z * z

    places = [-1.0, -3.0, -5.0, -7.0, -9.0, -11.0]
    open_ = JawFrame(np.deg2rad(6.0))
    upper = [t for k in (1, -1) for t in teeth_of(k, "upper", [z + 0.7 for z in places], curve)]
    lower = [t for k in (1, -1) for t in teeth_of(k, "lower", places, lambda z: curve(z) - 2)]
    turned = [replace(t, neck=open_.to_skull(t.neck)) for t in lower]
    assert np.rad2deg(jaw_frame([*upper, *turned]).pitch_rad) == pytest.approx(6.0, abs=0.8)


def test_a_mental_foramen_of_known_size_and_a_dent_that_is_none() -> None:
    """A canal of 0.4 mm radius leads from the outer face of the body into a cavity; a dent beside it leads nowhere."""
    canal = cylinder([2.7, -4.0, 1.0], [5.5, -4.0, 1.0], (0.4, 0.4), [0, 1, 0])
    hollow = capsule([2.7, -4.0, 2.5], [3.2, -4.0, -2.0], 0.45)
    dent = ellipsoid([4.1, -4.0, -2.4], [0.4, 0.5, 0.5])
    body = box([1.6, -5.6, -5.0], [4.0, -2.2, 5.0])
    low, high = [1.0, -6.5, -5.5], [5.0, -1.5, 5.5]
    teeth = teeth_of(1.0, "lower", [3.0, 1.2, 0.0, -2.0, -3.5], lambda z: -2.2)
    for solid, count in ((without(without(without(body, canal), hollow), dent), 1), (body, 0)):
        space = space_of(solid, low, high, 0.16, noise=0.03, turn_deg=(3, 5, 0))
        found = mental_foramina(space, 1, "left", LEVEL, surface_points(space, 1), teeth)
        assert len(found) == count
        for o in found:
            assert o.area_mm2.value == pytest.approx(np.pi * 0.16, rel=0.12)
            assert np.linalg.norm(o.centre - [4.0, -4.0, 1.0]) < 0.4
            assert o.side == "left"
            assert o.basis == "below p2"


def test_a_person_places_the_tip_of_the_process() -> None:
    half, space = read(12.0)
    assert half is not None
    assert half.angle is not None
    assert half.angle.base is not None
    tip = half.angle.base + 3.0 * np.array([-np.sin(np.pi / 3), 0.0, -np.cos(np.pi / 3)])
    moved = read_jaw(space, 1, "left", ["left"], LEVEL, placed={"angular process, tip left": tip})
    assert moved is not None
    assert moved.angle is not None
    assert moved.angle.inflection_deg is not None
    assert moved.angle.inflection_deg.value == pytest.approx(60.0, abs=0.1)
    assert moved.angle.form == "shelf"


def test_a_jaw_without_teeth_is_left_as_it_stands() -> None:
    assert jaw_frame([]).pitch_rad == 0.0
