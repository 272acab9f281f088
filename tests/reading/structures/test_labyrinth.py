"""A small labyrinth in closed form: a vestibule in a block of bone, two windows and a ring; rooms and least cuts."""

import numpy as np
import pytest
import SimpleITK as sitk

from ossicle.reading.structures.labyrinth import Labyrinth, labyrinth_in, ways_out
from ossicle.reading.structures.labyrinth_canals import arc_of_points, canal_radii
from ossicle.reading.structures.labyrinth_rooms import (
    FULL,
    even_directions,
    inner_rooms,
    rooms_of,
    walled_share,
)
from ossicle.reading.structures.windows import filled_section, read_windows

from .phantoms import box, cylinder, ellipsoid, joined, space_of, without

OVAL, ROUND = np.array([0.68, -0.72, 0.1]), np.array([-0.35, -0.75, -0.55])
VESTIBULE = 0.6


def torus(centre, normal, ring: float, tube: float):
    c, n = np.asarray(centre, float), np.asarray(normal, float) / np.linalg.norm(normal)

    def of(x):
        d = x - c
        h = d @ n
        flat = np.linalg.norm(d - h[..., None] * n, axis=-1)
        return np.hypot(flat - ring, h) - tube

    return of


def ear(*, plate: bool = False, shut: bool = False, step: float = 0.1):
    """A stone about the origin with a vestibule, windows of 0.40 x 0.30 and 0.33 mm, and a ring of 1.0 mm behind."""
    stone = ellipsoid([0, 0, -0.3], [1.6, 1.2, 2.6])
    holes = [ellipsoid([0, 0, 0], [VESTIBULE] * 3), torus([0, 0.2, -1.1], [0.2, 1, 0], 1.0, 0.17)]
    if not shut:
        o, r = OVAL / np.linalg.norm(OVAL), ROUND / np.linalg.norm(ROUND)
        holes.append(cylinder(0.3 * o, 2.2 * o, (0.40, 0.30), [0, 0.12, 1]))
        holes.append(cylinder(0.3 * r, 2.2 * r, (0.33, 0.33), [0, 1, 0]))
    solid = without(stone, joined(*holes))
    if plate:
        o = OVAL / np.linalg.norm(OVAL)
        solid = joined(solid, cylinder(0.98 * o, 1.1 * o, (0.39, 0.29), [0, 0.12, 1]))
    space = space_of(solid, [-3.2, -3.2, -3.6], [3.2, 3.2, 3.0], step, blur=0.9, noise=0.02)
    return space, space.block([-3, -2.6, -3.4], [3, 2.6, 2.8], max(0.5 * step, 0.06))


def found_in(block) -> Labyrinth:
    labyrinth = labyrinth_in(block, np.zeros(block.values.shape, bool), 5.0)
    assert labyrinth is not None
    return labyrinth


@pytest.fixture(scope="module")
def opened():
    space, block = ear()
    return space, found_in(block)


def test_the_vestibule_is_found(opened) -> None:
    _, labyrinth = opened
    assert np.linalg.norm(labyrinth.vestibule) < 0.2
    assert labyrinth.vestibule_mm == pytest.approx(VESTIBULE, abs=0.12)
    assert 2 <= len([w for w in ways_out(labyrinth) if w[2] > 8]) <= 4


def test_windows_of_known_area(opened) -> None:
    space, labyrinth = opened
    reasons: dict[str, str] = {}
    oval, round_ = read_windows(space, labyrinth, "left", reasons)
    assert not reasons
    assert oval is not None
    assert round_ is not None
    assert oval.area_mm2.value == pytest.approx(np.pi * 0.40 * 0.30, rel=0.12)
    assert round_.area_mm2.value == pytest.approx(np.pi * 0.33**2, rel=0.12)


def test_a_footplate_does_not_hide_its_window() -> None:
    space, block = ear(plate=True, step=0.06)
    oval, _ = read_windows(space, found_in(block), "left", {})
    assert oval is not None
    assert oval.area_mm2.value == pytest.approx(np.pi * 0.40 * 0.30, rel=0.15)


def test_a_closed_labyrinth_has_no_windows() -> None:
    space, block = ear(shut=True)
    labyrinth = found_in(block)
    reasons: dict[str, str] = {}
    assert read_windows(space, labyrinth, "left", reasons) == (None, None)
    assert set(reasons) == {"oval_window_mm2", "round_window_mm2"}
    # the same void by another library: a closed cavity is what filling holes fills
    solid = block.values > 0.5
    filled = sitk.GetArrayFromImage(sitk.BinaryFillhole(sitk.GetImageFromArray(solid.astype(np.uint8)))).astype(bool)
    assert labyrinth.mask.sum() == pytest.approx((filled & ~solid).sum(), rel=0.02)


def test_solid_bone_holds_no_labyrinth() -> None:
    space = space_of(ellipsoid([0, 0, 0], [1.6, 1.2, 2.0]), [-3, -3, -3], [3, 3, 3], 0.12, noise=0.03)
    block = space.block([-2.8, -2.8, -2.8], [2.8, 2.8, 2.8], 0.08)
    assert labyrinth_in(block, np.zeros(block.values.shape, bool), 5.0) is None


def test_radius_of_a_ring(opened) -> None:
    space, labyrinth = opened
    radii, arcs, why = canal_radii(space, labyrinth, "left", None)
    assert set(radii) == {"lateral"}  # it lies flat; there is no other
    assert why
    assert radii["lateral"].value == pytest.approx(1.0, abs=0.08)
    assert abs(float(arcs["lateral"].normal @ np.array([0.2, 1, 0]) / np.hypot(0.2, 1))) > 0.97


def test_circle_through_part_of_an_arc() -> None:
    t = np.linspace(0.3, 2.6, 60)
    turn = np.linalg.qr(np.random.default_rng(1).normal(size=(3, 3)))[0]
    points = (np.stack([1.3 * np.cos(t), 1.3 * np.sin(t), 0 * t], axis=1) + np.array([1, 2, 3])) @ turn
    arc = arc_of_points(points)
    assert arc is not None
    assert arc.radius == pytest.approx(1.3, abs=1e-6)
    assert arc.off < 1e-6
    assert arc_of_points(np.linspace([0, 0, 0], [1, 2, 3], 20)) is None


def test_the_cheapest_cut_goes_through_the_narrow_door() -> None:
    void = np.zeros((60, 20, 20), bool)
    void[2:20, 2:18, 2:18] = True
    void[20:24, 8:11, 8:11] = True  # narrow
    void[24:38, 4:16, 4:16] = True
    void[38:42, 5:15, 5:15] = True  # wide
    void[42:58, 2:18, 2:18] = True
    rooms = rooms_of(void, 50.0)
    at = [int(rooms.labels[i, 10, 10]) - 1 for i in (10, 31, 50)]
    assert len(set(at)) == 3
    within, without_ = np.zeros(len(rooms)), np.zeros(len(rooms))
    within[at[0]], without_[at[2]] = FULL, FULL
    kept = inner_rooms(rooms, within, without_)
    assert kept[at[0]]
    assert not kept[at[1]]
    assert not kept[at[2]]


def test_walled_share_of_a_half_space() -> None:
    values = np.zeros((41, 41, 41), np.float32)
    values[:, :, 24:] = 1.0
    # a wall 4 cells off (edge at 3.5), seen within 7: directions with cosine over one half, a quarter of the sphere
    assert walled_share(values, (20, 20, 20), 7.0, count=2000) == pytest.approx(0.25, abs=0.05)
    assert np.allclose(even_directions(500).mean(0), 0, atol=0.01)


def test_filled_section_reads_the_same_rim_through_a_haze() -> None:
    solid = without(box([-2, -2, -0.6], [2, 2, 0.6]), cylinder([0, 0, -2], [0, 0, 2], (0.5, 0.35), [1, 0, 0]))
    space = space_of(solid, [-2, -2, -2], [2, 2, 2], 0.08, blur=0.9)
    way = np.array([0.0, 0.0, 1.0])

    def hazy(points):
        grey = space.at(points)
        return (grey + (1 - grey) * 0.4).astype(np.float32)

    clear, filled = (filled_section(s, np.zeros(3), way, 1.5, 0.03, space.sampled_blur) for s in (space.at, hazy))
    assert clear is not None
    assert filled is not None
    assert clear[0].area == pytest.approx(np.pi * 0.5 * 0.35, rel=0.05)
    assert filled[0].area == pytest.approx(clear[0].area, rel=0.03)
    assert filled[1] == pytest.approx(0.4, abs=0.1)
