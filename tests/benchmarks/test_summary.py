"""Pooling and reliability."""

from __future__ import annotations

import math

import pytest
from benchmarks.summary import METRICS, calibration_error, reliability, summarise


def specimen(found: int, true: int = 10, false: int = 0) -> dict[str, object]:
    teeth = [
        {
            "part": 1 if k < found else None,
            "dice": 0.9 if k < found else 0.0,
            "emergence": "in_crypt" if k == 0 else "erupted",
            "enamel_inside": None,
            "enamel_dice": 0.8 if k < found else None,
            "enamel_volume_error": -0.2,
            "fraction_error": -0.1,
            "length_error_mm": 0.05 if k < 5 else 0.5,
            "width_error_mm": None,
            "length_mm": 2.0,
            "width_mm": 1.0,
        }
        for k in range(true)
    ]
    return {
        "found": found,
        "true_teeth": true,
        "predicted": found + false,
        "false_teeth": false,
        "locus_right": found,
        "generation_right": found,
        "emergence_right": found,
        "pairs_true": 2,
        "pairs_right": 1,
        "pairs_false": 3,
        "formula_right": found == true,
        "sides_swapped": None,
        "pose_error_deg": 4.0,
        "voxel_mm": 0.1,
        "teeth": teeth,
        "enamel_dice": None,
    }


def test_rates_pool_counts_and_not_specimen_means() -> None:
    s = summarise([specimen(10, 10), specimen(5, 30, 5)], draws=50)
    assert s["recall"]["value"] == pytest.approx(15 / 40)
    assert s["precision"]["value"] == pytest.approx(1 - 5 / 20)
    assert s["pairs_right"]["value"] == 0.5
    assert s["pairs_false"]["value"] == 6
    assert s["size_within"]["value"] == pytest.approx(10 / 40)
    assert s["emergence_fraction_error"]["value"] == pytest.approx(0.1)
    assert s["crypt_recall"]["value"] == 1
    assert s["enamel_dice_median"]["value"] == pytest.approx(0.8)
    assert s["enamel_volume_error_median"]["value"] == pytest.approx(0.2)
    assert math.isnan(s["sides_swapped"]["value"])


def test_interval_spans_the_specimens() -> None:
    s = summarise([specimen(10)] * 5 + [specimen(0)] * 5, draws=400)
    assert 0.1 < s["recall"]["low"] < 0.5 < s["recall"]["high"] < 0.9
    same = summarise([specimen(7)] * 6, draws=100)["recall"]
    assert same["low"] == same["high"] == same["value"] == pytest.approx(0.7)


def test_no_specimens_give_no_numbers() -> None:
    s = summarise([])
    assert math.isnan(s["recall"]["value"])
    assert set(s) == set(METRICS)


def test_reliability_bins_and_calibration() -> None:
    pairs = [(0.95, True)] * 19 + [(0.95, False)] + [(0.55, True), (0.55, False)]
    bins = reliability(pairs)
    assert [b["count"] for b in bins] == [2, 20]
    assert bins[1]["right"] == pytest.approx(0.95)
    assert calibration_error(bins) == pytest.approx(2 * 0.05 / 22)
    assert reliability([(1.0, True)])[0]["right"] == 1
    assert reliability([]) == []
