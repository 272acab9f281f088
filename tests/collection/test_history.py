"""What holds of a history, whom an undo is about, what each decision tells a reading, and how it is put in words."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from typing import Any

import pytest

from ossicle.collection.anchors import Anchor, Structure
from ossicle.collection.history import BEARING, Decision, digest_of, hints_of, in_force, last_of, undone, words_of
from ossicle.collection.kinds import KINDS
from ossicle.reading import hints as h

SCAN = "5" * 64
TOOTH = Structure("tooth", "deciduous premolar", "upper", "left", "dP3", 10.0, (1.0, 2.0, 3.0))
AT = (1.0, 2.0, 3.0)
BESIDE = (4.0, 5.0, 6.0)


def said(number: int, kind: str, *points: tuple[float, ...], who: str = "A. Reader", **rest: Any) -> Decision:
    """Return a decision anchored in one structure a point, made on `SCAN`."""
    target = rest.pop("target", None)
    scan = rest.pop("scan", SCAN)
    anchors = tuple(Anchor((p,), TOOTH) for p in points)  # type: ignore[arg-type]
    return Decision(number, kind, who, "2031-05-01T09:00:00Z", scan=scan, anchors=anchors, said=rest, target=target)  # type: ignore[arg-type]


def test_an_undo_takes_away_and_a_redo_gives_back_in_the_order_that_was() -> None:
    first, second = said(1, "discard", AT), said(2, "discard", BESIDE)
    taken = said(3, "undo", target=1)
    assert undone([first, second, taken]) == {1}
    assert in_force(iter([first, second, taken])) == [second]
    again = said(4, "redo", target=1)
    assert undone([first, second, taken, again]) == set()
    assert in_force([first, second, taken, again]) == [first, second]


def test_a_redo_of_what_was_never_undone_changes_nothing() -> None:
    assert in_force([said(1, "discard", AT), said(2, "redo", target=1)]) == [said(1, "discard", AT)]


def test_undo_is_about_the_persons_own_last_decision_that_holds() -> None:
    history = [
        said(1, "discard", AT),
        said(2, "discard", BESIDE),
        said(3, "discard", AT, who="B. Reader"),
    ]
    assert last_of(history, "A. Reader", "undo") == 2
    assert last_of(history, "B. Reader", "undo") == 3
    assert last_of(history, "C. Reader", "undo") is None
    assert last_of([*history, said(4, "undo", target=2)], "A. Reader", "undo") == 1


def test_redo_is_about_what_the_person_undid_last_and_that_is_still_undone() -> None:
    history = [
        said(1, "discard", AT),
        said(2, "discard", BESIDE),
        said(3, "undo", target=1),
        said(4, "undo", target=2),
        said(5, "undo", target=9, who="B. Reader"),
    ]
    assert last_of(history, "A. Reader", "redo") == 2
    assert last_of([*history, said(6, "redo", target=2)], "A. Reader", "redo") == 1
    assert last_of([*history, said(6, "redo", target=2), said(7, "redo", target=1)], "A. Reader", "redo") is None
    assert last_of(history[:2], "A. Reader", "redo") is None
    assert last_of(history, "C. Reader", "redo") is None


@pytest.mark.parametrize(
    ("decision", "hints"),
    [
        (said(1, "rename", AT, name="P3"), h.Hints(names=(h.NameTooth(AT, "P3", None),))),
        (said(1, "rename", AT, name="dP3"), h.Hints(names=(h.NameTooth(AT, "dP3", "deciduous"),))),
        (
            said(1, "generation", AT, generation="unreplaced"),
            h.Hints(names=(h.NameTooth(AT, None, "unreplaced"),)),
        ),
        (said(1, "join", AT, BESIDE), h.Hints(joins=(h.Join((AT, BESIDE)),))),
        (said(1, "cut", AT, seeds_mm=[[1, 2, 3], [4, 5, 6]]), h.Hints(cuts=(h.Cut(AT, (AT, BESIDE)),))),
        (said(1, "discard", AT), h.Hints(discards=(h.Discard(AT),))),
        (said(1, "add", AT), h.Hints(missed=(h.MissedTooth(AT),))),
        (said(1, "side", AT, side="right"), h.Hints(sides=(h.SideIs(AT, "right"),))),
        (said(1, "landmark", AT, name="basion"), h.Hints(landmarks=(h.PlaceLandmark("basion", AT),))),
        (said(1, "midplane", AT, up=[0, 0, 1]), h.Hints(midplane=h.Midplane((AT,), (0.0, 0.0, 1.0), None))),
        (said(1, "midplane", AT, front=[0, 1, 0]), h.Hints(midplane=h.Midplane((AT,), None, (0.0, 1.0, 0.0)))),
        (said(1, "agree", AT, finding="stage/eruption"), h.Hints()),
        (said(1, "score", character="hypocone", state="1"), h.Hints()),
    ],
)
def test_each_kind_is_told_to_a_reading_as_its_own_hint(decision: Decision, hints: h.Hints) -> None:
    assert hints_of([decision], SCAN) == hints


def test_each_kind_that_bears_on_a_reading_gives_a_hint() -> None:
    given: dict[str, dict[str, Any]] = {
        "rename": {"name": "P3"}, "generation": {"generation": "deciduous"}, "cut": {"seeds_mm": [AT, BESIDE]},
        "side": {"side": "left"}, "landmark": {"name": "basion"},
    }  # fmt: skip
    for kind in KINDS:
        hinted = kind in BEARING and hints_of([said(1, kind, AT, BESIDE, **given.get(kind, {}))], SCAN) != h.Hints()
        assert hinted == (kind in BEARING), kind


def test_what_was_said_on_another_scan_gives_no_hint_but_what_follows_it_does() -> None:
    away, unhinted, here = said(1, "discard", AT, scan="6" * 64), said(2, "score", state="1"), said(3, "discard", AT)
    assert hints_of([away, unhinted, here], SCAN) == h.Hints(discards=(h.Discard(AT),))
    assert hints_of([said(1, "discard", AT), said(2, "undo", target=1)], SCAN) == h.Hints()


def test_of_names_at_one_point_the_last_name_and_the_last_generation_hold() -> None:
    name, other = said(1, "rename", AT, name="dP3"), said(2, "rename", BESIDE, name="M1")
    generation = said(3, "generation", AT, generation="unreplaced")
    assert hints_of([name, other, generation], SCAN).names == (
        h.NameTooth(BESIDE, "M1", None),
        h.NameTooth(AT, "dP3", "unreplaced"),
    )
    later = said(4, "rename", AT, name="P4")
    assert hints_of([name, generation, later], SCAN).names == (h.NameTooth(AT, "P4", None),)


def test_of_sides_and_landmarks_said_twice_the_last_holds() -> None:
    sides = [said(1, "side", AT, side="left"), said(2, "side", AT, side="right")]
    assert hints_of(sides, SCAN).sides == (h.SideIs(AT, "right"),)
    placed = [said(1, "landmark", AT, name="basion"), said(2, "landmark", BESIDE, name="basion")]
    assert hints_of(placed, SCAN).landmarks == (h.PlaceLandmark("basion", BESIDE),)


def test_the_digest_is_sha_256_of_the_stated_facts_and_of_the_digest_before() -> None:
    """SHA-256 (FIPS 180-4), over the facts as JSON in this order; worked out here from the standard library alone."""
    decision = replace(said(2, "cut", AT, seeds_mm=[[1, 2, 3]], target=None), why="two crowns, é", reading=3)
    anchors = [a.as_json() for a in decision.anchors]
    facts = ["0" * 64, 2, "cut", "A. Reader", "2031-05-01T09:00:00Z", "two crowns, é", SCAN, 3, anchors,
             {"seeds_mm": [[1, 2, 3]]}, None]  # fmt: skip
    written = json.dumps(facts, sort_keys=True, ensure_ascii=True)
    assert digest_of(decision, "0" * 64) == hashlib.sha256(written.encode("ascii")).hexdigest()


@pytest.mark.parametrize(
    "change",
    [
        {"number": 3}, {"kind": "discard"}, {"who": "B. Reader"}, {"at": "2031-05-01T09:00:01Z"}, {"why": "no"},
        {"scan": "6" * 64}, {"reading": 4}, {"anchors": (Anchor((BESIDE,), TOOTH),)}, {"said": {"name": "P4"}},
        {"target": 1},
    ],
)  # fmt: skip
def test_no_fact_of_a_decision_changes_without_its_digest(change: dict[str, Any]) -> None:
    decision = said(2, "rename", AT, name="P3")
    assert digest_of(replace(decision, **change), "0" * 64) != digest_of(decision, "0" * 64)
    assert digest_of(decision, "1" * 64) != digest_of(decision, "0" * 64)
    assert digest_of(replace(decision, digest="a" * 64), "0" * 64) == digest_of(decision, "0" * 64)


def test_the_order_of_words_within_what_was_said_is_no_change() -> None:
    one, other = said(1, "score", character="a", state="1"), said(1, "score", state="1", character="a")
    assert digest_of(one, "") == digest_of(other, "")


@pytest.mark.parametrize(
    ("decision", "words"),
    [
        (said(1, "agree", AT, finding="stage/eruption"), "agreed to stage/eruption"),
        (said(1, "amend", finding="jaw/symphysis", value="open"), "amended jaw/symphysis to open"),
        (said(1, "dispute", finding="jaw/symphysis"), "disputed jaw/symphysis"),
        (said(1, "rename", AT, name="P3"), "called the left upper dP3 P3"),
        (said(1, "generation", AT, generation="permanent"), "called the left upper dP3 permanent"),
        (said(1, "join", AT, BESIDE), "joined the left upper dP3 and the left upper dP3"),
        (said(1, "cut", AT, seeds_mm=[AT, BESIDE]), "cut the left upper dP3 into 2"),
        (said(1, "discard", AT), "discarded the left upper dP3"),
        (said(1, "add", AT), "added a tooth that the reading missed"),
        (said(1, "landmark", AT, name="basion"), "placed the landmark basion"),
        (said(1, "side", AT, side="right"), "put the left upper dP3 on the right"),
        (said(1, "midplane", AT), "set the midplane"),
        (said(1, "score", character="hypocone", state="1"), "scored hypocone as 1"),
        (said(2, "undo", target=1), "undid decision 1"),
        (said(3, "redo", target=1), "redid decision 1"),
    ],
)
def test_each_kind_is_told_in_words(decision: Decision, words: str) -> None:
    assert words_of(decision) == words


def test_words_where_the_structure_is_not_known_and_where_the_record_holds_the_names_of_blanks() -> None:
    loose = replace(said(1, "discard"), anchors=(Anchor((AT,), None),))
    assert words_of(loose) == "discarded the structure at that point"
    assert words_of(said(1, "discard")) == "discarded the structure"
    # A record from elsewhere may say anything; what the words are made of is told by the anchors alone.
    odd = said(1, "cut", AT, seeds_mm=[AT, BESIDE], place="nowhere", count=9, places="x", target=4)
    assert words_of(odd) == "cut the left upper dP3 into 2"


@pytest.mark.parametrize("kind", KINDS)
def test_a_record_that_lacks_what_was_said_is_still_told(kind: str) -> None:
    names = ("finding", "value", "name", "generation", "side", "character", "state")
    whole = words_of(said(1, kind, AT, **dict.fromkeys(names, "x")))
    assert words_of(said(1, kind, AT)).split()[0] == whole.split()[0]
