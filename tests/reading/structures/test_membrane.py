"""Openings whose area is known in closed form."""

import numpy as np
import pytest

from ossicle.reading.structures.membrane import narrowest, section

from .phantoms import box, cylinder, space_of, without

NORMALS = {"straight": (0.0, 1.0, 0.0), "tilted": (0.35, 0.85, -0.4)}


def holed_plate(normal: np.ndarray, radii: tuple[float, float], step: float, noise: float, blur: float = 0.7):
    """A plate 1 mm thick, an elliptic hole across it, scanned on a turned grid."""
    n = normal / np.linalg.norm(normal)
    solid = without(lambda x: np.abs(x @ n) - 0.5, cylinder(-3 * n, 3 * n, radii, np.array([0.0, 0.3, 1.0])))
    return space_of(solid, [-2.2] * 3, [2.2] * 3, step, noise=noise, blur=blur, turn_deg=(12, 25, -8))


@pytest.mark.parametrize("way", sorted(NORMALS))
@pytest.mark.parametrize("radii", [(1.1, 0.5), (0.6, 0.6), (0.36, 0.24)])
def test_area_of_a_hole_in_a_tilted_plate(way: str, radii: tuple[float, float]) -> None:
    normal = np.array(NORMALS[way])
    space = holed_plate(normal, radii, 0.1, 0.03)
    # told only roughly where it is and which way it looks
    found = narrowest(
        space.at,
        [0.05, -0.03, 0.04],
        normal + np.array([0.2, 0.0, 0.15]),
        reach=2.0,
        along=(-0.35, 0.35),
        step=0.05,
        blur=space.sampled_blur,
    )
    assert found is not None
    assert found.area == pytest.approx(np.pi * radii[0] * radii[1], rel=0.05)
    assert found.length == pytest.approx(2 * radii[0], abs=0.1)
    assert abs(found.normal @ (normal / np.linalg.norm(normal))) > np.cos(np.deg2rad(12))


def test_blur_is_given_back() -> None:
    """The area does not change with blur, where the bare half level would lose pi times its variance."""
    radius, areas = 0.5, []
    for blur in (0.7, 1.0, 1.4):
        space = holed_plate(np.array([0.0, 1.0, 0.0]), (radius, radius), 0.1, 0.0, blur)
        m = section(space.at, np.zeros(3), np.array([0.0, 1.0, 0.0]), 2.0, 0.05, space.sampled_blur)
        assert m is not None
        areas.append(m.area)
    assert np.array(areas) == pytest.approx(np.pi * radius**2, rel=0.04)


def test_no_membrane_where_bone_closes_nothing() -> None:
    space = space_of(box([-2, -0.5, -2], [0.0, 0.5, 2]), [-2.2] * 3, [2.2] * 3, 0.1)
    args = {"reach": 1.5, "along": (-0.3, 0.3), "step": 0.05, "blur": space.sampled_blur}
    assert narrowest(space.at, [0.4, 0, 0], [0, 1, 0], **args) is None
