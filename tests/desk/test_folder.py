"""A folder of one reading on the desk, and places without a tooth."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from asked_desk import AskedDesk
from desk_token import KEY, TOKEN, came_in
from desk_world import drawn
from sketch import MADE_BY, SPACING, scan_facts
from starlette.testclient import TestClient
from test_surfaces import read_back

from ossicle.account import build_account
from ossicle.account.frame import in_file_frame
from ossicle.account.run import Outcome, write_outcome
from ossicle.desk import make_app
from ossicle.desk.folder import ReadingFolder, is_reading_folder
from ossicle.desk.rows import Rows
from ossicle.errors import OssicleError
from ossicle.reading.records import Vacancy
from ossicle.scans.geometry import Geometry

AFFINE = np.array([[-SPACING, 0, 0, 12.0], [0, -SPACING, 0, 7.0], [0, 0, SPACING, -40.0], [0, 0, 0, 1.0]])


@pytest.fixture(params=[None, AFFINE], ids=["no affine", "affine"])
def written(tmp_path: Path, request: pytest.FixtureRequest) -> Path:
    reading, _ = drawn()
    reading = replace(reading, enamel=np.isin(reading.labels, [reading.teeth[0].part]))
    affine = None if request.param is None else tuple(map(tuple, request.param.tolist()))
    facts = scan_facts(affine_mm=affine)
    account = build_account(in_file_frame(reading, facts.spacing_mm_zyx, affine), facts, MADE_BY)
    write_outcome(tmp_path / "reading", Outcome(account, reading, Geometry((SPACING,) * 3, request.param)))
    return tmp_path / "reading"


@pytest.fixture
def looked_at(written: Path) -> Iterator[AskedDesk]:
    with TestClient(
        make_app(ReadingFolder(written), token=TOKEN, key=KEY, roots=[]), base_url="http://localhost"
    ) as web:
        yield AskedDesk(came_in(web), written)


def test_it_is_told_from_a_collection(written: Path, folder: Path, tmp_path: Path) -> None:
    assert is_reading_folder(written)
    assert not is_reading_folder(folder)
    assert not is_reading_folder(tmp_path)


def test_it_shows_the_very_account_that_was_written(looked_at: AskedDesk) -> None:
    import json

    told = looked_at.get("/specimens/1")
    assert told["account"] == json.loads((looked_at.folder / "account.json").read_text())
    assert [s["catalogue_number"] for s in looked_at.get("/specimens")] == ["reading"]
    assert "no decisions" in looked_at.get("/about")["read_only"]


def test_its_parts_stand_where_the_account_says(looked_at: AskedDesk) -> None:
    told = looked_at.get("/specimens/1")
    found = read_back(looked_at.web.get(told["surfaces_url"]).content)
    matrix = np.asarray(told["scan"]["scan_to_skull"])
    for tooth in told["account"]["teeth"]:
        place = (matrix @ [*tooth["centroid_mm_xyz"], 1.0])[:3]
        np.testing.assert_allclose(found[f"part-{tooth['part']}"].vertices.mean(axis=0), place, atol=0.5)
    assert [n for n in found if n.startswith("enamel-")] == [f"enamel-{drawn()[0].teeth[0].part}"]


def test_rows_are_laid_out_without_a_curve(looked_at: AskedDesk) -> None:
    slots = looked_at.get("/specimens/1/rows")["quadrants"]["upper_left"]["slots"]
    assert len([s for s in slots if s["outline"]]) > 10


def test_what_it_does_not_hold_is_said(looked_at: AskedDesk) -> None:
    for path in ("slice.png?origin=5,5,5&u=1,0,0&v=0,1,0&width=5&height=5", "volume", "strips/upper_left.png"):
        answer = looked_at.web.get(f"/api/specimens/1/{path}")
        assert answer.status_code in (400, 404)
        assert answer.json()["mend"]
    answer = looked_at.decide(400, kind="agree", finding="formula/counts")
    assert "ossicle intake" in answer["mend"]
    looked_at.send("/specimens/1/repeats", 400, name="x", round=1, value=1)
    looked_at.send("/specimens/1/read", 400)


def test_a_folder_without_its_parts_is_refused(written: Path) -> None:
    (written / "parts.nii.gz").unlink()
    with pytest.raises(OssicleError, match=r"parts\.nii\.gz"):
        ReadingFolder(written)


def test_places_without_a_tooth_stand_in_the_row(desk: AskedDesk) -> None:
    shown = desk.web.app.app.state.bench.shown(1)  # type: ignore[attr-defined]
    parts = {t.name: t.part for t in shown.replayed.reading.teeth if (t.jaw, t.side) == ("lower", "left")}
    middle = (5.0, -6.5, -12.0)
    empty = Vacancy("lower", "left", "p5", "empty_alveolus", parts["dP3"], parts["dP4"], 1.5, 2, 3.25, middle, 0.8)
    closed = replace(empty, name="p6", state="closed", before=parts["dP4"], behind=None, gap_mm=None, depth_mm=None)
    taken = replace(empty, name="dP4")
    reading = replace(shown.replayed.reading, vacancies=(empty, closed, taken))
    told = Rows().of(replace(shown, replayed=replace(shown.replayed, reading=reading)))
    slots = [s for s in told["quadrants"]["lower_left"]["slots"] if s["part"] is None and s["name"]]
    assert [(s["name"], s["state"]) for s in slots] == [("p5", "empty_alveolus"), ("p6", "closed")]
    assert slots[0]["depth_mm"] == 3.25
    assert slots[0]["y_mm"] == 6.5
    assert slots[0]["from_mm"] < slots[0]["to_mm"] + 1.0
    assert slots[1]["from_mm"] is None
