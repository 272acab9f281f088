"""Scores of openings, jaw, ear and measurements."""

from __future__ import annotations

import pytest
from benchmarks.structures import compare, pool

TRUTH = {
    "openings": [
        {"term": "incisive foramen", "side": "left", "area_mm2": 2.0, "centroid_mm_xyz": [0, 0, 0]},
        {"term": "incisive foramen", "side": "right", "area_mm2": 4.0},
    ],
    "jaw": [{"side": "left", "angular_process_inflection_deg": 80.0, "form": "shelf"}],
    "ear": [{"side": "left", "stapes": "present", "oval_window_mm2": 0.5}],
    "measurements": [{"name": "condylobasal length", "value": 30.0, "unit": "mm"}],
}


def test_the_truth_itself_has_no_error() -> None:
    rows = compare(TRUTH, TRUTH)
    assert len(rows) == 6
    assert all(r["error"] == 0 for r in rows)


def test_errors_are_shares_for_sizes_and_degrees_for_angles() -> None:
    said = {
        "openings": [{"term": "incisive foramen", "side": "right", "area_mm2": 3.0}],
        "jaw": [{"side": "left", "angular_process_inflection_deg": 70.0}],
        "ear": [{"side": "left", "stapes": "absent", "oval_window_mm2": None}],
        "measurements": [{"name": "condylobasal length", "value": 30.3}],
    }
    errors = {(r["section"], r["value"], *r["key"]): r["error"] for r in compare(TRUTH, said)}
    assert errors["openings", "area_mm2", "incisive foramen", "right"] == pytest.approx(-0.25)
    assert errors["openings", "area_mm2", "incisive foramen", "left"] is None
    assert errors["jaw", "angular_process_inflection_deg", "left"] == pytest.approx(-10)
    assert errors["ear", "stapes", "left"] == 1
    assert errors["ear", "oval_window_mm2", "left"] is None
    assert errors["measurements", "value", "condylobasal length"] == pytest.approx(0.01)
    row = next(p for p in pool(compare(TRUTH, said)) if p["section"] == "openings")
    assert (row["true"], row["given"], row["median"]) == (2, 1, pytest.approx(0.25))


def test_what_is_not_resolved_is_no_error() -> None:
    row = next(
        r for r in compare(TRUTH, {"ear": [{"side": "left", "stapes": "not_resolved"}]}) if r["value"] == "stapes"
    )
    assert row["error"] is None


def test_intervals_resample_specimens() -> None:
    rows = [
        {"section": "jaw", "key": ["left"], "value": "angle", "error": e, "specimen": i}
        for i, e in enumerate([1.0, 1.0, 1.0, 9.0, 9.0, 9.0])
    ]
    (row,) = pool(rows)
    assert row["median"] == pytest.approx(5)
    assert (row["low"], row["high"]) == (1, 9)
    assert pool([{**r, "specimen": 0} for r in rows])[0]["low"] is None
