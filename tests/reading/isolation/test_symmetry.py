"""The plane of symmetry and the pose, on shapes whose symmetry is known in closed form."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from ossicle.reading.hints import Midplane
from ossicle.reading.pose import find_pose
from ossicle.reading.symmetry import find_plane, half_sphere


def lopsided(rotation: Rotation, sides: int = 48, drop: bool = False) -> np.ndarray:
    """A bilaterally symmetric, otherwise irregular body: ellipsoids in pairs about x = 0, turned by ``rotation``."""
    grid = np.stack(np.meshgrid(*[np.linspace(-1, 1, sides)] * 3, indexing="ij"), -1)[..., ::-1]
    local = rotation.inv().apply(grid.reshape(-1, 3)).reshape(grid.shape)
    mask = np.zeros(grid.shape[:3], bool)
    pieces = [((0, 0.05, -0.2), (0.3, 0.25, 0.6)), ((0, -0.1, 0.5), (0.12, 0.1, 0.3))]
    for x, y, z, r in ((0.35, 0.1, -0.3, 0.2), (0.25, -0.3, 0.2, 0.12), (0.4, 0.25, 0.05, 0.1)):
        pieces += [((x, y, z), (r, r, r)), ((-x, y, z), (r, r, r))]
    if drop:
        pieces.pop()
    for centre, radii in pieces:
        mask |= (((local - centre) / np.array(radii)) ** 2).sum(-1) < 1
    return mask


def test_half_sphere_is_even_and_unit() -> None:
    points = half_sphere(500)
    np.testing.assert_allclose(np.linalg.norm(points, axis=1), 1)
    assert (points[:, 2] >= 0).all()
    nearest = np.sort(np.arccos(np.clip(np.abs(points @ points.T), 0, 1)), axis=1)[:, 1]
    assert nearest.max() < 2.2 * np.sqrt(2 * np.pi / 500)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("drop", [False, True])
def test_plane_of_a_turned_body(seed: int, drop: bool) -> None:
    rotation = Rotation.random(random_state=seed)
    step = 2 / 47
    plane = find_plane(lopsided(rotation, drop=drop), (step, step, step))
    true = rotation.apply([1.0, 0, 0])
    assert abs(float(plane.normal @ true)) > np.cos(np.radians(3))
    assert plane.score > 0.8
    centre = np.array([1.0, 1.0, 1.0])  # the origin of the body, in mm from the first voxel
    assert abs(float(plane.normal @ centre) - plane.offset) < 1.2 * step


def teeth(rotation: Rotation) -> np.ndarray:
    z = np.linspace(0.1, 0.75, 8)
    points = np.concatenate([np.stack([s * (0.2 - 0.1 * z), np.full(8, -0.2), z], -1) for s in (1, -1)])
    return rotation.apply(points) + 1.0


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("right_handed", [True, False])
def test_pose_finds_up_front_and_left(seed: int, right_handed: bool) -> None:
    rotation = Rotation.random(random_state=10 + seed)
    step = 2 / 47
    points = teeth(rotation)
    pose, frame, _ = find_pose(
        lopsided(rotation), (step, step, step), points, np.ones(len(points)), right_handed=right_handed
    )
    left, up, front = rotation.apply(np.eye(3))
    assert frame.front @ front > 0.95
    assert frame.up @ up > 0.95
    sign = 1 if right_handed else -1
    assert sign * (frame.left @ left) > 0.95
    assert np.sign(np.linalg.det(np.asarray(pose.scan_to_skull)[:3, :3])) == sign


def test_up_is_found_where_rows_are_tilted_and_rami_are_heavy() -> None:
    """A juvenile's head bent down on its base, with large rami beside and below: the base by the midplane tells."""
    rotation = Rotation.from_euler("xyz", [0.3, -0.2, 0.5])
    step = 2 / 47
    grid = np.stack(np.meshgrid(*[np.linspace(-1, 1, 48)] * 3, indexing="ij"), -1)[..., ::-1]
    local = rotation.inv().apply(grid.reshape(-1, 3)).reshape(grid.shape)
    mask = lopsided(rotation)
    pieces = [((x, -0.6, -0.4), (0.2, 0.38, 0.55)) for x in (0.42, -0.42)] + [((0.0, -0.5, 0.45), (0.15, 0.16, 0.45))]
    for place, half in pieces:
        mask |= (((local - np.array(place)) / np.array(half)) ** 2).sum(-1) < 1
    points = rotation.inv().apply(teeth(rotation) - 1.0)
    points[:, 1] -= 0.5 * (points[:, 2] - 0.4)  # the front of the rows lies deeper
    points = rotation.apply(points) + 1.0
    _, frame, _ = find_pose(mask, (step, step, step), points, np.ones(len(points)))
    _, up, front = rotation.apply(np.eye(3))
    assert frame.front @ front > 0.85
    assert frame.up @ up > 0.85


def test_a_person_may_lay_the_midplane_and_say_what_is_up() -> None:
    rotation = Rotation.from_euler("xyz", [0.2, 0.1, 0.3])
    step = 2 / 47
    left, up, front = rotation.apply(np.eye(3))
    centre = np.ones(3)
    said = Midplane(
        points_mm=tuple(tuple(centre + a * up + b * front) for a, b in ((0, 0), (0.3, 0), (0, 0.3), (0.2, 0.2))),
        up_mm=tuple(-up),
        front_mm=tuple(front),
    )
    points = teeth(rotation)
    pose, frame, _ = find_pose(lopsided(rotation), (step, step, step), points, np.ones(len(points)), midplane=said)
    assert frame.up @ -up > 0.999
    assert abs(frame.left @ left) > 0.999
    assert pose.up_confidence == 1.0
