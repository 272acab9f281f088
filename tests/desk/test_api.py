"""The API as the page uses it: specimens, decisions, undo, conflicts, jobs."""

from __future__ import annotations

import time
from typing import Any

import numpy as np
import pytest
from test_surfaces import read_back

from ossicle.account.schema import check
from ossicle.collection import Agree, Collection


def test_the_list_tells_what_is_read_and_what_is_not(desk) -> None:
    one, two = desk.get("/specimens")
    assert (one["catalogue_number"], one["read"], one["invented"]) == ("OTC 1", True, True)
    assert one["teeth"] > 30
    assert one["awaiting"] > 10
    assert (two["read"], two["teeth"], two["being_read"]) == (False, None, False)
    assert [s["id"] for s in desk.get("/specimens", words="otc 2")] == [2]
    assert desk.web.get(one["picture_url"]).status_code == 200


def test_the_list_is_kept_and_follows_decisions(desk) -> None:
    before = desk.get("/specimens")[0]
    desk.decide(kind="agree", finding="formula/counts")
    after = desk.get("/specimens")[0]
    assert after["decided"] == before["decided"] + 1
    assert (desk.folder / "drawn" / "list.json").is_file()


def test_a_specimen_holds_its_account_and_parts(desk) -> None:
    told = desk.get("/specimens/1")
    check(told["account"])
    teeth = {t["part"]: t for t in told["account"]["teeth"]}
    parts = {p["part"]: p for p in told["parts"]}
    assert set(teeth) <= set(parts)
    for part, tooth in teeth.items():
        assert parts[part]["group"] == ("crypt_crown" if tooth["emergence"] == "in_crypt" else "tooth")
        lift = np.array(parts[part]["lift"])
        assert np.linalg.norm(lift) == pytest.approx(1, abs=1e-3)
        assert lift[0] * (1 if tooth["side"] == "left" else -1) > 0  # a tooth leaves towards its own cheek
    assert parts[1]["group"] == "bone"
    low, high = np.array(told["bounds_skull_mm"])
    centres = np.array([p["centroid_skull_mm"] for p in told["parts"] if p["part"] != 1])
    assert (centres > low).all()
    assert (centres < high).all()
    assert told["version"] == 0
    assert told["undoable"] is None


def test_surfaces_hold_every_part_in_skull_mm(desk) -> None:
    told = desk.get("/specimens/1")
    answer = desk.web.get(told["surfaces_url"])
    assert "immutable" in answer.headers["cache-control"]
    assert len(answer.content) < 8_000_000
    found = read_back(answer.content)
    assert {f"part-{p['part']}" for p in told["parts"]} == {n for n in found if n.startswith("part-")}
    for p in told["parts"]:
        middle = found[f"part-{p['part']}"].vertices.mean(axis=0)
        if p["group"] != "bone":
            np.testing.assert_allclose(middle, p["centroid_skull_mm"], atol=0.5)
    caps = [n for n in found if n.startswith("enamel-")]
    assert len(caps) == len(told["account"]["teeth"])
    for name in caps:  # the half that looks out of the jaw
        part = int(name.split("-")[1])
        tooth = next(t for t in told["account"]["teeth"] if t["part"] == part)
        out = -1 if tooth["jaw"] == "upper" else 1
        ahead = found[name].vertices.mean(axis=0)[1] - found[f"part-{part}"].vertices.mean(axis=0)[1]
        assert out * ahead > 0
    some = read_back(desk.web.get("/api/specimens/1/surfaces.glb", params={"parts": "1,5"}).content)
    assert {n for n in some if n.startswith("part-")} == {"part-1", "part-5"}
    assert desk.web.get("/api/specimens/1/surfaces.glb", params={"parts": "x"}).status_code == 400


def test_surfaces_are_made_once(desk, monkeypatch: pytest.MonkeyPatch) -> None:
    first = desk.web.get("/api/specimens/1/surfaces.glb")

    def never(*_: Any, **__: Any) -> None:
        raise AssertionError("made again")

    monkeypatch.setattr("ossicle.desk.drawn.surface_of", never)
    drawn = desk.web.app.app.state.drawn  # type: ignore[attr-defined]
    drawn._files.clear()
    drawn._pieces.clear()
    again = desk.web.get("/api/specimens/1/surfaces.glb", headers={"if-none-match": first.headers["etag"]})
    assert again.status_code == 304


def test_damaged_surfaces_are_made_again(desk) -> None:
    first = desk.web.get("/api/specimens/1/surfaces.glb").content
    (file,) = (desk.folder / "drawn").glob("*.npz")
    file.write_bytes(file.read_bytes()[:-200])
    drawn = desk.web.app.app.state.drawn  # type: ignore[attr-defined]
    drawn._files.clear()
    drawn._pieces.clear()
    assert desk.web.get("/api/specimens/1/surfaces.glb").content == first


def test_what_is_not_there_is_told(desk) -> None:
    assert desk.web.get("/api/specimens/99").status_code == 404
    unread = desk.web.get("/api/specimens/2")
    assert unread.status_code == 409
    assert "not been read" in unread.json()["what"]
    assert desk.web.get("/api/specimens/one").status_code == 422
    assert desk.web.get("/api/nothing").json() == {"what": "there is nothing here", "where": None, "mend": None}


class TestDecisions:
    def test_agree_amend_dispute_change_the_standing(self, desk) -> None:
        standing = {}
        told = desk.decide(kind="agree", finding="formula/counts", why="counted twice")
        standing |= {f["id"]: f["standing"] for f in told["account"]["findings"]}
        assert standing["formula/counts"] == "agreed"
        told = desk.decide(kind="dispute", finding="dentition/upper-left/in-place")
        told = desk.decide(
            kind="amend", finding="stage/dental", value="juvenile", statement="A juvenile.", why="by its bones"
        ) if any(f["id"] == "stage/dental" for f in told["account"]["findings"]) else told  # fmt: skip
        standing = {f["id"]: f["standing"] for f in told["account"]["findings"]}
        assert standing["dentition/upper-left/in-place"] == "disputed"
        assert told["progress"]["looked"] == sum(s != "computed" for s in standing.values())

    def test_a_name_changes_formula_findings_and_rows(self, desk) -> None:
        part = desk.part("M1")
        told = desk.decide(kind="rename", part=part, locus="P4", why="two-rooted")
        assert next(t["name"] for t in told["account"]["teeth"] if t["part"] == part) == "P4"
        assert any(f["id"].startswith("tooth/upper-left/P4") for f in told["account"]["findings"])
        rows = desk.get("/specimens/1/rows")
        slot = next(s for s in rows["quadrants"]["upper_left"]["slots"] if s["part"] == part)
        assert (slot["name"], slot["decided_by"]) == ("P4", "person")
        assert rows["formula"]["quadrants"]["upper_left"]["M"] == 0

    def test_a_row_renumbered_is_one_act(self, desk) -> None:
        part = desk.part("dP2")
        said = desk.get("/specimens/1/suggest", part=part, locus="dP3")
        moves = {s["from"]: s["to"] for s in said}
        assert moves["dP2"] == "dP3"
        assert moves["dP3"] == "dP4"
        assert moves["dP4"] == "dP5"
        assert moves["P2"] == "P3"  # the successor goes along
        before = desk.get("/specimens/1")
        told = desk.decide(kind="rename", part=part, locus="dP3", row=True)
        names = {t["part"]: t["name"] for t in told["account"]["teeth"]}
        assert all(names[s["part"]] == s["to"] for s in said)
        assert told["version"] == len(said)
        assert "more of its row" in told["undoable"]
        back = desk.send("/specimens/1/undo")
        assert back["account"]["teeth"] == before["account"]["teeth"]
        assert back["undoable"] is None
        again = desk.send("/specimens/1/redo")
        assert {t["part"]: t["name"] for t in again["account"]["teeth"]} == names

    def test_a_molar_that_becomes_a_premolar_lets_those_behind_close_up(self, desk) -> None:
        part = desk.part("M1", "lower")
        moves = {s["from"]: s["to"] for s in desk.get("/specimens/1/suggest", part=part, locus="p5")}
        assert moves == {"M1": "p5", "M2": "m1", "M3": "m2"}

    def test_a_person_s_name_is_not_pushed_away(self, desk) -> None:
        desk.decide(kind="rename", part=desk.part("dP3"), locus="dP3")
        moves = {s["from"] for s in desk.get("/specimens/1/suggest", part=desk.part("dP2"), locus="dP3")}
        assert "dP3" not in moves

    def test_discard_takes_a_tooth_out_and_undo_brings_it_back(self, desk) -> None:
        part = desk.part("dP3")
        told = desk.decide(kind="discard", part=part)
        assert part not in {t["part"] for t in told["account"]["teeth"]}
        assert next(p["group"] for p in told["parts"] if p["part"] == part) == "fragment"
        assert part in {t["part"] for t in desk.send("/specimens/1/undo")["account"]["teeth"]}

    def test_points_may_be_given_in_skull_coordinates(self, desk) -> None:
        told = desk.get("/specimens/1")
        part = desk.part("dP3")
        skull = next(p["centroid_skull_mm"] for p in told["parts"] if p["part"] == part)
        told = desk.decide(kind="rename", at=skull, name="dP4", frame="skull")
        assert next(t["name"] for t in told["account"]["teeth"] if t["part"] == part) == "dP4"

    def test_two_persons_the_later_word_and_a_conflict(self, desk) -> None:
        part = desk.part("dP3")
        seen = desk.get("/specimens/1")["version"]
        desk.decide(kind="rename", part=part, locus="dP4", who="B. Reader", expected=seen)
        answer = desk.decide(409, kind="rename", part=part, locus="dP2", who="C. Reader", expected=seen)
        assert answer["what"].startswith("one decision was made")
        assert answer["theirs"][0]["who"] == "B. Reader"
        assert answer["now"]["version"] == seen + 1
        told = desk.decide(kind="rename", part=part, locus="dP2", who="C. Reader", expected=answer["now"]["version"])
        assert next(t["name"] for t in told["account"]["teeth"] if t["part"] == part) == "dP2"
        assert [d["who"] for d in desk.get("/specimens/1/history")] == ["B. Reader", "C. Reader"]
        assert "C. Reader" in str(desk.get("/specimens/1", who="C. Reader")) or told["undoable"]
        assert desk.get("/specimens/1", who="D. Reader")["undoable"] is None

    def test_what_others_decided_elsewhere_is_seen_at_once(self, desk) -> None:
        with Collection.open(desk.folder) as other:
            other.decide("OTC 1", Agree("formula/counts"), who="E. Reader")
        told = desk.get("/specimens/1")
        assert told["version"] == 1
        assert next(f["standing"] for f in told["account"]["findings"] if f["id"] == "formula/counts") == "agreed"

    @pytest.mark.parametrize(
        "said",
        [
            {"kind": "praise"},
            {"kind": "agree"},
            {"kind": "agree", "finding": "no/such"},
            {"kind": "rename", "part": 9999, "locus": "P4"},
            {"kind": "rename", "part": 5, "locus": "Q4"},
            {"kind": "rename", "part": 5, "locus": "dM1"},
            {"kind": "join", "parts": [5]},
            {"kind": "join", "parts": [5, 5]},
            {"kind": "cut", "part": 5},
            {"kind": "cut", "part": 5, "stroke": [[0, 0, 0], [1, 1, 1]]},
            {"kind": "cut", "part": 5, "stroke": "here"},
            {"kind": "add", "point": [1, 2]},
            {"kind": "add", "point": [1e12, 0, 0]},
            {"kind": "add", "point": [-50, -50, -50]},
            {"kind": "generation", "part": 5, "generation": "eternal"},
            {"kind": "agree", "finding": "formula/counts", "frame": "moon"},
            {"kind": "undo"},
        ],
        ids=str,
    )
    def test_what_cannot_be_is_refused_in_a_sentence_and_not_kept(self, desk, said: dict) -> None:
        answer = desk.decide(400, **said)
        assert answer["what"]
        assert answer["mend"]
        assert desk.get("/specimens/1/history") == []


class TestPlacesAndJobs:
    def test_only_places_below_the_roots_may_be_looked_at(self, desk, made) -> None:
        top = desk.get("/places")
        assert [f["name"] for f in top["folders"]] == [str(made.parent / "scans")]
        inside = desk.get("/places", path=top["folders"][0]["path"])
        assert [f["name"] for f in inside["folders"]] == ["one", "two"]
        assert inside["parent"] is None
        one = desk.get("/places", path=inside["folders"][0]["path"])
        assert one["scans"] == [{**one["scans"][0], "name": "one", "whole_folder": True}]
        for path in ("/etc", "/", f"{made.parent}/scans/../cabinet", "/nowhere", "..", "a\0b"):
            assert desk.web.get("/api/places", params={"path": path}).status_code == 404
            assert desk.web.get("/api/places/scan", params={"path": path}).status_code == 404
            desk.send("/intake", 404, source=path, terms={"catalogNumber": "X"})

    def test_a_link_out_of_the_roots_is_not_followed(self, desk, made, tmp_path) -> None:
        link = made.parent / "scans" / "out"
        link.symlink_to(tmp_path)
        try:
            assert desk.web.get("/api/places", params={"path": str(link)}).status_code == 404
            listed = desk.get("/places", path=str(made.parent / "scans"))
            assert "out" not in [f["name"] for f in listed["folders"]]
        finally:
            link.unlink()

    def test_headers_tell_shape_and_spacing(self, desk, made) -> None:
        told = desk.get("/places/scan", path=str(made.parent / "scans" / "one"))
        assert told["shape_zyx"] == [136, 92, 76]
        assert told["spacing_mm_zyx"] == [0.25, 0.25, 0.25]

    def test_a_scan_is_taken_in_and_watched(self, desk, made, tmp_path) -> None:
        import tifffile

        place = made.parent / "scans" / "third"
        place.mkdir(exist_ok=True)
        for i in range(12):
            tifffile.imwrite(place / f"s_{i:02}.tif", np.full((16, 20), 7 * i, np.uint16))
        lacking = desk.send("/intake", 202, source=str(place), terms={"catalogNumber": "OTC 3"}, read=False)
        failed = ended(desk, lacking["id"])
        assert failed["state"] == "failed"
        assert failed["needs_spacing"]
        desk.send(f"/jobs/{lacking['id']}/again", 202, spacing_mm=0.5)
        done = ended(desk, lacking["id"])
        assert (done["state"], done["fraction"]) == ("done", 1.0)
        names = {s["id"]: s["catalogue_number"] for s in desk.get("/specimens")}
        assert names[done["specimen"]] == "OTC 3"
        assert done["id"] in [j["id"] for j in desk.get("/jobs")]

    def test_catalogue_data_that_cannot_be_are_told_before_the_work(self, desk, made) -> None:
        source = str(made.parent / "scans" / "one")
        assert "term" in desk.send("/intake", 400, source=source, terms={"colour": "red"})["what"]
        desk.send("/intake", 400, source=source, terms={}, spacing_mm="wide")
        assert not [j for j in desk.get("/jobs") if j["kind"] == "intake"]

    def test_a_reading_is_queued_once_and_can_be_cancelled(self, desk) -> None:
        one = desk.send("/specimens/2/read", 202)
        two = desk.send("/specimens/2/read", 202)
        assert one["id"] == two["id"]
        assert desk.get("/specimens")[1]["being_read"]
        desk.web.request("DELETE", f"/api/jobs/{one['id']}", headers={"x-ossicle-desk": "a-token-for-tests"})
        assert ended(desk, one["id"])["state"] == "cancelled"

    def test_no_job_of_that_name(self, desk) -> None:
        for name in ("intake-9", "reading-99", "x", "intake-", "reading-1x"):
            assert desk.web.get(f"/api/jobs/{name}").status_code == 404


def ended(desk, name: str, patience_s: float = 600) -> dict:
    until = time.monotonic() + patience_s
    while time.monotonic() < until:
        job = desk.get(f"/jobs/{name}")
        if job["state"] in ("done", "failed", "cancelled", "stopped"):
            return job
        time.sleep(0.1)
    raise AssertionError(f"{name} has not ended: {job}")


def test_an_intake_cut_off_says_so_and_can_begin_again(folder, made) -> None:
    from ossicle.desk.board import Board

    with Collection.open(folder) as held:
        board = Board(held, folder / "drawn")
        source = made.parent / "scans" / "two"
        asked = {"spacing": None, "series": None, "mirrored": False, "read": False, "who": "A. Reader"}
        job = board.take_in(source, {"catalogNumber": "OTC 2"}, **asked)  # the desk died before it was begun
        left = Board(held, folder / "drawn")
        assert left.job(job["id"])["state"] == "stopped"
        left.again(job["id"])
        left.open()
        try:
            until = time.monotonic() + 600
            while left.job(job["id"])["state"] in ("waiting", "running") and time.monotonic() < until:
                time.sleep(0.05)
            assert left.job(job["id"])["state"] == "done"
        finally:
            left.close()


def test_openapi_describes_every_route(desk) -> None:
    told = desk.web.get("/api/openapi.json").json()
    assert told["openapi"].startswith("3.")
    paths = set(told["paths"])
    for wanted in ("/api/specimens/{number}", "/api/specimens/{number}/decisions", "/api/jobs/events", "/api/about"):
        assert wanted in paths
    for path, ways in told["paths"].items():
        for way, what in ways.items():
            assert what.get("description"), f"{way} {path} has no description"
    about = desk.get("/about")
    assert about["not_clinical"] == "Not for clinical diagnosis."
