"""Views kept for a lesson: in order, whole or not at all, found again in another reading, and made into a page."""

from __future__ import annotations

import base64
import io
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from asked_desk import AskedDesk
from desk_token import TOKEN
from PIL import Image

from ossicle.cli import main
from ossicle.collection import Collection
from ossicle.compare import from_collection
from ossicle.errors import OssicleError
from ossicle.publish.following import Follower, known_parts, mapping_of
from ossicle.publish.scene import scene_of


def scene(desk: AskedDesk, **more: Any) -> dict[str, Any]:
    parts = [p["part"] for p in desk.get("/specimens/1")["parts"]]
    return {
        "eye": {"look": [-1, 0, 0], "up": [0, 1, 0], "centre": [0, -2, -20], "extent": 30, "aspect": 1.5},
        "shown": [{"specimen": "1", "solid": parts[1:], "veiled": parts[:1], "chosen": parts[1:2], "veil": 0.4}],
        "lift": 1.5,
        "clip": {"normal": [1, 0, 0], "reach": 2.0},
        "slice": None,
        "named": [{"specimen": "1", "part": parts[1]}],
        "finding": None,
        **more,
    }


def titles(told: dict[str, Any]) -> list[str]:
    return [s["title"] for s in told["steps"]]


def test_steps_are_kept_ordered_changed_and_deleted(desk: AskedDesk) -> None:
    assert desk.get("/specimens/1/steps") == {"version": 0, "steps": []}
    for title in ("one", "two", "three"):
        desk.send("/specimens/1/steps", scene=scene(desk), title=title, narration=f"*{title}*")
    told = desk.get("/specimens/1/steps")
    one, two, three = (s["id"] for s in told["steps"])
    desk.send("/specimens/1/steps", scene=scene(desk), title="one and a half", after=one)
    told = desk.get("/specimens/1/steps")
    assert titles(told) == ["one", "one and a half", "two", "three"]
    half = told["steps"][1]["id"]
    told = desk.send("/specimens/1/steps/order", order=[three, two, half, one], expected=told["version"])
    assert titles(told) == ["three", "two", "one and a half", "one"]
    told = desk.send(f"/specimens/1/steps/{two}", title="  second  ", notes="slowly", travel=False)
    second = told["steps"][1]
    assert (second["title"], second["notes"], second["travel"]) == ("second", "slowly", False)
    assert second["narration"] == "*two*"
    gone = desk.web.delete(f"/api/specimens/1/steps/{half}", headers={"x-ossicle-desk": TOKEN})
    assert titles(gone.json()) == ["three", "second", "one"]
    file = desk.folder / "steps" / "1.json"
    assert [s["title"] for s in json.loads(file.read_text())["steps"]] == ["three", "second", "one"]
    assert {p.name for p in file.parent.iterdir()} == {"1.json"}


def test_what_was_changed_elsewhere_is_not_overwritten(desk: AskedDesk) -> None:
    told = desk.send("/specimens/1/steps", scene=scene(desk), title="mine", expected=0)
    assert desk.send("/specimens/1/steps", 409, scene=scene(desk), title="late", expected=0)["mend"]
    assert desk.get("/specimens/1/steps") == told


@pytest.mark.parametrize(
    "bad",
    [
        {"eye": None},
        {"eye": {"look": [0, 1, 0], "up": [0, 1, 0], "centre": [0, 0, 0], "extent": 10}},
        {"eye": {"look": [0, 0, "x"], "up": [0, 1, 0], "centre": [0, 0, 0], "extent": 10}},
        {"shown": []},
        {"shown": [{"specimen": "2", "solid": [1]}]},
        {"shown": [{"specimen": "1", "solid": [-4]}]},
        {"shown": [{"specimen": "1", "solid": [1], "laid": [1, 2]}]},
        {"lift": 1e9},
        {"named": [{"specimen": "1", "part": True}]},
    ],
)
def test_a_bad_view_is_one_sentence(desk: AskedDesk, bad: dict[str, Any]) -> None:
    said = desk.send("/specimens/1/steps", 400, scene=scene(desk, **bad))
    assert said["what"]
    assert said["mend"]
    assert desk.get("/specimens/1/steps")["version"] == 0


def test_parts_are_found_again_when_numbers_and_pose_change(desk: AskedDesk) -> None:
    with Collection.open(desk.folder) as held:
        now = from_collection(held, "OTC 1")
    known = known_parts(now.account, "was")
    numbers = [p.part for p in now.account.parts]
    assert mapping_of(now.account, known, "was") == {n: n for n in numbers}
    # Another reading: every number is another, and the skull lies elsewhere in its pose.
    other = {n: n + 500 for n in numbers}
    turn = np.array([[0.0, 0, 1, 3], [0, 1, 0, -2], [-1, 0, 0, 5], [0, 0, 0, 1]])
    account = replace(
        now.account,
        parts=tuple(replace(p, part=other[p.part]) for p in now.account.parts),
        pose=replace(now.account.pose, scan_to_skull=turn @ np.asarray(now.account.pose.scan_to_skull, float)),
    )
    later = replace(now, account=account)
    was = scene_of(scene(desk))
    found = Follower({"1": known}, {"1": later}, {"1": "now"}).scene(was)
    (stood,) = found.shown
    assert stood.solid == tuple(sorted(n + 500 for n in was.shown[0].solid))
    assert stood.veiled == tuple(n + 500 for n in was.shown[0].veiled)
    assert found.named == (("OTC 1", was.named[0][1] + 500),)
    # A point of the bone keeps its place before the eye and before the plane.
    point = np.array([1.0, -3.0, -18.0])
    moved = turn[:3, :3] @ point + turn[:3, 3]
    for a, b in ((was, found),):
        assert np.dot(point - a.eye.centre_mm, a.eye.up) == pytest.approx(np.dot(moved - b.eye.centre_mm, b.eye.up))
        assert a.clip is not None
        assert b.clip is not None
        assert np.dot(point, a.clip[0]) - a.clip[1] == pytest.approx(np.dot(moved, b.clip[0]) - b.clip[1], abs=1e-3)


def test_a_view_of_two_needs_both(desk: AskedDesk) -> None:
    two = scene(desk)
    two["shown"] = [two["shown"][0], {**two["shown"][0], "specimen": "2"}]
    with Collection.open(desk.folder) as held:
        now = from_collection(held, "OTC 1")
    with pytest.raises(OssicleError, match="shows specimen #2, too"):
        Follower({}, {"1": now}, {"1": "now"}).scene(scene_of(two))


def test_a_lesson_and_a_plate_are_made_of_kept_views(
    desk: AskedDesk, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told = desk.send("/specimens/1/steps", scene=scene(desk), title="<b>Kept</b>", narration="Said *so*.")
    (step,) = told["steps"]
    page = tmp_path / "l.html"
    words = ["lesson", "OTC 1", "--in", str(desk.folder), "--out", str(page), "--triangles", "4000"]
    assert main([*words, "--draft", str(tmp_path / "l.toml")]) == 0
    found = re.search(r'<script type="application/json" id="lesson-data">(.*?)</script>', page.read_text(), re.S)
    assert found is not None
    (made,) = json.loads(found.group(1))["steps"]
    assert made["title"] == "<b>Kept</b>"
    assert "<em>so</em>" in made["html"]
    assert (made["extent"], made["aspect"], made["lift"]) == (30, 1.5, 1.5)
    assert made["clip"] == {"normal": [1, 0, 0], "reach": 2}
    assert made["shown"][0]["solid"] == step["scene"]["shown"][0]["solid"]
    assert made["labels"][0]["part"] == step["scene"]["named"][0]["part"]
    # The draft calls the view by its id, and gives the same lesson again.
    assert f'kept = "{step["id"]}"' in (tmp_path / "l.toml").read_text()
    again = tmp_path / "again.html"
    assert main([*words[:4], "--from", str(tmp_path / "l.toml"), "--out", str(again), "--triangles", "4000"]) == 0
    assert again.read_text() == page.read_text()
    (tmp_path / "p.toml").write_text(f'dpi = 72\ncolumns = 1\n[[panel]]\nkept = "{step["id"]}"\n')
    plate = ["plate", str(tmp_path / "p.toml"), "OTC 1", "--format", "png", "--out", str(tmp_path / "p")]
    assert main([*plate, "--in", str(desk.folder)]) == 0
    assert (tmp_path / "p.png").stat().st_size > 2000
    capsys.readouterr()
    (tmp_path / "p.toml").write_text('dpi = 72\n[[panel]]\nkept = "0000"\n')
    assert main([*plate, "--in", str(desk.folder)]) == 2
    assert f"kept views: {step['id']}" in capsys.readouterr().err


def test_a_slice_stands_in_the_page_as_the_desk_drew_it(desk: AskedDesk, tmp_path: Path) -> None:
    plane = next(p for p in desk.get("/specimens/1/planes") if p["of"] is None)
    cut = {"origin": plane["origin_scan_mm"], "u": plane["u"], "v": plane["v"], "width": 20.0, "height": 15.0}
    desk.send("/specimens/1/steps", scene=scene(desk, slice=cut), title="Sliced")
    desk.send("/specimens/1/steps", scene=scene(desk, slice=cut), title="Again")
    desk.send("/specimens/1/steps", scene=scene(desk), title="Without")
    page = tmp_path / "l.html"
    words = ["lesson", "OTC 1", "--in", str(desk.folder), "--out", str(page), "--triangles", "4000"]
    assert main(words) == 0
    found = re.search(r'<script type="application/json" id="lesson-data">(.*?)</script>', page.read_text(), re.S)
    assert found is not None
    data = json.loads(found.group(1))
    assert [s["slice"] for s in data["steps"]] == [0, 0, None]
    (made,) = data["slices"]
    corners = np.array(made["corners"])
    assert np.linalg.norm(corners[1] - corners[0]) == pytest.approx(20, abs=1e-3)
    assert np.linalg.norm(corners[3] - corners[0]) == pytest.approx(15, abs=1e-3)
    to_skull = np.array(desk.get("/specimens/1")["scan"]["scan_to_skull"])
    middle = to_skull[:3, :3] @ plane["origin_scan_mm"] + to_skull[:3, 3]
    np.testing.assert_allclose(corners.mean(axis=0), middle, atol=1e-3)
    query = {k: ",".join(map(str, cut[k])) for k in ("origin", "u", "v")}
    asked = desk.web.get("/api/specimens/1/slice.png", params={**query, "width": 20, "height": 15, "px": 448})
    drawn = np.asarray(Image.open(io.BytesIO(asked.content)), int)
    held = np.asarray(Image.open(io.BytesIO(base64.b64decode(made["jpeg"]))), int)
    assert held.shape == drawn.shape
    assert drawn.std() > 20
    assert np.abs(held - drawn).mean() < 3
