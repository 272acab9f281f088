"""Measures against closed forms, their errors against many throws of the dice."""

from __future__ import annotations

import numpy as np
import pytest

from ossicle.desk.measuring import definitions, measured, repeat_statistics
from ossicle.errors import OssicleError

SAME = np.eye(4)
CASES = {
    "length": ([[0, 0, 0], [3, 4, 12]], 13.0, "mm"),
    "angle": ([[2, 0, 0], [0, 0, 0], [1, np.sqrt(3), 0]], 60.0, "deg"),
    "area": ([[0, 0, 1], [4, 0, 1], [4, 3, 1], [0, 3, 1]], 12.0, "mm2"),
}


@pytest.mark.parametrize("kind", CASES)
def test_closed_forms(kind: str) -> None:
    points, value, unit = CASES[kind]
    found = measured(kind, points, 0.1, SAME)
    assert found["value"] == pytest.approx(value)
    assert found["unit"] == unit
    assert found["method"]


@pytest.mark.parametrize("kind", CASES)
def test_the_error_is_that_of_points_off_by_half_a_voxel(kind: str) -> None:
    points, value, _ = CASES[kind]
    rng = np.random.default_rng(3)
    voxel = 0.1
    thrown = [
        measured(kind, np.array(points) + rng.uniform(-voxel / 2, voxel / 2, np.shape(points)), voxel, SAME)["value"]
        for _ in range(3000)
    ]
    assert measured(kind, points, voxel, SAME)["error"] == pytest.approx(np.std(thrown), rel=0.06)
    assert np.mean(thrown) == pytest.approx(value, rel=0.01)


def test_an_area_does_not_depend_on_where_it_lies_or_how_it_is_turned() -> None:
    rng = np.random.default_rng(1)
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    t = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    ellipse = np.column_stack([5 * np.cos(t), 2 * np.sin(t), 0 * t]) @ turn.T + [9, -4, 30]
    assert measured("area", ellipse, 0.05, SAME)["value"] == pytest.approx(np.pi * 10, rel=0.001)


def test_a_definition_counts_along_its_axis_of_the_skull() -> None:
    turn = np.eye(4)
    turn[:3, :3] = [[0, 1, 0], [0, 0, 1], [1, 0, 0]]  # scan x is the skull's long axis
    ends = [[0, 0, 0], [30, 7, 5]]
    assert measured("definition", ends, 0.1, turn, "condylobasal_length")["value"] == pytest.approx(30)
    across = next(d["id"] for d in definitions() if d["plane"] == "across the long axis")
    assert measured("definition", ends, 0.1, turn, across)["value"] == pytest.approx(7)


@pytest.mark.parametrize(
    ("kind", "points", "name"),
    [("length", [[0, 0, 0]], None), ("angle", [[0, 0, 0], [1, 0, 0]], None), ("area", [[0, 0, 0], [1, 0, 0]], None),
     ("angle", [[0, 0, 0], [0, 0, 0], [1, 0, 0]], None), ("volume", [[0, 0, 0]], None),
     ("definition", [[0, 0, 0], [1, 1, 1]], None), ("definition", [[0, 0, 0], [1, 1, 1]], "no such length"),
     ("length", [[0, 0, float("nan")], [1, 1, 1]], None)],
)  # fmt: skip
def test_what_cannot_be_measured_is_told(kind: str, points: list, name: str | None) -> None:
    with pytest.raises(OssicleError):
        measured(kind, points, 0.1, SAME, name)


def test_repeats_follow_the_published_formula() -> None:
    """TEM of two rounds, sqrt(sum d^2 / 2N) (Ulijaszek & Kerr 1999), worked by hand here."""
    rows = [
        {"specimen": s, "name": "toothrow", "who": "A. Reader", "round": r, "value": v, "unit": "mm"}
        for s, pair in ((1, (10.0, 10.2)), (2, (12.0, 11.9)), (3, (9.5, 9.8)))
        for r, v in enumerate(pair, start=1)
    ]
    (told,) = repeat_statistics(rows)
    tem = np.sqrt((0.2**2 + 0.1**2 + 0.3**2) / 6)
    assert told["tem"] == pytest.approx(tem, abs=1e-5)
    assert told["tem_percent"] == pytest.approx(100 * tem / np.mean([10, 10.2, 12, 11.9, 9.5, 9.8]), abs=1e-3)
    assert told["specimens"][0]["tem"] == pytest.approx(0.2 / np.sqrt(2), abs=1e-5)
    assert told["specimens"][0]["n"] == 2


def test_one_round_says_nothing_of_repeating() -> None:
    (told,) = repeat_statistics([{"specimen": 1, "name": "x", "who": "A", "round": 1, "value": 3.0, "unit": "mm"}])
    assert told["tem"] is None
    assert told["specimens"][0]["sd"] is None


def test_rounds_are_kept_and_last_a_restart(desk, folder) -> None:
    desk.send("/specimens/1/repeats", name="canine to canine", round=1, value=7.0)
    told = desk.send(
        "/specimens/1/repeats", name="canine to canine", round=2, kind="length", points=[[0, 0, 0], [0, 0, 7.5]]
    )
    assert told[0]["specimens"][0]["rounds"] == {"1": 7.0, "2": 7.5}
    with open(folder / "repeats" / "1.jsonl", "ab") as file:
        file.write(b'{"name": "cut off wh')  # the machine died while writing
    told = desk.send("/specimens/1/repeats", name="canine to canine", round=3, value=7.1)
    assert list(told[0]["specimens"][0]["rounds"]) == ["1", "2", "3"]
    assert desk.get("/specimens/1/repeats") == told


def test_what_is_no_round_is_refused(desk) -> None:
    desk.send("/specimens/1/repeats", 400, name="x", round=1)
    desk.send("/specimens/1/repeats", 422, name="x", round=0, value=1)
    desk.send("/specimens/1/repeats", 422, name="", round=1, value=1)
    desk.send("/specimens/99/repeats", 404, name="x", round=1, value=1)


def test_a_landmark_is_placed_moved_and_taken_back(desk) -> None:
    desk.decide(kind="landmark", name="basion", point=[9.0, 11.0, 20.0])
    desk.decide(kind="landmark", name="basion", point=[9.0, 11.5, 20.0])
    (one,) = [m for m in desk.get("/specimens/1/landmarks") if m["name"] == "basion"]
    assert one["point_scan_mm"] == [9.0, 11.5, 20.0]
    assert one["decided_by"] == "person"
    desk.send("/specimens/1/undo")
    (one,) = [m for m in desk.get("/specimens/1/landmarks") if m["name"] == "basion"]
    assert one["point_scan_mm"] == [9.0, 11.0, 20.0]
