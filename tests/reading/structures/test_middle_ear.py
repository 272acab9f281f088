"""Middle ear, ossicles, footplate, petrosal and the labyrinth's volume on an ear in closed form."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from ossicle.reading.structures.ear import ear_of
from ossicle.reading.structures.labyrinth import labyrinth_in
from ossicle.reading.structures.labyrinth_volume import labyrinth_volume
from ossicle.reading.structures.ossicles import footplate_of
from ossicle.reading.structures.petrosal import find_petrosal
from ossicle.reading.structures.records import Opening, Value

from .phantoms import box, capsule, cylinder, ellipsoid, joined, space_of, without
from .test_labyrinth import OVAL, ROUND, VESTIBULE, torus

STEP = 0.08
OUT = OVAL / np.linalg.norm(OVAL)
ROOM = np.array([1.85, -1.75, 0.1])
"""Middle of the middle ear; the stone's surface lies about 1.1 mm out from the vestibule's middle."""
INCUS, MALLEUS = np.array([1.75, -1.15, -0.1]), np.array([2.0, -1.2, 0.75])
STONE = ellipsoid([0, 0, -0.3], [1.6, 1.2, 2.6])
HOLLOW = joined(ellipsoid([0, 0, 0], [VESTIBULE] * 3), torus([0, 0.2, -1.1], [0.2, 1, 0], 1.0, 0.17))


def shut():
    """The stone alone, its labyrinth closed all round."""
    space = space_of(without(STONE, HOLLOW), [-2.4, -2.4, -3.6], [2.4, 2.4, 3.0], STEP, blur=0.8, noise=0.02)
    return space, space.block([-2.2, -2.2, -3.4], [2.2, 2.2, 2.8], 0.05)


def ear(*bodies, floor: bool = True, step: float = STEP, noise: float = 0.02):
    """A stone with a labyrinth, and outward of its oval window a room that a shell walls but for a hole aside."""
    o, r = OUT, ROUND / np.linalg.norm(ROUND)
    windows = [
        cylinder(0.3 * o, 1.6 * o, (0.40, 0.30), [0, 0.12, 1]),
        cylinder(0.3 * r, 1.6 * r, (0.33,) * 2, [0, 1, 0]),
    ]
    shell = without(ellipsoid(ROOM, [1.75] * 3), ellipsoid(ROOM, [1.45] * 3))
    shell = without(shell, cylinder(ROOM, ROOM + np.array([2.5, 0, 0]), (0.5, 0.5), [0, 1, 0]))
    if not floor:
        shell = without(shell, box([-9, -9, -9], [9, ROOM[1] + 0.4, 9]))
    solid = without(joined(without(STONE, HOLLOW), shell), joined(*windows))
    solid = joined(solid, *bodies)
    space = space_of(solid, [-2.4, -4.0, -3.6], [4.4, 2.2, 3.0], step, blur=0.8, noise=noise)
    return space, space.block([-2.2, -3.8, -3.4], [4.2, 2.0, 2.8], max(0.5 * step, 0.05))


def read(*bodies, **more):
    space, block = ear(*bodies, **more)
    labyrinth = labyrinth_in(block, np.zeros(block.values.shape, bool), 5.0)
    assert labyrinth is not None
    found = ear_of(space, labyrinth, "left")
    assert found is not None
    return found


HANGING = (ellipsoid(INCUS, [0.24, 0.24, 0.28]), ellipsoid(MALLEUS, [0.22, 0.26, 0.22]))


@pytest.fixture(scope="module")
def whole():
    return read(*HANGING)


@pytest.fixture(scope="module")
def bare():
    return read()


def test_bodies_that_hang_in_the_middle_ear_are_incus_and_malleus(whole) -> None:
    assert whole.ear.ossicles["incus"] == "present"
    assert whole.ear.ossicles["malleus"] == "present"
    places = {b.term: b.points.mean(0) for b in whole.bodies if b.kind == "ossicle"}
    assert np.linalg.norm(places["incus"] - INCUS) < 0.1
    assert np.linalg.norm(places["malleus"] - MALLEUS) < 0.1


def test_an_empty_middle_ear_has_lost_them(bare) -> None:
    assert (bare.ear.ossicles["incus"], bare.ear.ossicles["malleus"]) == ("absent", "absent")
    assert bare.ear.ossicles["stapes"] == "absent"


def test_the_room_is_measured_with_its_hole_closed(bare) -> None:
    """Against a count on a fine grid of the room in closed form, shut by the plane of its hole's inner end."""
    ear_ = bare.ear
    assert ear_.middle_ear_mm3 is not None
    axis = np.arange(-1.5, 1.5, 0.03)
    grid = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1) + ROOM
    room = (ellipsoid(ROOM, [1.45] * 3)(grid) < 0) & (STONE(grid) > 0)
    assert ear_.middle_ear_mm3.value == pytest.approx(float(room.sum()) * 0.03**3, rel=0.05)
    assert ear_.floor_share is not None
    assert ear_.floor_share > 0.97


def test_a_room_without_a_floor_has_no_volume() -> None:
    found = read(floor=False).ear
    assert found.middle_ear_mm3 is None
    assert "directions only" in found.reasons["middle_ear_mm3"]
    assert found.floor_share is not None
    assert found.floor_share < 0.2


def test_what_the_scan_does_not_hold_is_not_called_absent() -> None:
    """The same empty ear, cut off just outward of its oval window."""
    space, block = ear()
    labyrinth = labyrinth_in(block, np.zeros(block.values.shape, bool), 5.0)
    assert labyrinth is not None
    keep = int(space.indices(np.array([1.3, 0.0, 0.0]))[2])
    half = replace(space, values=space.values[:, :, :keep], labels=space.labels[:, :, :keep])
    found = ear_of(half, labyrinth, "left")
    assert found is not None
    assert set(found.ear.ossicles.values()) == {"not_resolved"}
    assert {found.ear.reasons[b] for b in ("incus", "malleus")} <= {
        "the middle ear is cut by the edge of the scan",
        "the oval window, outward of which it hangs, was not found",
    }
    assert found.ear.middle_ear_mm3 is None


def test_one_body_alone_is_not_named_and_a_stapes_bridges_the_way_out() -> None:
    found = read(HANGING[0], capsule(0.9 * OUT, 1.75 * OUT, 0.14)).ear
    assert found.ossicles["stapes"] == "present"
    assert found.ossicles["incus"] == found.ossicles["malleus"] == "not_resolved"
    assert "whether it is incus, malleus or both" in found.reasons["incus"]


def test_bones_that_would_not_span_three_voxels_are_not_called_absent() -> None:
    found = read(step=0.15, noise=0.0).ear
    for bone in ("incus", "malleus"):
        assert found.ossicles[bone] == "not_resolved"
        assert "three are needed" in found.reasons[bone] or "window" in found.reasons[bone]


@pytest.fixture(scope="module")
def labyrinth():
    space, block = shut()
    found = labyrinth_in(block, np.zeros(block.values.shape, bool), 5.0)
    assert found is not None
    return space, found


def test_volume_of_the_labyrinth(labyrinth) -> None:
    """Vestibule and ring by a count of the closed form on a fine grid."""
    space, found = labyrinth
    turn = np.linspace(0, 2 * np.pi, 72)
    u, v = np.array([1.0, -0.2, 0]) / np.hypot(1, 0.2), np.array([0, 0, 1.0])
    ring = np.array([0, 0.2, -1.1]) + np.cos(turn)[:, None] * u + np.sin(turn)[:, None] * v
    axes = (np.arange(-1.4, 1.4, 0.03), np.arange(-0.9, 0.9, 0.03), np.arange(-2.5, 0.8, 0.03))
    true = float((HOLLOW(np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)) < 0).sum()) * 0.03**3
    value, cells, low = labyrinth_volume(space, found, {"lateral semicircular canal": ring})
    assert value.value == pytest.approx(true, rel=0.08)
    held = HOLLOW(low + np.argwhere(cells) * found.step) < 0.5 * found.step
    assert held.mean() > 0.9


def test_the_petrosal_is_told_where_it_is_denser(labyrinth) -> None:
    _, found = labyrinth
    slab = without(box([-2.4, -0.6, -3.6], [4.4, 0.6, 3.0]), STONE)
    more = space_of(joined(without(STONE, HOLLOW), slab), [-2.4, -4.0, -3.6], [4.4, 2.2, 3.0], STEP, blur=0.8)
    index = np.stack(np.meshgrid(*(np.arange(n) for n in more.values.shape), indexing="ij"), axis=-1)
    stone = np.clip(0.5 - STONE(more.skull_mm(index)) / STEP, 0, 1)
    inner = found.point(np.argwhere(found.mask))
    plain, why = find_petrosal(more, found, inner)
    assert plain is None
    assert "%" in why
    dense = replace(more, values=(more.values * (1 + 0.2 * stone)).astype(np.float32))
    petrosal, why = find_petrosal(dense, found, inner)
    assert petrosal is not None, why
    assert petrosal.contrast == pytest.approx(0.2, abs=0.04)
    axes = [np.arange(-2.8, 2.8, 0.05)] * 3
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1) + np.array([0, 0, -0.3])
    true = float(((STONE(grid) < 0) & (HOLLOW(grid) > 0)).sum()) * 0.05**3
    assert petrosal.volume_mm3 == pytest.approx(true, rel=0.15)
    assert (STONE(petrosal.points) < 0.15).mean() > 0.93


def oval_at_origin() -> Opening:
    turn = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    rim = np.stack([0.6 * np.cos(turn), 0 * turn, 0.4 * np.sin(turn)], axis=1)
    none = Value(0.0, 0.0)
    return Opening("oval window", "left", none, Value(1.2, 0), Value(0.8, 0), 0.0, np.zeros(3), rim, 1.0, "")


@pytest.mark.parametrize(("half", "told"), [((0.45, 0.26), True), ((0.6, 0.4), False), (None, False)])
def test_footplate_where_the_gap_round_it_shows(half, told: bool) -> None:
    sheet = without(box([-1, -0.15, -1], [1, 0.15, 1]), cylinder([0, -1, 0], [0, 1, 0], (0.6, 0.4), [1, 0, 0]))
    solid = sheet if half is None else joined(sheet, cylinder([0, -0.06, 0], [0, 0.06, 0], half, [1, 0, 0]))
    space = space_of(solid, [-0.9] * 3, [0.9] * 3, 0.03, blur=0.7, noise=0.01)
    plate, why = footplate_of(space, oval_at_origin())
    assert (plate is not None) == told
    assert bool(why) != told
    if plate is not None and half is not None:
        assert plate.value == pytest.approx(np.pi * half[0] * half[1], rel=0.12)


def test_bodies_do_not_depend_on_the_grid(whole) -> None:
    """The free bodies' cells are bone in the scan itself."""
    space, _ = ear(*HANGING)
    for b in whole.bodies:
        if b.kind == "ossicle":
            grey = map_coordinates(space.values, space.indices(b.points), order=1)
            assert float((grey > 0.4).mean()) > 0.85
