"""Slices, planes, strips, rows and the volume, on a specimen whose every voxel is known."""

from __future__ import annotations

import io
import json
import struct

import numpy as np
import pytest
from desk_world import BONE, drawn
from PIL import Image
from sketch import SPACING, curve

from ossicle.collection import Collection
from ossicle.desk import slices, volumes
from ossicle.desk.greys import Window, window_of
from ossicle.desk.slices import Plane, outlines, parts_on
from ossicle.reading.records import ScanStatistics

LABELS = drawn()[0].labels


def query(plane: dict, **more: object) -> dict:
    return {
        "origin": ",".join(map(str, plane["origin_scan_mm"])),
        "u": ",".join(map(str, plane["u"])),
        "v": ",".join(map(str, plane["v"])),
        "width": plane["width_mm"],
        "height": plane["height_mm"],
        **more,
    }


def picture(desk, path: str, **asked: object) -> np.ndarray:
    answer = desk.web.get(f"/api{path}", params=asked)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "image/png"
    return np.asarray(Image.open(io.BytesIO(answer.content)))


def along_grid(z: int) -> dict:
    _, ny, nx = LABELS.shape
    return {
        "origin_scan_mm": [(nx - 1) / 2 * SPACING, (ny - 1) / 2 * SPACING, z * SPACING],
        "u": [1, 0, 0],
        "v": [0, 1, 0],
        "width_mm": nx * SPACING,
        "height_mm": ny * SPACING,
    }


def test_a_slice_along_the_grid_is_the_grid(desk, folder) -> None:
    z = 60
    _, ny, nx = LABELS.shape
    seen = picture(desk, "/specimens/1/slice.png", **query(along_grid(z), px=max(nx, ny)))
    assert seen.shape == (ny, nx)
    with Collection.open(folder) as held:
        stored = np.asarray(held.scan(held.scans("OTC 1")[0].key).values[z]).astype(float)
    window = window_of(ScanStatistics(1000.0, None, 1300.0, 1500.0, 1900.0, 4.0, 0.1, 15.0))
    np.testing.assert_array_equal(seen, window.bytes(stored))
    told = desk.get("/specimens/1/slice.json", **query(along_grid(z), px=max(nx, ny)))
    assert told["mm_per_px"] == pytest.approx(SPACING)
    assert {o["part"] for o in told["outlines"]} <= set(np.unique(LABELS[z]))


def test_a_slice_may_be_asked_for_in_skull_coordinates(desk) -> None:
    matrix = np.asarray(desk.get("/specimens/1")["scan"]["scan_to_skull"])
    plane = along_grid(60)
    turned = {
        **plane,
        "origin_scan_mm": (matrix @ [*plane["origin_scan_mm"], 1])[:3].tolist(),
        "u": (matrix[:3, :3] @ plane["u"]).tolist(),
        "v": (matrix[:3, :3] @ plane["v"]).tolist(),
    }
    one = picture(desk, "/specimens/1/slice.png", **query(plane, px=80))
    two = picture(desk, "/specimens/1/slice.png", **query(turned, px=80, frame="skull"))
    assert abs(one.astype(int) - two).max() <= 1


def test_an_outline_has_the_size_of_what_it_surrounds() -> None:
    y, x = np.mgrid[:200, :300]
    parts = np.zeros((200, 300), np.int32)
    parts[((x - 140) / 60) ** 2 + ((y - 90) / 40) ** 2 < 1] = 7
    parts[((x - 140) / 20) ** 2 + ((y - 90) / 10) ** 2 < 1] = 9
    found = {o["part"]: o["rings"] for o in outlines(parts, 4.0)}
    assert set(found) == {7, 9}
    areas = sorted(area(ring) for ring in found[7])
    assert areas[-1] == pytest.approx(np.pi * 60 * 40, rel=0.01)
    assert areas[0] == pytest.approx(np.pi * 20 * 10, rel=0.08)  # the hole; smoothing rounds it
    ring = np.array(found[9][0])
    np.testing.assert_allclose((ring.min(axis=0) + ring.max(axis=0)) / 2, [140, 90], atol=0.6)


def area(ring: list) -> float:
    x, y = np.array(ring).T
    return float(abs(np.dot(x[:-1], y[1:]) - np.dot(x[1:], y[:-1])) / 2)


def test_what_lies_outside_the_scan_has_no_part() -> None:
    places = np.array([[-1.0, 0, 0], [0, 0, 0], [1.0, 1.0, 1.0], [99, 99, 99]])
    labels = np.full((4, 4, 4), 5, np.uint8)
    assert parts_on(labels, (0.5, 0.5, 0.5), places).tolist() == [0, 5, 5, 0]


@pytest.mark.parametrize("most", [300_000, 40_000, 5_000])
def test_of_a_large_box_every_second_fourth_or_eighth_label_is_read(monkeypatch: pytest.MonkeyPatch, most: int) -> None:
    monkeypatch.setattr(slices, "MOST_LABELS", most)
    rng = np.random.default_rng(2)
    places = rng.uniform(-0.2, 1, (500, 3)) * LABELS.shape[::-1] * SPACING
    index = np.rint(places[:, ::-1] / SPACING).astype(int)
    whole = np.prod(index.max(axis=0) + 2)
    thin = next(2**n for n in range(9) if whole / 8**n <= most)
    inside = (index >= 0).all(axis=1) & (index < LABELS.shape).all(axis=1)
    z, y, x = (np.where(inside[:, None], index, 0) // thin * thin).T
    np.testing.assert_array_equal(parts_on(LABELS, (SPACING,) * 3, places), np.where(inside, LABELS[z, y, x], 0))


@pytest.mark.parametrize(
    "changes",
    [{"u": "0,0,0"}, {"v": "1,0,0"}, {"px": 1}, {"px": 100_000}, {"width": -1}, {"width": "1e9"}, {"origin": "1,2"},
     {"origin": "nan,0,0"}, {"u": "a,b,c"}, {"frame": "moon"}],
    ids=str,
)  # fmt: skip
def test_a_slice_that_cannot_be_is_refused_in_a_sentence(desk, changes: dict) -> None:
    asked = {**query(along_grid(60), px=60), **changes}
    for kind in ("png", "json"):
        answer = desk.web.get(f"/api/specimens/1/slice.{kind}", params=asked)
        assert answer.status_code in (400, 422)
        assert answer.json()["what"]


def test_planes_hold_what_they_are_named_for(desk) -> None:
    planes = {p["key"]: p for p in desk.get("/specimens/1/planes")}
    told = desk.get("/specimens/1")
    matrix = np.asarray(told["scan"]["scan_to_skull"])
    for plane in planes.values():
        u, v = np.array(plane["u"]), np.array(plane["v"])
        assert np.linalg.norm(u) == pytest.approx(1, abs=1e-4)
        assert u @ v == pytest.approx(0, abs=1e-4)
    mid = planes["midplane"]
    assert (matrix @ [*mid["origin_scan_mm"], 1])[0] == pytest.approx(0, abs=1e-3)
    assert np.abs(matrix[:3, :3] @ np.cross(mid["u"], mid["v"]))[0] == pytest.approx(1, abs=1e-4)
    part = desk.part("dP3")
    for way in ("along", "across"):
        seen = desk.get("/specimens/1/slice.json", **query(planes[f"tooth/{part}/{way}"], px=300))
        assert part in {o["part"] for o in seen["outlines"]}
    row = desk.get("/specimens/1/slice.json", **query(planes["row/upper-left"], px=400))
    assert len(row["outlines"]) > 2


def test_dorsal_is_up_in_planes_through_teeth(desk) -> None:
    matrix = np.asarray(desk.get("/specimens/1")["scan"]["scan_to_skull"])
    for plane in desk.get("/specimens/1/planes"):
        if plane["key"].startswith(("tooth/", "row/")) or plane["key"] in ("midplane", "across"):
            assert (matrix[:3, :3] @ plane["v"])[1] < -0.5, plane["key"]


@pytest.mark.parametrize("most", [volumes.MOST_READ, 60_000])
def test_the_volume_for_ray_casting(desk, monkeypatch: pytest.MonkeyPatch, most: int) -> None:
    """Also where the scan is too large for its finest voxels to be read: then the step is a power of two."""
    monkeypatch.setattr(volumes, "MOST_READ", most)
    answer = desk.web.get("/api/specimens/1/volume", params={"edge": 64})
    (length,) = struct.unpack_from("<I", answer.content)
    head = json.loads(answer.content[4 : 4 + length])
    assert (4 + length) % 4 == 0
    nz, ny, nx = head["shape_zyx"]
    assert max(nz, ny, nx) <= 64
    voxels = np.frombuffer(answer.content, np.uint8, offset=4 + length)
    assert len(voxels) == 2 * nz * ny * nx
    grey, style = voxels.reshape(2, nz, ny, nx)
    assert round(head["spacing_mm_zyx"][0] / SPACING) == (4 if most == 60_000 else 3)
    to_scan = np.asarray(head["index_to_scan"])
    where = np.argwhere(style > 0)
    scan = np.column_stack([where[:, ::-1], np.ones(len(where))]) @ to_scan.T
    index = np.floor(scan[:, 2::-1] / SPACING + 0.5).astype(int)
    true = LABELS[tuple(np.clip(index, 0, np.array(LABELS.shape) - 1).T)]
    told = np.array(head["styles"])[style[tuple(where.T)]]
    assert (true == told).mean() > 0.9  # a voxel shown spans three of the scan
    teeth = {t["part"] for t in desk.get("/specimens/1")["account"]["teeth"]}
    assert set(np.unique(told)) - {BONE} <= teeth
    bright = np.isin(np.array(head["styles"])[style], list(teeth))
    bone = np.array(head["styles"])[style] == BONE
    assert np.median(grey[bright]) > np.median(grey[bone]) + 20
    assert head["levels"]["air"] < head["levels"]["bone"] < head["levels"]["dentine"] < head["levels"]["enamel"] <= 1
    assert np.median(grey[bone]) / 255 == pytest.approx(head["levels"]["bone"], abs=0.05)


def test_strips_letter_their_loci_in_order(desk) -> None:
    told = desk.get("/specimens/1/strips/upper_left.json", px_per_mm=8)
    seen = picture(desk, "/specimens/1/strips/upper_left.png", px_per_mm=8)
    assert seen.shape == (told["height_px"], told["width_px"])
    assert told["mm_per_px"] == pytest.approx(1 / 8)
    deciduous = [at["name"] for at in told["loci"] if at["name"].startswith("d")]
    assert deciduous == ["dI2", "dI3", "dC", "dP2", "dP3", "dP4"]
    line = curve("upper", "left")
    run = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    at = next(a for a in told["loci"] if a["name"] == "dP4")
    tooth = next(t for t in drawn()[0].teeth if (t.name, t.jaw, t.side) == ("dP4", "upper", "left"))
    matrix = np.asarray(drawn()[0].pose.scan_to_skull)
    place = matrix[:3, :3] @ np.array(tooth.centroid_mm_xyz) + matrix[:3, 3]
    nearest = run[np.argmin(np.linalg.norm((line - place)[:, [0, 2]], axis=1))]
    assert at["x_px"] / 8 == pytest.approx(nearest, abs=0.6)


def test_a_thicker_strip_is_nowhere_darker(desk) -> None:
    thin = picture(desk, "/specimens/1/strips/lower_right.png", thickness=0, px_per_mm=6)
    thick = picture(desk, "/specimens/1/strips/lower_right.png", thickness=3, px_per_mm=6)
    assert (thick.astype(int) - thin >= -1).all()
    assert (thick > thin).mean() > 0.1


@pytest.mark.parametrize(
    "asked", [{"thickness": -1}, {"thickness": 1e6}, {"px_per_mm": 0}, {"px_per_mm": 1e6}], ids=str
)
def test_a_strip_that_cannot_be_is_refused(desk, asked: dict) -> None:
    assert desk.web.get("/api/specimens/1/strips/upper_left.png", params=asked).status_code == 400
    assert desk.web.get("/api/specimens/1/strips/middle_left.png").status_code == 404


def test_rows_are_drawn_dorsal_up_from_the_midline_backwards(desk) -> None:
    told = desk.get("/specimens/1/rows")
    assert set(told["quadrants"]) == {"upper_left", "upper_right", "lower_left", "lower_right"}
    for key, quadrant in told["quadrants"].items():
        slots = [s for s in quadrant["slots"] if s["state"] == "tooth"]
        assert all(s["outline"].startswith("M") and s["outline"].endswith("Z") for s in slots)
        places = [s["x_mm"] for s in slots]
        assert places == sorted(places)
        erupted = [s for s in slots if s["emergence"] == "erupted"]
        down = 1 if key.startswith("upper") else -1
        assert all(down * (s["tip_mm"] - s["root_mm"]) > 0 for s in slots)
        assert all(down * (s["tip_mm"] - s["margin_mm"]) > 0 for s in erupted)
        by_part = {s["part"]: s for s in slots}
        for s in slots:
            if s["successor"] is not None:
                beneath = by_part[s["successor"]]
                assert beneath["replaces"] == s["part"]
                assert down * (s["y_mm"] - beneath["y_mm"]) > 0  # a successor lies deeper in its jaw
    assert told["formula"]["text"] == desk.get("/specimens/1")["account"]["formula"]["text"]


def test_pictures_are_kept_by_their_digest(desk) -> None:
    first = desk.web.get("/api/specimens/1/picture.png")
    again = desk.web.get("/api/specimens/1/picture.png", headers={"if-none-match": first.headers["etag"]})
    assert again.status_code == 304
    assert not again.content
    assert desk.web.get("/api/specimens/1/picture.png", params={"view": "sideways"}).status_code == 404
    assert desk.web.get("/api/specimens/2/scan.png").status_code == 200


def test_a_window_holds_all_tissues() -> None:
    window = window_of(ScanStatistics(10.0, None, 20.0, 25.0, 40.0, 1.0, 0.1, 15.0))
    assert 0 < window.level(10.0) < window.level(20.0) < window.level(40.0) < 1
    assert window.level(None) is None
    assert Window(0, 255).bytes(np.array([-5.0, 0.4, 200.6, 999])).tolist() == [0, 0, 201, 255]


def test_a_plane_is_square_however_it_is_given() -> None:
    plane = Plane.of((0, 0, 0), (2, 0, 0), (1, 3, 0), 4.0, 2.0, 100)
    assert plane.v == pytest.approx((0, 1, 0))
    places = plane.places()
    assert places.shape == (50, 100, 3)
    np.testing.assert_allclose(places.mean(axis=(0, 1)), 0, atol=1e-12)
    np.testing.assert_allclose(places[0, 1] - places[0, 0], [0.04, 0, 0], atol=1e-12)
