"""Characters scored on the desk: the same decisions as the commands write and read, in the same matrix."""

from __future__ import annotations

import json
from pathlib import Path

import commonnexus
import pytest
from asked_desk import AskedDesk
from desk_token import KEY, TOKEN, came_in
from starlette.testclient import TestClient

from ossicle.anatomy.characters import load_characters, parse_characters
from ossicle.cli import main
from ossicle.collection import Collection
from ossicle.desk import make_app

INCISORS = "upper_incisor_number"


def told(desk: AskedDesk, character: str) -> dict:  # type: ignore[type-arg]
    found = desk.get("/specimens/1/characters")["characters"]
    return next(c for c in found if c["id"] == character)


def test_each_character_has_its_state_and_what_shows_it(desk: AskedDesk) -> None:
    all_told = desk.get("/specimens/1/characters")
    rows = {c["id"]: c for c in all_told["characters"]}
    assert list(rows) == list(load_characters())
    assert (all_told["looked"], all_told["all"], all_told["version"]) == (0, len(rows), 0)
    incisors = rows[INCISORS]
    assert incisors["cell"]["text"] == "3"
    assert incisors["cell"]["standing"] == "computed"
    # It is shown by an upper incisor at each locus of both sides, and the view keeps just those whole.
    teeth = {t["part"]: t for t in desk.get("/specimens/1")["account"]["teeth"]}
    shown = [teeth[part] for part in incisors["evidence"]["parts"]]
    assert {(t["jaw"], t["class"]) for t in shown} == {("upper", "incisor")}
    assert {(t["side"], t["position"]) for t in shown} == {(s, n) for s in ("left", "right") for n in (1, 2, 3)}
    view = incisors["evidence"]["view"]
    assert {int(p): how for p, how in view["presence"].items()} == {t["part"]: "solid" for t in shown}
    assert view["caption"].startswith(incisors["name"])
    # What a person alone scores is missing, and no view is made up for it.
    stapes = rows["stapes_form"]
    assert (stapes["cell"]["status"], stapes["by_rule"], stapes["rule"]) == ("missing", False, None)
    assert stapes["evidence"] == {"parts": [], "view": None}
    assert {c["cell"]["status"] for c in rows.values()} >= {"scored", "uncertain", "missing"}


def test_a_person_confirms_or_says_otherwise_and_the_rule_is_kept(desk: AskedDesk) -> None:
    desk.decide(kind="score", character=INCISORS, state="3", expected=0)
    agreed = told(desk, INCISORS)
    assert agreed["cell"]["standing"] == "agreed"
    said = desk.decide(kind="score", character=INCISORS, state="(32)", why="the left I3 was lost in life")
    assert said["undoable"] == f"scored {INCISORS} as (23)"
    amended = told(desk, INCISORS)
    assert (amended["cell"]["text"], amended["cell"]["status"]) == ("(23)", "polymorphic")
    assert (amended["cell"]["standing"], amended["rule"]["text"]) == ("amended", "3")
    assert "lost in life" in amended["cell"]["why"]
    desk.decide(kind="score", character=INCISORS, state="3", who="B. Reader")
    assert told(desk, INCISORS)["cell"]["standing"] == "disputed"
    assert [s["who"] for s in told(desk, INCISORS)["said"]] == ["A. Reader", "B. Reader"]
    desk.send("/specimens/1/undo", who="B. Reader")
    assert told(desk, INCISORS)["cell"]["standing"] == "amended"
    assert desk.get("/specimens/1/characters")["looked"] == 1
    desk.decide(409, kind="score", character="stapes_form", state="0", expected=1)


@pytest.mark.parametrize(
    ("said", "what"),
    [
        ({"character": INCISORS, "state": "9"}, "'9' is no state"),
        ({"character": "incisor", "state": "1"}, "no character is called"),
        ({"character": INCISORS}, "score needs a state"),
        ({"character": INCISORS, "state": "1", "computed": "2"}, "score takes no computed"),
    ],
)
def test_what_is_no_score_is_refused_in_a_sentence(desk: AskedDesk, said: dict[str, str], what: str) -> None:
    assert what in desk.decide(400, kind="score", **said)["what"]
    assert desk.get("/specimens/1/history") == []


def test_commands_and_desk_write_and_read_the_same(
    desk: AskedDesk, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    desk.decide(kind="score", character=INCISORS, state="2", why="I3 is supernumerary")
    desk.decide(kind="score", character="stapes_form", state="0", why="two crura")
    cabinet = str(desk.folder)
    assert main(["score", "OTC 1", "--in", cabinet, "--character", INCISORS, "--json"]) == 0
    (cell,) = json.loads(capsys.readouterr().out)
    assert (cell["text"], cell["standing"], cell["computed"]) == ("2", "amended", "3")
    words = ["score", "OTC 1", "--in", cabinet, "--character", "lower_canine", "--state", "?", "--why", "plaster"]
    assert main(words) == 0
    assert told(desk, "lower_canine")["cell"]["text"] == "?"
    assert main(["matrix", "--in", cabinet, "--out", str(tmp_path / "matrix")]) == 0
    # The states as a reader of NEXUS that is not ours finds them (commonnexus).
    nexus = commonnexus.Nexus.from_file(tmp_path / "matrix" / "matrix.nex")
    (row,) = nexus.characters.get_matrix().values()
    names = {key: c.name for key, c in load_characters().items()}
    assert [row[names[key]] for key in (INCISORS, "stapes_form", "lower_canine")] == ["2", "0", None]
    assert "I3 is supernumerary" in (tmp_path / "matrix" / "matrix.html").read_text(encoding="utf-8")


def _stripe(folder: Path, states: str, **said: str) -> dict:  # type: ignore[type-arg]
    own = parse_characters(f'[stripe]\nname = "A stripe"\nstates = {states}\nsource = "our own"\n')
    with (
        Collection.open(folder) as held,
        TestClient(make_app(held, token=TOKEN, key=KEY, scored_by=own), base_url="http://127.0.0.1:7041") as web,
    ):
        desk = AskedDesk(came_in(web), folder)
        if said:
            desk.decide(kind="score", character="stripe", **said)
        (row,) = desk.get("/specimens/1/characters")["characters"]
    return row


def test_characters_of_one_s_own_are_scored_and_outlived_states_told(folder: Path) -> None:
    row = _stripe(folder, '["absent", "thin", "broad"]', state="2")
    assert (row["cell"]["text"], row["from_memory"], row["fault"]) == ("2", True, None)
    # The list has lost a state since: the score is told as a fault, and the rest stands.
    row = _stripe(folder, '["absent", "present"]')
    assert row["cell"]["text"] == "?"
    assert row["fault"] is not None
    assert "decision 1" in row["fault"]
