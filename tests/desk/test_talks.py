"""Talks at the desk: kept piece by piece, trimmed and taken again with voice and stage together, made into a page."""

from __future__ import annotations

import base64
import json
import re
from pathlib import Path
from typing import Any

import pytest
from asked_desk import AskedDesk
from desk_token import TOKEN

from ossicle.cli import main
from ossicle.collection import Collection
from ossicle.collection.talks import Talks
from ossicle.publish.voice import voice_of

RECORDED = (Path(__file__).parent.parent / "publish" / "recorded.webm").read_bytes()
EYE = {"look": [-1, 0, 0], "up": [0, 1, 0], "centre": [0, -2, -20], "extent": 30, "aspect": 1.5}
TALKS = "/specimens/1/talks"


def stage(desk: AskedDesk) -> dict[str, Any]:
    parts = [p["part"] for p in desk.get("/specimens/1")["parts"]]
    return {"shown": [{"specimen": "1", "solid": parts, "veiled": []}], "eye": EYE, "lift": 0}


def section(
    desk: AskedDesk, talk: str, events: list[dict[str, Any]], upto: float, voice: bytes = b"", **where: Any
) -> str:
    name = str(desk.send(f"{TALKS}/{talk}/sections", voice=bool(voice), **where)["section"])
    half = len(voice) // 2
    pieces = [(events[:1], upto / 2, voice[:half], False), (events[1:], upto, voice[half:], True)]
    for number, (some, until, sound, last) in enumerate(pieces):
        body = {"number": number, "upto_ms": until, "events": some, "voice": base64.b64encode(sound).decode()}
        for _ in range(2):  # sent twice, as after a broken connection
            desk.send(f"{TALKS}/{talk}/sections/{name}/pieces", last=last, **body)
    return name


def page_data(file: Path) -> dict[str, Any]:
    found = re.search(r'<script type="application/json" id="lesson-data">(.*?)</script>', file.read_text(), re.S)
    assert found is not None
    return dict(json.loads(found.group(1)))


def made(desk: AskedDesk, out: Path) -> dict[str, Any]:
    assert main(["talk", "OTC 1", "--in", str(desk.folder), "--out", str(out), "--triangles", "4000"]) == 0
    return page_data(out)


def test_a_talk_is_kept_and_replayed_with_voice_and_stage_together(desk: AskedDesk, tmp_path: Path) -> None:
    talk = desk.send(TALKS, title="<i>Teeth</i>")["id"]
    events = [
        {"t": 0, **stage(desk)},
        {"t": 1010, "lift": 2.5},
        {"t": 1500, "chapter": "The <b>first</b>", "finding": "a/b"},
        {"t": 2000, "eye": {**EYE, "look": [1, 0, 0]}, "pointer": [2, -1]},
        {"t": 4000, "pointer": None, "named": [{"specimen": "1", "part": stage(desk)["shown"][0]["solid"][3]}]},
    ]
    first = section(desk, talk, events, 5460, RECORDED)
    second = section(desk, talk, [{"t": 0, **stage(desk), "chapter": "Second"}, {"t": 100, "lift": 1}], 3000)
    (told,) = desk.get(TALKS)
    assert [(s["id"], s["ended"], s["length_ms"]) for s in told["sections"]] == [
        (first, True, 5460),
        (second, True, 3000),
    ]
    data = made(desk, tmp_path / "t.html")
    length = voice_of(RECORDED).end_ms
    assert data["length"] == pytest.approx(length + 3000, abs=1)
    assert [c["title"] for c in data["chapters"]] == ["The <b>first</b>", "Second"]
    assert [c["t"] for c in data["chapters"]] == [1500, pytest.approx(length, abs=1)]
    lifts = [(e["t"], e["lift"]) for e in data["events"] if "lift" in e]
    assert lifts == [(0, 0), (1010, 2.5), (length, 0), (length, 0), (length + 100, 1)]
    assert voice_of(base64.b64decode(data["voice"])).end_ms == pytest.approx(length + 3000, abs=40)
    assert "<b>first" not in (tmp_path / "t.html").read_text()
    assert "media-src blob:" in (tmp_path / "t.html").read_text()


def test_trimming_cuts_voice_and_stage_at_the_same_place(desk: AskedDesk, tmp_path: Path) -> None:
    talk = desk.send(TALKS)["id"]
    events = [{"t": 0, **stage(desk)}, {"t": 900, "lift": 3}, {"t": 2500, "lift": 4}, {"t": 4500, "lift": 5}]
    one = section(desk, talk, events, 5460, RECORDED)
    two = section(desk, talk, [{"t": 0, **stage(desk)}], 1000)
    wanted = [{"id": two}, {"id": one, "from_ms": 1000, "to_ms": 4000}]
    told = desk.send(f"{TALKS}/{talk}", sections=wanted, captions="Two words. And three more.")
    assert [s["id"] for s in told["sections"]] == [two, one]
    data = made(desk, tmp_path / "t.html")
    was = [p for p in voice_of(RECORDED).packets if 1000 <= p.at_ms < 4000]
    now = [p for p in voice_of(base64.b64decode(data["voice"])).packets if p.at_ms >= 1000][: len(was)]
    assert [p.data for p in now] == [p.data for p in was]
    began = was[0].at_ms
    assert 1000 <= began < 1060
    # What sounded when the lift came to 4 mm sounds when it does so in the talk.
    (lifted,) = [e["t"] for e in data["events"] if e.get("lift") == 4]
    assert lifted == pytest.approx(1000 + 2500 - began, abs=1)
    assert all(q.at_ms == pytest.approx(1000 + p.at_ms - began, abs=30) for p, q in zip(was, now, strict=True))
    # What the stage showed where the section begins now is told there; what came after its end is not.
    assert [e.get("lift") for e in data["events"] if 999 <= e["t"] <= 1001] == [3]
    assert 5 not in [e.get("lift") for e in data["events"]]
    assert data["length"] == pytest.approx(1000 + 4000 - began, abs=1)
    assert [c["text"] for c in data["captions"]] == ["Two words.", "And three more."]
    assert data["captions"][-1]["to"] == pytest.approx(data["length"], abs=1)
    # Captions stay with what they say when the order changes.
    desk.send(f"{TALKS}/{talk}", sections=wanted[::-1])
    text = desk.web.get(f"/api{TALKS}/{talk}/captions.vtt").text
    assert text.startswith("WEBVTT")
    assert text.index("three more") < text.index("Two words")


def test_a_section_is_taken_again_and_the_old_one_kept_apart(desk: AskedDesk) -> None:
    talk = desk.send(TALKS)["id"]
    old = section(desk, talk, [{"t": 0, **stage(desk)}], 1000)
    last = section(desk, talk, [{"t": 0, **stage(desk)}], 1000)
    new = section(desk, talk, [{"t": 0, **stage(desk)}], 2000, instead=old)
    after = section(desk, talk, [{"t": 0, **stage(desk)}], 500, after=new)
    (told,) = desk.get(TALKS)
    assert [s["id"] for s in told["sections"]] == [new, after, last]
    assert told["left_out"] == 1
    with Collection.open(desk.folder) as held:
        assert Talks(held.layout, 1).events(talk, old)


def test_a_recording_that_was_cut_off_is_offered_and_replays(desk: AskedDesk, tmp_path: Path) -> None:
    talk = desk.send(TALKS)["id"]
    name = desk.send(f"{TALKS}/{talk}/sections", voice=True)["section"]
    sent = base64.b64encode(RECORDED[:9000]).decode()
    body = {"events": [{"t": 0, **stage(desk)}], "voice": sent, "number": 0, "upto_ms": 2010}
    desk.send(f"{TALKS}/{talk}/sections/{name}/pieces", **body)
    (told,) = desk.get(TALKS)
    assert told["interrupted"]
    assert made(desk, tmp_path / "t.html")["length"] > 2000
    # A piece whose forerunner has not come is not taken.
    assert desk.send(f"{TALKS}/{talk}/sections/{name}/pieces", 400, **{**body, "number": 5})["what"]


@pytest.mark.parametrize(
    "bad",
    [
        {"events": [{"t": -1}]},
        {"events": [{"t": 0, "eyes": {}}]},
        {"events": [{"t": 0, "shown": [{"specimen": "999", "solid": [1]}]}]},
        {"events": [{"t": 0, "pointer": [1, 2, 3]}]},
        {"voice": "no base64!"},
    ],
)
def test_bad_pieces_are_one_sentence(desk: AskedDesk, bad: dict[str, Any]) -> None:
    talk = desk.send(TALKS)["id"]
    name = desk.send(f"{TALKS}/{talk}/sections", voice=False)["section"]
    body = {"number": 0, "upto_ms": 10, "events": [], "voice": "", **bad}
    answer = desk.web.post(f"/api{TALKS}/{talk}/sections/{name}/pieces", json=body, headers={"x-ossicle-desk": TOKEN})
    assert answer.status_code in (400, 404)
    assert answer.json()["what"]
    assert desk.get(TALKS)[0]["sections"][0]["length_ms"] == 0


def test_what_no_talk_has_is_one_sentence(desk: AskedDesk, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert main(["talk", "OTC 1", "--in", str(desk.folder), "--out", str(tmp_path / "t.html")]) == 2
    assert "no talk about OTC 1" in capsys.readouterr().err
    talk = desk.send(TALKS)["id"]
    assert main(["talk", "OTC 1", "--in", str(desk.folder), "--out", str(tmp_path / "t.html")]) == 2
    assert "nothing is recorded" in capsys.readouterr().err
    words = ["talk", "OTC 1", "--in", str(desk.folder), "--out", str(tmp_path / "t.html")]
    assert main([*words, "--talk", "00000000"]) == 2
    assert "there is no talk '00000000'" in capsys.readouterr().err
    gone = desk.web.delete(f"/api{TALKS}/{talk}", headers={"x-ossicle-desk": TOKEN})
    assert gone.json() == []
    assert "there is no talk" in desk.send(f"{TALKS}/%2e%2e%5csteps", 404, title="x")["what"]
