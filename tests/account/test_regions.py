"""Palate, jaw, ear and braincase in the account: drawn by hand, no scan and no animal."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from sketch import MADE_BY, scan_facts, sketch_reading

from ossicle.account import account_from_json, account_text, account_to_json, build_account
from ossicle.account.html import account_html
from ossicle.account.records import Account
from ossicle.reading.records import Reading
from ossicle.reading.structures import (
    Angle,
    Asymmetry,
    Braincase,
    Cusps,
    Ear,
    EnamelThickness,
    JawHalf,
    Measured,
    NasalCavity,
    Opening,
    Palate,
    Structures,
    Value,
)
from ossicle.reading.structures.records import Look

PART = next(t.part for t in sketch_reading().teeth if t.tooth_class == "molar")
TURN = np.linspace(0, 2 * np.pi, 12, endpoint=False)


def opening(term: str, side: str, area: float, x: float) -> Opening:
    rim = np.stack([x + 0.5 * np.cos(TURN), np.zeros(12), np.sin(TURN)], axis=1)
    return Opening(
        term,
        side,  # type: ignore[arg-type]
        Value(area, 0.05),
        Value(2.0, 0.05),
        Value(1.0, 0.05),
        5.0,
        np.array([x, 0.0, 0.0]),
        rim,
        0.9,
        "before the first cheek tooth",
    )


def structures() -> Structures:
    image = np.full((20, 30), 0.8, np.float32)
    palate = Palate(
        (opening("incisive foramen", "left", 1.5, 0.8), opening("incisive foramen", "right", 1.2, -0.8)),
        80.0,
        0.034,
        -9.0,
        image,
        (-3.0, -9.0),
        0.1,
    )
    points = [np.array(p, float) for p in ([5, -3, -15], [5, 4, -12], [1, -4, 5], [5, -4, -14], [2.5, -3.5, -14.4])]
    angle = Angle("shelf", Value(78.2, 1.6), 80.0, 2.6, points[3], points[4])
    jaw = JawHalf(
        "left",
        60,
        angle,
        points[0],
        points[1],
        points[2],
        Value(27.5, 0.05),
        Value(9.9, 0.05),
        "other side absent",
        False,
        mental=(
            replace(opening("mental foramen", "left", 0.3, 3.0), basis="below p2"),
            replace(opening("mental foramen", "left", 0.2, 3.5), basis="below p4"),
        ),
        joint_gap_mm=Value(0.31, 0.04),
    )
    ear = Ear(
        "left",
        np.array([4.0, 2.0, -20.0]),
        Value(1.4, 0.1),
        None,
        None,
        None,
        None,
        {},
        {"stapes": "not_resolved", "incus": "present", "malleus": "absent"},
        {"stapes": "a strut would be about 1.4 voxels thick, and two are needed", "cochlear_turns": "too narrow"},
        middle_ear_mm3=Value(24.9, 0.3),
        floor_share=0.62,
        middle=np.array([5.0, 0.0, -20.0]),
        footplate_mm2=Value(0.21, 0.02),
        petrosal_contrast=0.14,
        parts={"incus": 70, "petrosal": 71, "tympanic cavity": 72},
    )
    brain = Braincase(Value(388.0, 3.0), opening("foramen magnum", "midline", 6.1, 0.0), np.array([0.0, 3.0, -20.0]))
    ends = (np.array([0.0, 1.0, 6.0]), np.array([0.0, 2.0, -31.0]))
    return Structures(
        palate,
        (jaw,),
        (ear,),
        brain,
        (Measured("condylobasal length", "condylobasal_length", Value(37.0, 0.06), ends),),
        {"basion": ends[1]},
        (Asymmetry("incisive foramen area", 1.5, 1.2, "mm2", 0.222, 0.05),),
        ("No right dentary was found in the scan; nothing is said of it.",),
        {"palate": Look("The palate laid out", "A palate.", image, 0.1, (("incisive foramen", np.ones((4, 2))),))},
        {"left dentary": 60, "cranium": 61},
        {PART: EnamelThickness(0.21, 12.0, 1.0, 5.0, 5.0)},
        {PART: EnamelThickness(0.19, 11.0, 1.0, 5.0, 5.0)},
        {PART: Cusps(3, 0.17, np.zeros((3, 3)), 0.6)},
        NasalCavity(Value(275.0, 3.6), np.array([0.0, 4.0, -5.0]), part=73),
    )


@pytest.fixture(scope="module")
def reading() -> Reading:
    return replace(sketch_reading(), structures=structures())


@pytest.fixture(scope="module")
def account(reading: Reading) -> Account:
    return build_account(reading, scan_facts(), MADE_BY, placed=("basion",))


def said(account: Account, identity: str) -> str:
    return next(f.statement for f in account.findings if f.id == identity)


def test_sentences_hold_value_error_and_unit(account: Account) -> None:
    assert "1.500 ± 0.050 mm²" in said(account, "palate/incisive-foramen-left")
    assert "turned medially by 78.2 ± 1.6°" in said(account, "jaw/angle-left")
    assert "388 mm³, give or take 1 %" in said(account, "braincase/volume")
    assert "275 mm³, give or take 1 %" in said(account, "braincase/nasal-cavity")


def test_the_middle_ear_is_told(account: Account) -> None:
    assert said(account, "ear/incus-left") == "The left incus is present."
    assert said(account, "ear/malleus-left") == "The left malleus is absent, which a dry skull often has lost."
    assert "24.90 ± 0.30 mm³" in said(account, "ear/middle-ear-left")
    assert "bone over 62 %" in said(account, "ear/floor-left")
    assert "0.210 ± 0.020 mm²" in said(account, "ear/footplate-left")
    assert "14 % brighter" in said(account, "ear/petrosal-left")
    shown = {f.id: f.evidence.parts for f in account.findings}
    assert shown["ear/incus-left"] == (70,)
    assert shown["ear/petrosal-left"] == (71,)
    assert shown["ear/middle-ear-left"] == shown["ear/floor-left"] == (72,)
    row = account.ear[0]
    assert (row["footplate_mm2"], row["middle_ear_volume_mm3"]) == (0.21, 24.9)
    assert row["parts"]["incus"] == 70
    assert "volume of the nasal cavity" in {m["name"] for m in account.measurements}
    assert "37.000 ± 0.060 mm (Hall 1951)" in said(account, "measurements/condylobasal-length")
    assert "is not resolved: a strut would be about 1.4 voxels" in said(account, "ear/stapes-left")
    assert "the left is the greater by 22 %" in said(account, "asymmetry/incisive-foramen-area")


def test_jaw_and_crowns(reading: Reading, account: Account) -> None:
    text = said(account, "jaw/mental-foramina-left")
    assert "2 mental foramina" in text
    assert "one below p2 of 0.300 ± 0.050 mm², one below p4 of 0.200 ± 0.050 mm²" in text
    assert "0.310 ± 0.040 mm on the left" in said(account, "jaw/joint")
    assert "Which bone of the cranium bears the socket is not told" in said(account, "jaw/joint")
    tooth = next(t for t in reading.teeth if t.part == PART)
    name = f"{tooth.side}-{tooth.jaw}-{tooth.name}"
    assert "has 3 peaks that stand out by 0.17 mm or more" in said(account, f"measurements/cusps-{name}")
    assert "in one section across the row 0.190 mm" in said(account, f"measurements/enamel-{name}")
    row = json.loads(account_to_json(account))["jaw"][0]
    assert [o["basis"] for o in row["mental_foramina"]] == ["below p2", "below p4"]
    assert row["joint_gap_mm"] == 0.31


def test_crown_height_is_told_of_erupting_molars_only(reading: Reading) -> None:
    molar = next(t for t in reading.teeth if t.tooth_class == "molar")
    for emergence, told in (("erupted", False), ("erupting", True), ("in_crypt", False)):
        other = replace(molar, emergence=emergence, crown_height_mm=2.0, width_mm=1.6)
        again = build_account(replace(reading, teeth=(other,)), scan_facts(), MADE_BY)
        index = [f for f in again.findings if f.method == "dental.hypsodonty"]
        assert [f.value for f in index] == ([1.25] if told else []), emergence


def test_every_finding_shows_where_to_look(account: Account) -> None:
    for finding in account.findings:
        if finding.region in ("palate", "jaw", "ear", "braincase", "measurements", "asymmetry"):
            assert finding.evidence.view is not None, finding.id


def test_rows_that_outside_checks_rely_on(account: Account) -> None:
    data = json.loads(account_to_json(account))
    by = {(o["term"], o["side"]): o for o in data["openings"]}
    assert by["incisive foramen", "right"]["area_mm2"] == 1.2
    assert by["incisive foramen", "right"]["area_error_mm2"] == 0.05
    assert data["jaw"][0]["angular_process_inflection_deg"] == 78.2
    assert data["ear"][0]["stapes"] == "not_resolved"
    assert data["ear"][0]["oval_window_mm2"] is None
    names = {m["name"]: m for m in data["measurements"]}
    assert names["condylobasal length"]["definition"] == "condylobasal_length"
    assert names["endocranial volume"]["unit"] == "mm3"
    assert data["landmarks"] == [
        {"name": "basion", "point_mm_xyz": data["landmarks"][0]["point_mm_xyz"], "decided_by": "person"}
    ]


def test_points_are_told_in_scan_mm(account: Account, reading: Reading) -> None:
    matrix = np.asarray(reading.pose.scan_to_skull, float)
    point = account.landmarks[0]["point_mm_xyz"]
    assert (matrix @ [*point, 1.0])[:3] == pytest.approx([0.0, 2.0, -31.0], abs=1e-3)


def test_it_comes_back_from_json(account: Account) -> None:
    text = account_to_json(account)
    assert account_to_json(account_from_json(text)) == text


def test_page_and_text_show_it(account: Account, reading: Reading) -> None:
    page = account_html(account, reading)
    assert "The palate laid out" in page
    assert '<polyline class="drawn c0"' in page
    assert "Left against right" in page
    text = account_text(account)
    assert "Lower jaw" in text
    assert "No right dentary was found" in text


def test_absence_is_a_warning(account: Account) -> None:
    assert any("No right dentary" in w for w in account.warnings)
