"""Sizes, enamel, emergence, roots and cusps of teeth of closed form."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import SimpleITK as sitk
from scipy.spatial.transform import Rotation
from skimage.measure import regionprops

from ossicle.reading.measures import measure_all, measure_teeth
from ossicle.reading.measures.roots import occlusal_spread

from .phantom import DENTINE, ENAMEL, ROW, Scanned, scan_tooth

TURNS = [(0.0, 0.0, 0.0), (0.5, 0.3, -0.4), (1.2, -0.7, 0.4), (2.5, 0.4, 1.0)]
SIZES = [
    {"length": 0.8, "width": 0.6, "height": 0.7, "root": 1.0, "enamel": 0.1},
    {"length": 2.0, "width": 1.6, "height": 1.5, "root": 2.2, "enamel": 0.2},
    {"length": 4.0, "width": 3.0, "height": 3.0, "root": 4.0, "enamel": 0.3},
]
"""Crowns 6 to 40 voxels across."""


def remeasure(scan: Scanned, **changes: object) -> object:
    given = {
        "labels": scan.labels,
        "grey": scan.grey,
        "to_skull": scan.to_skull,
        "jaw": "lower",
        "side": "left",
        "row": ROW,
    }
    given.update(changes)
    key = (given["jaw"], given["side"])
    return measure_all(
        given["labels"],  # type: ignore[arg-type]
        given["grey"],  # type: ignore[arg-type]
        ENAMEL,
        0.08,
        scan.spacing,
        given["to_skull"],  # type: ignore[arg-type]
        {1: key},  # type: ignore[dict-item]
        {key: given["row"]},  # type: ignore[dict-item]
        {1: 0.9},
        dentine=DENTINE,
        blur=0.9,
    )[0].observation


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("size", SIZES, ids=["6 voxels", "16 voxels", "30 voxels"])
def test_length_and_width_to_a_voxel(measured: Callable[..., tuple], size: dict, turn: tuple) -> None:
    _, found = measured(**size, turn=turn)
    tooth = found.observation
    for got, true in ((tooth.length_mm, size["length"]), (tooth.width_mm, size["width"])):
        assert abs(got - true) <= max(0.1, 0.01 * true)


@pytest.mark.parametrize("blur", [0.6, 0.9, 1.4])
@pytest.mark.parametrize("noise", [0.04, 0.08, 0.15])
def test_size_does_not_depend_on_blur_or_noise(measured: Callable[..., tuple], blur: float, noise: float) -> None:
    _, found = measured(blur=blur, noise=noise)
    assert abs(found.observation.length_mm - 2.0) < 0.05
    assert abs(found.observation.width_mm - 1.6) < 0.05


def test_no_bias_over_many_turns(measured: Callable[..., tuple]) -> None:
    errors = [measured(turn=turn)[1].observation.length_mm - 2.0 for turn in TURNS]
    assert abs(np.mean(errors)) < 0.03


def test_a_neighbour_in_contact_ends_the_crown(measured: Callable[..., tuple]) -> None:
    _, found = measured(neighbours=True)
    assert abs(found.observation.length_mm - 2.0) <= 0.1
    assert abs(found.observation.width_mm - 1.6) <= 0.1


@pytest.mark.parametrize("enamel", [0.1, 0.15, 0.2, 0.35])
def test_enamel_volume_of_layers_one_to_four_voxels_thick(measured: Callable[..., tuple], enamel: float) -> None:
    scan, found = measured(enamel=enamel)
    assert found.observation.enamel_volume_mm3 == pytest.approx(scan.enamel_mm3, rel=0.16)


@pytest.mark.parametrize("blur", [0.6, 0.9, 1.4])
def test_enamel_volume_whatever_the_blur(measured: Callable[..., tuple], blur: float) -> None:
    scan, found = measured(blur=blur)
    assert found.observation.enamel_volume_mm3 == pytest.approx(scan.enamel_mm3, rel=0.1)


def test_mineral_volume_leaves_the_pulp_out(measured: Callable[..., tuple]) -> None:
    thin, wide = measured(canal=0.2), measured(canal=0.6)
    for scan, found in (thin, wide):
        assert found.observation.volume_mm3 == pytest.approx(scan.mineral_mm3, rel=0.12)
    lost = thin[1].observation.volume_mm3 - wide[1].observation.volume_mm3
    assert lost == pytest.approx(thin[0].mineral_mm3 - wide[0].mineral_mm3, rel=0.25)


@pytest.mark.parametrize("share", [0.0, 0.25, 0.5, 0.75, 1.0])
@pytest.mark.parametrize("turn", TURNS[:2])
def test_emergence_from_a_slab_of_bone(measured: Callable[..., tuple], share: float, turn: tuple) -> None:
    _, found = measured(margin=(1 - share) * 1.5, turn=turn)
    # The cervix is read up to a voxel low where enamel ends abruptly, as it does here.
    assert abs(found.observation.emergence_fraction - share) < (0.13 if share == 1 else 0.1)


def test_depth_is_the_crowns_middle_above_the_margin(measured: Callable[..., tuple]) -> None:
    for margin in (0.375, 1.125, 1.8):
        assert measured(margin=margin)[1].observation.depth_mm == pytest.approx(0.75 - margin, abs=0.15)


@pytest.mark.parametrize("pore", [0.0, 0.35])
@pytest.mark.parametrize("root", [0.0, 0.5])
def test_a_roofed_crypt_stays_a_crypt_even_with_a_pore(
    measured: Callable[..., tuple], pore: float, root: float
) -> None:
    _, found = measured(margin=1.8, roof=True, pore=pore, root=root, turn=(0.3, 0.2, 0.1))
    assert found.observation.emergence_fraction == 0.0
    assert found.roofed


def test_no_bone_near_means_emerged_and_says_so(measured: Callable[..., tuple]) -> None:
    _, found = measured()
    assert found.observation.emergence_fraction == 1.0
    assert found.margin_seen == 0.0


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("root", [0.0, 0.6, 2.2])
def test_axis_points_from_root_to_tip(measured: Callable[..., tuple], root: float, turn: tuple) -> None:
    _, found = measured(root=root, turn=turn, margin=1.8)
    assert np.degrees(np.arccos(found.observation.axis[1])) < 6


def test_a_tilted_tooth_keeps_its_own_axis_and_size(measured: Callable[..., tuple]) -> None:
    scan, upright = measured()
    tilt = np.eye(4)
    tilt[:3, :3] = Rotation.from_euler("x", 40, degrees=True).as_matrix()
    tooth = remeasure(scan, to_skull=tilt @ scan.to_skull)
    true = tilt[:3, :3] @ np.array([0.0, 1.0, 0.0])
    assert np.degrees(np.arccos(true @ tooth.axis)) < 6  # type: ignore[attr-defined]
    assert tooth.length_mm == pytest.approx(upright.observation.length_mm, abs=0.1)  # type: ignore[attr-defined]


def test_roots(measured: Callable[..., tuple]) -> None:
    none = measured(root=0.0, margin=1.8, roof=True)[1].observation
    short = measured(root=0.6)[1].observation
    full = measured()[1].observation
    two = measured(length=3.0, roots=(-0.75, 0.75))[1].observation
    assert none.root_fraction < 0.15
    assert none.root_count is None
    assert 0.1 < short.root_fraction < 0.5
    assert full.root_fraction > 0.85
    assert (full.root_count, two.root_count) == (1, 2)


@pytest.mark.parametrize("count", [1, 2, 4])
def test_cusps(measured: Callable[..., tuple], count: int) -> None:
    places = {
        1: ((0.0, 0.0),),
        2: ((-0.6, 0.0), (0.6, 0.0)),
        4: tuple((m, b) for m in (-0.6, 0.6) for b in (-0.5, 0.5)),
    }
    _, found = measured(length=2.6, width=2.2, height=1.8, cusps=places[count])
    assert found.observation.cusp_count == count


def test_a_flat_table_spreads_as_its_outline_and_a_cone_as_its_tip() -> None:
    """Closed forms: all of a rectangle's second moment about a square's; a cone's above 0.6 lies in 0.4 of its base."""
    x, y = (g.ravel() for g in np.meshgrid(np.arange(-1.0, 1.0, 0.05), np.arange(-1.0, 1.0, 0.05)))
    table = np.ones_like(x)
    cone = np.maximum(1.0 - np.hypot(x, y), 0.0)

    def spread(height: np.ndarray) -> float:
        crown = SimpleNamespace(
            points=np.column_stack([x, y, height]), covered=np.ones(len(x), bool), cervix=0.0, height_mm=1.0
        )
        found = occlusal_spread(crown, 0.05)  # type: ignore[arg-type]
        assert found is not None
        return found

    assert spread(table) == pytest.approx(1.0, abs=0.02)
    disc = np.pi
    assert spread(cone) == pytest.approx(np.sqrt(0.4**2 / 2 / (disc / 6)), abs=0.04)


def test_wear_bares_the_occlusal_surface(measured: Callable[..., tuple]) -> None:
    fresh, worn = measured()[1], measured(worn=0.4)[1]
    assert fresh.bare_occlusal < 0.1
    assert worn.bare_occlusal > 0.25
    lost = fresh.observation.crown_height_mm - worn.observation.crown_height_mm
    assert lost == pytest.approx(0.6, abs=0.12)


def test_a_lower_crown_than_its_counterpart_is_told() -> None:
    halves = [scan_tooth(), scan_tooth(worn=0.4)]
    labels = np.concatenate([h.labels * (k + 1) for k, h in enumerate(halves)], axis=2)
    grey = np.concatenate([h.grey for h in halves], axis=2)
    shift = np.eye(4)
    shift[0, 3] = -halves[0].labels.shape[2] * 0.1 / 2
    sides = {1: ("lower", "right"), 2: ("lower", "left")}
    rows = {("lower", "right"): ROW, ("lower", "left"): ROW}
    found = measure_all(
        labels, grey, ENAMEL, 0.08, halves[0].spacing, shift @ halves[0].to_skull, sides, rows, {},
        dentine=DENTINE, blur=0.9,
    )  # fmt: skip
    assert found[1].height_to_mirror == pytest.approx(0.6, abs=0.1)
    assert found[0].height_to_mirror == pytest.approx(1 / 0.6, abs=0.3)


def test_a_crypt_is_as_deep_as_its_row_says() -> None:
    """A crown wholly in bone beside one that has emerged: its depth counts from the row's margin."""
    out, inside = scan_tooth(margin=0.0), scan_tooth(margin=3.0, root=0.0, height=1.5)
    n = max(out.labels.shape[0], inside.labels.shape[0])

    def padded(a: np.ndarray, fill: float) -> np.ndarray:
        big = np.full((n, n, n), fill, a.dtype)
        low = [(n - s) // 2 for s in a.shape]
        big[tuple(slice(o, o + s) for o, s in zip(low, a.shape, strict=True))] = a
        return big

    labels = np.concatenate([padded(out.labels, 0), padded(inside.labels, 0) * 2], axis=0)
    grey = np.concatenate([padded(out.grey, 0), padded(inside.grey, 0)], axis=0)
    to_skull = np.eye(4)
    to_skull[:3, 3] = [-(n - 1) * 0.05, -(n - 1) * 0.05, -6.0]
    key = ("lower", "left")
    found = measure_all(
        labels, grey, ENAMEL, 0.08, out.spacing, to_skull, {1: key, 2: key},
        {key: np.array([[0.0, 0.0, 12.0], [0.0, 0.0, -12.0]])}, {}, dentine=DENTINE, blur=0.9,
    )  # fmt: skip
    first, second = (m.observation for m in found)
    assert (first.emergence_fraction > 0.8, second.emergence_fraction) == (True, 0.0)
    above = second.crown_centroid_skull_mm[1] - first.crown_centroid_skull_mm[1]
    assert second.depth_mm == pytest.approx(first.depth_mm + above, abs=0.12)


@pytest.mark.parametrize("threads", [1, 2])
def test_threads_change_nothing(measured: Callable[..., tuple], threads: int) -> None:
    scan, _ = measured(neighbours=True)
    ticks: list[None] = []
    parts = dict.fromkeys((1, 2, 3), ("lower", "left"))
    found = measure_teeth(
        scan.labels, scan.grey, ENAMEL, 0.08, scan.spacing, scan.to_skull, parts, {("lower", "left"): ROW}, {},
        DENTINE, threads, lambda: ticks.append(None), blur=0.9,
    )  # fmt: skip
    alone = measure_teeth(
        scan.labels, scan.grey, ENAMEL, 0.08, scan.spacing, scan.to_skull, parts, {("lower", "left"): ROW}, {},
        DENTINE, blur=0.9,
    )  # fmt: skip
    assert found == alone
    assert len(ticks) == 3


def test_place_in_the_row(measured: Callable[..., tuple]) -> None:
    scan, _ = measured()
    shifted = remeasure(scan, row=ROW - np.array([0.4, 0.0, 0.0]))
    assert (shifted.arc_mm, shifted.offset_mm) == pytest.approx((6.0, 0.4), abs=0.03)  # type: ignore[attr-defined]
    before = remeasure(scan, row=np.array([[0.0, 0.0, -2.0], [0.0, 0.0, -6.0]]))
    assert before.arc_mm == pytest.approx(-2.0, abs=0.03)  # type: ignore[attr-defined]


def test_other_jaw_and_other_side_are_the_same_tooth_turned_over(measured: Callable[..., tuple]) -> None:
    scan, lower = measured(margin=0.75, turn=TURNS[1])
    over = np.diag([-1.0, -1.0, 1.0, 1.0])
    upper = remeasure(
        scan, to_skull=over @ scan.to_skull, jaw="upper", side="right", row=ROW + np.array([0.4, 0.0, 0.0])
    )
    assert upper.axis[1] < -0.99  # type: ignore[attr-defined]
    assert upper.offset_mm == pytest.approx(0.4, abs=0.03)  # type: ignore[attr-defined]
    for name in ("length_mm", "width_mm", "crown_height_mm", "emergence_fraction", "enamel_volume_mm3"):
        assert getattr(upper, name) == pytest.approx(getattr(lower.observation, name), rel=0.02, abs=0.02)


def test_a_mirrored_grid_changes_nothing(measured: Callable[..., tuple]) -> None:
    scan, straight = measured(margin=0.75, turn=TURNS[1])
    n = scan.grey.shape[2]
    flip = np.diag([-1.0, 1.0, 1.0, 1.0])
    flip[0, 3] = (n - 1) * scan.spacing[2]
    labels, grey = (v[:, :, ::-1].copy() for v in (scan.labels, scan.grey))
    mirrored = remeasure(scan, labels=labels, grey=grey, to_skull=scan.to_skull @ flip)
    for name, value in vars(straight.observation).items():
        if isinstance(value, float):
            assert getattr(mirrored, name) == pytest.approx(value, rel=0.02, abs=0.02), name


def test_centroid_volume_and_axis_agree_with_reference_libraries() -> None:
    """Against scikit-image regionprops and SimpleITK's LabelShapeStatisticsImageFilter, on the label."""
    scan = scan_tooth(length=1.2, width=1.0, height=1.6, root=3.2, canal=0.0, turn=TURNS[2])
    tooth = measure_teeth(
        scan.labels, scan.grey, ENAMEL, 0.08, scan.spacing, scan.to_skull, {1: ("lower", "left")},
        {("lower", "left"): ROW}, {1: 0.9}, dentine=DENTINE,
    )[0]  # fmt: skip
    image = sitk.GetImageFromArray(scan.labels)
    image.SetSpacing(scan.spacing[::-1])
    shape = sitk.LabelShapeStatisticsImageFilter()
    shape.Execute(image)
    turn, shift = scan.to_skull[:3, :3], scan.to_skull[:3, 3]
    assert tooth.centroid_skull_mm == pytest.approx(turn @ np.array(shape.GetCentroid(1)) + shift, abs=0.02)
    longest = turn @ np.array(shape.GetPrincipalAxes(1)).reshape(3, 3)[2]
    assert abs(longest @ np.array(tooth.axis)) > np.cos(np.radians(5))
    voxels = regionprops(scan.labels)[0].area * float(np.prod(scan.spacing))
    assert tooth.volume_mm3 == pytest.approx(voxels, rel=0.1)


def test_the_edge_of_the_scan_is_noticed(measured: Callable[..., tuple]) -> None:
    scan, whole = measured()
    top = int(np.argwhere(scan.labels)[:, 1].max())
    cut = (slice(None), slice(0, top - 3))
    tooth = remeasure(scan, labels=scan.labels[cut], grey=scan.grey[cut])
    assert tooth.touches_edge  # type: ignore[attr-defined]
    assert not whole.observation.touches_edge


def test_detection_is_handed_through_and_parts_keep_their_order(measured: Callable[..., tuple]) -> None:
    scan, _ = measured(neighbours=True)
    found = measure_teeth(
        scan.labels, scan.grey, ENAMEL, 0.08, scan.spacing, scan.to_skull,
        {3: ("lower", "left"), 1: ("lower", "left"), 2: ("lower", "left"), 9: ("lower", "left")},
        {("lower", "left"): ROW}, {1: 0.5}, dentine=DENTINE, blur=0.9,
    )  # fmt: skip
    assert [t.part for t in found] == [1, 2, 3]
    assert found[0].detection == 0.5
    assert found[0].arc_mm - found[1].arc_mm == pytest.approx(2.0, abs=0.1)
    assert found[2].arc_mm - found[0].arc_mm == pytest.approx(2.0, abs=0.1)


def test_specks_and_an_empty_volume_give_no_tooth(measured: Callable[..., tuple]) -> None:
    scan, _ = measured()
    speck = replace(scan, labels=np.zeros_like(scan.labels))
    arguments = (scan.grey, ENAMEL, 0.08, scan.spacing, scan.to_skull, {1: ("lower", "left")}, {}, {})
    assert measure_teeth(speck.labels, *arguments) == []  # type: ignore[arg-type]
    speck.labels[3, 3, 3] = 1
    assert measure_teeth(speck.labels, *arguments) == []  # type: ignore[arg-type]
