"""account.json against its schema, and the CSV and text made from the same account."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import jsonschema
import numpy as np
import pytest
from sketch import MADE_BY, SPACING, scan_facts

from ossicle.account import (
    Account,
    account_from_json,
    account_text,
    account_to_dict,
    account_to_json,
    build_account,
    dentition_csv,
    schema,
)
from ossicle.account.frame import in_file_frame
from ossicle.account.tables import COLUMNS
from ossicle.errors import OssicleError
from ossicle.reading.records import Reading


def with_canine(reading: Reading, **changes: Any) -> Account:
    teeth = tuple(
        replace(t, **changes) if (t.name, t.jaw, t.side) == ("C", "upper", "left") else t for t in reading.teeth
    )
    return build_account(replace(reading, teeth=teeth), scan_facts(), MADE_BY)


def named(data: dict[str, Any], name: str) -> dict[str, Any]:
    return next(t for t in data["teeth"] if (t["name"], t["jaw"], t["side"]) == (name, "upper", "left"))


def test_the_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(schema())


@pytest.mark.parametrize("name", ["juvenile_account", "nothing_account"])
def test_round_trip(name: str, request: pytest.FixtureRequest) -> None:
    account: Account = request.getfixturevalue(name)
    text = account_to_json(account)
    jsonschema.validate(json.loads(text), schema(), cls=jsonschema.Draft202012Validator)
    assert account_to_json(account_from_json(text)) == text


def test_the_keys_that_outside_checks_rely_on(juvenile_account: Account) -> None:
    data = json.loads(account_to_json(juvenile_account))
    assert data["schema"] == "ossicle-account/1"
    assert data["scan"]["shape_zyx"] == [136, 92, 76]
    assert data["scan"]["sources"][0]["name"] == "slice_0000.tif"
    tooth = named(data, "dP3")
    successor = next(t for t in data["teeth"] if t["part"] == tooth["replaced_by"])
    assert successor["name"] == "P3"
    assert successor["replaces"] == tooth["part"]
    assert (tooth["class"], tooth["position"], tooth["generation"]) == ("premolar", 3, "deciduous")
    assert data["formula"]["quadrants"]["lower_left"] == {"I": 3, "C": 1, "P": 4, "M": 1}
    needed = {"id", "statement", "value", "unit", "method", "confidence", "standing", "evidence"}
    assert all(finding.keys() >= needed for finding in data["findings"])


def test_what_was_not_measured_is_null(adult: Reading) -> None:
    account = with_canine(adult, length_mm=math.nan, width_mm=math.inf)
    text = account_to_json(account)
    tooth = named(json.loads(text), "C")
    assert tooth["length_mm"] is None
    assert tooth["width_mm"] is None
    assert "nan" not in account_text(account).lower()
    assert account_to_json(account_from_json(text)) == text


@pytest.mark.parametrize(
    "spoil",
    [
        lambda d: d.pop("teeth"),
        lambda d: d["teeth"][0].update(jaw="middle"),
        lambda d: d["teeth"][0].update(emergence_fraction=1.2),
        lambda d: d["scan"].update(spacing_mm_zyx=[0.1, 0.1, 0]),
        lambda d: d["findings"][0].update(standing="maybe"),
        lambda d: d.update(schema="ossicle-account/2"),
        lambda d: d["formula"]["quadrants"].pop("upper_left"),
        lambda d: d["pose"].update(scan_to_skull=[[1, 0], [0, 1]]),
    ],
)
def test_a_spoilt_account_is_refused(juvenile_account: Account, spoil: Callable[[Any], None]) -> None:
    data = account_to_dict(juvenile_account)
    spoil(data)
    with pytest.raises(OssicleError, match="does not fit the schema"):
        account_from_json(json.dumps(data))


def test_a_bad_record_is_not_written(adult: Reading) -> None:
    with pytest.raises(ValueError, match="confidence"):
        account_to_json(with_canine(adult, confidence=1.5))


def test_what_is_not_json_is_refused() -> None:
    with pytest.raises(OssicleError, match="this is not JSON"):
        account_from_json("<html>")


def test_centroids_and_pose_follow_the_affine(adult: Reading) -> None:
    affine = np.array([[0, -SPACING, 0, 5], [SPACING, 0, 0, -3], [0, 0, SPACING, 100], [0, 0, 0, 1.0]])
    moved = in_file_frame(adult, (SPACING,) * 3, affine)
    for before, after in zip(adult.teeth, moved.teeth, strict=True):
        index = np.array(before.centroid_mm_xyz) / SPACING
        assert after.centroid_mm_xyz == pytest.approx((affine @ [*index, 1])[:3])
        one = adult.pose.scan_to_skull @ [*before.centroid_mm_xyz, 1]
        two = moved.pose.scan_to_skull @ [*after.centroid_mm_xyz, 1]
        assert two == pytest.approx(one)


def test_without_an_affine_nothing_changes(adult: Reading) -> None:
    assert in_file_frame(adult, (SPACING,) * 3, None) is adult


def test_one_row_a_tooth_with_units_in_the_names(juvenile_account: Account) -> None:
    rows = list(csv.DictReader(io.StringIO(dentition_csv(juvenile_account))))
    assert len(rows) == len(juvenile_account.teeth)
    assert set(rows[0]) == set(COLUMNS)
    first = rows[0]
    assert (first["jaw"], first["side"], first["name"]) == ("upper", "right", "I1")
    assert float(first["length_mm"]) == pytest.approx(1.4)


def test_nothing_found_gives_the_header_alone(nothing_account: Account) -> None:
    assert dentition_csv(nothing_account).strip().split(",") == list(COLUMNS)


def test_text_has_every_tooth(juvenile_account: Account) -> None:
    text = account_text(juvenile_account)
    assert text.count(" in crypt ") == 30
    assert "Not for clinical diagnosis." in text
