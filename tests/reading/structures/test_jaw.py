"""Dentaries drawn in closed form: a body, a ramus, two processes and an angle turned inward by a known amount."""

import numpy as np
import pytest

from ossicle.reading.structures.jaw import JawFrame, jaw_frame, read_jaw

from .phantoms import box, capsule, joined, space_of

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


def test_a_jaw_without_teeth_is_left_as_it_stands() -> None:
    assert jaw_frame([]).pitch_rad == 0.0
