"""Decisions, undo, redo and new readings: the account depends on nothing but what was said and what is there."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from world import WORLD, canonical, kept_as, middle_mm, read_world, replayed

from ossicle.collection import (
    Add,
    Agree,
    Amend,
    Cut,
    Decision,
    Discard,
    Dispute,
    Join,
    PlaceLandmark,
    Redo,
    Rename,
    Score,
    SetGeneration,
    SetMidplane,
    SetSide,
    Undo,
    in_force,
    request,
    words_of,
)  # fmt: skip
from ossicle.collection.deciding import anchored, with_target
from ossicle.collection.history import last_of
from ossicle.collection.opinions import opinions
from ossicle.collection.readings import KeptReading
from ossicle.errors import OssicleError

AT = "2031-01-01T00:00:00.000Z"
NAMES = ("C", "P1", "dP2", "P2", "dP3", "P4", "M1", "M2")


def said(kept: KeptReading, decisions: list[Decision], asked: Any, who: str = "A. Reader") -> Decision:
    """Return a request as a decision kept after these."""
    if isinstance(asked, Undo | Redo):
        return kept_as(with_target(asked, who, AT, "", decisions), decisions)
    seen = replayed(kept, decisions)
    return kept_as(anchored(asked, who, AT, "", seen, kept.structures(), kept.facts), decisions)


@st.composite
def sessions(draw: st.DrawFn) -> list[tuple[str, Any, str]]:
    """Draw what persons do, one step after another."""
    block = st.integers(0, len(WORLD) - 1)
    steps = []
    for _ in range(draw(st.integers(1, 9))):
        who = draw(st.sampled_from(["A. Reader", "B. Reader"]))
        kind = draw(
            st.sampled_from(
                ["rename", "rename", "generation", "side", "discard", "join", "cut", "add", "agree", "dispute", "amend",
                 "landmark", "midplane", "undo", "undo", "redo", "read", "read"]
            )
        )  # fmt: skip
        more = (draw(block), draw(block), draw(st.sampled_from(NAMES)))
        steps.append((kind, more, who))
    return steps


def asked_for(kind: str, more: tuple[int, int, str], kept: KeptReading, decisions: list[Decision]) -> Any:
    """Return the request of a step; the same whatever the numbers of the parts."""
    first, second, name = more
    point, other = middle_mm(WORLD[first]), middle_mm(WORLD[second])
    findings = sorted(f.id for f in replayed(kept, decisions).account.findings)
    finding = findings[first % len(findings)]
    return {
        "rename": Rename(point, name),
        "generation": SetGeneration(point, ("deciduous", "permanent", "unreplaced")[second % 3]),  # type: ignore[arg-type]
        "side": SetSide(point, ("left", "right")[second % 2]),  # type: ignore[arg-type]
        "discard": Discard(point),
        "join": Join((point, other)),
        "cut": Cut(point, seeds=((point[0], point[1], point[2] - 0.5), (point[0], point[1], point[2] + 0.5))),
        "add": Add(point),
        "agree": Agree(finding),
        "dispute": Dispute(finding),
        "amend": Amend(finding, 4.5),
        "landmark": PlaceLandmark(f"L{second % 3}", point),
        "midplane": SetMidplane(((5.25, 1.0, 1.0), (5.25, 4.0, 1.0), (5.25, 2.0, 9.0))),
        "undo": Undo(second + 1 if second % 2 else None),
        "redo": Redo(second + 1 if second % 3 == 0 else None),
    }[kind]


def run(steps: list[tuple[str, Any, str]], seed: int, blocks: Any = WORLD) -> tuple[KeptReading, list[Decision]]:
    """Go through a session, numbering parts anew at each reading."""
    decisions: list[Decision] = []
    kept = read_world(decisions, seed, blocks)
    for n, (kind, more, who) in enumerate(steps):
        if kind == "read":
            kept = read_world(decisions, seed + 17 * n, blocks)
            continue
        try:
            decisions.append(said(kept, decisions, asked_for(kind, more, kept, decisions), who))
        except OssicleError:
            continue
    return kept, decisions


slowly = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@slowly
@given(sessions(), st.integers(0, 10_000), st.integers(0, 10_000))
def test_label_numbers_do_not_matter(steps: list[Any], one: int, other: int) -> None:
    (a, first), (b, second) = run(steps, one), run(steps, other)
    assert [d.digest for d in first] == [d.digest for d in second]
    ours, theirs = replayed(a, first), replayed(b, second)
    assert canonical(ours.account) == canonical(theirs.account)
    assert [(f.number, f.holds, f.finding, f.why) for f in ours.fates] == [
        (f.number, f.holds, f.finding, f.why) for f in theirs.fates
    ]
    assert ours.landmarks == theirs.landmarks


@slowly
@given(sessions(), st.integers(0, 10_000))
def test_only_what_is_in_force_matters_once_it_is_read_anew(steps: list[Any], seed: int) -> None:
    _, decisions = run(steps, seed)
    with_all = replayed(read_world(decisions, seed), decisions)
    alone = replayed(read_world(in_force(decisions), seed + 1), in_force(decisions))
    assert canonical(with_all.account) == canonical(alone.account)
    assert not with_all.stale
    assert not with_all.waiting  # a new reading has heeded all, or says which it could not


@slowly
@given(sessions(), st.integers(0, 10_000), st.integers(0, 19), st.sampled_from(NAMES))
def test_undo_takes_back_and_redo_brings_back(steps: list[Any], seed: int, block: int, name: str) -> None:
    kept, decisions = run(steps, seed)
    before = canonical(replayed(kept, decisions).account)
    try:
        decisions.append(said(kept, decisions, Rename(middle_mm(WORLD[block]), name)))
    except OssicleError:
        return
    after = canonical(replayed(kept, decisions).account)
    decisions.append(said(kept, decisions, Undo()))
    assert canonical(replayed(kept, decisions).account) == before
    decisions.append(said(kept, decisions, Redo()))
    assert canonical(replayed(kept, decisions).account) == after


@slowly
@given(sessions(), st.integers(0, 10_000))
def test_no_decision_is_dropped(steps: list[Any], seed: int) -> None:
    kept, decisions = run(steps, seed)
    told = replayed(kept, decisions)
    assert {f.number for f in told.fates} == {d.number for d in decisions if d.kind not in ("undo", "redo")}
    assert all(f.why for f in told.unfit)
    assert all(f.why for f in told.waiting)


def first_reading() -> tuple[KeptReading, list[Decision]]:
    return read_world([], 1), []


def test_rename_shows_at_once_and_says_by_whom() -> None:
    kept, decisions = first_reading()
    decisions.append(said(kept, decisions, Rename("upper-left/dP2", "P2")))
    account = replayed(kept, decisions).account
    tooth = next(t for t in account.teeth if (t.jaw, t.side, t.name) == ("upper", "left", "P2"))
    assert (tooth.generation, tooth.decided_by, tooth.locus_confidence) == ("permanent", "person", 1.0)
    assert next(f for f in account.findings if f.id == "tooth/upper-left/P2").standing == "amended"


def test_join_waits_for_a_reading_and_is_then_in_force() -> None:
    kept, decisions = first_reading()
    decisions.append(said(kept, decisions, Join(("upper-left/dP2", "upper-left/dP3"))))
    told = replayed(kept, decisions)
    assert [f.holds for f in told.fates] == ["awaits a new reading"]
    assert told.stale
    again = replayed(read_world(decisions, 2), decisions)
    assert [f.holds for f in again.fates] == ["in force"]
    assert len(again.account.teeth) == len(told.account.teeth) - 1


def test_a_hint_that_a_reading_did_not_follow_is_listed() -> None:
    kept, decisions = first_reading()
    decisions.append(said(kept, decisions, Join(("upper-left/dP2", "upper-left/dP3"))))
    deaf = replace(read_world([], 3), heeded=(1,))
    told = replayed(deaf, decisions)
    assert [f.why for f in told.unfit] == ["the reading did not follow it: the pieces are still read apart"]


def test_missed_tooth_is_found_by_the_next_reading() -> None:
    kept, decisions = first_reading()
    hidden = next(b for b in WORLD if b.hidden)
    decisions.append(said(kept, decisions, Add(middle_mm(hidden))))
    assert len(replayed(kept, decisions).waiting) == 1
    again = replayed(read_world(decisions, 5), decisions)
    assert [f.holds for f in again.fates] == ["in force"]
    assert len(again.account.teeth) == len(kept.reading.teeth) + 1


def test_agreement_to_what_is_read_otherwise_now_is_listed_and_not_kept_silently() -> None:
    kept, decisions = first_reading()
    decisions.append(said(kept, decisions, Agree("tooth/upper-left/dP2")))
    assert next(f for f in replayed(kept, decisions).account.findings if f.id.endswith("upper-left/dP2")).standing == (
        "agreed"
    )
    other = [replace(b, name="P2") if (b.name, b.jaw, b.side) == ("dP2", "upper", "left") else b for b in WORLD]
    told = replayed(read_world(decisions, 2, other), decisions)
    assert [f.why for f in told.unfit] == ["it was about dP2, the reading now says P2"]
    assert next(f for f in told.account.findings if f.id == "tooth/upper-left/P2").standing == "computed"


def test_a_tooth_no_longer_read_is_listed() -> None:
    kept, decisions = first_reading()
    decisions.append(said(kept, decisions, Rename("upper-left/dP2", "P2")))
    other = [replace(b, hidden=b.hidden or (b.name, b.side) == ("dP2", "left")) for b in WORLD]
    told = replayed(read_world(decisions, 2, other), decisions)
    assert [f.why for f in told.unfit] == ["nothing is read there now"]


def test_two_persons_who_differ_are_both_told() -> None:
    kept, decisions = first_reading()
    decisions.append(said(kept, decisions, Rename("upper-left/dP2", "P2"), "A. Reader"))
    decisions.append(said(kept, decisions, Rename("upper-left/P2", "P1"), "B. Reader"))
    finding = next(f for f in replayed(kept, decisions).account.findings if f.id == "tooth/upper-left/P1")
    assert finding.standing == "disputed"
    assert finding.statement.endswith("; opinions differ (A. Reader: P2, B. Reader: P1).")
    mine = replay_by(kept, decisions, "A. Reader")
    assert any(f.id == "tooth/upper-left/P2" for f in mine.findings)


def replay_by(kept: KeptReading, decisions: list[Decision], who: str) -> Any:
    from ossicle.collection import replay

    return replay(kept.structures(), kept.facts, kept.made_by, decisions, heeded=kept.heeded, by=who).account


def test_stroke_gives_a_seed_on_each_side() -> None:
    kept, decisions = first_reading()
    tooth = next(t for t in kept.reading.teeth if (t.name, t.jaw, t.side) == ("dP2", "upper", "left"))
    x, y, z = tooth.centroid_mm_xyz
    cut = Cut("upper-left/dP2", stroke=((x - 1, y, z), (x + 1, y, z)), view=(0.0, 1.0, 0.0))
    decisions.append(said(kept, decisions, cut))
    (below, above) = sorted(p[2] for p in decisions[0].said["seeds_mm"])
    assert below < z < above
    assert len(replayed(read_world(decisions, 4), decisions).account.teeth) == len(kept.reading.teeth) + 1
    with pytest.raises(OssicleError, match="does not cross"):
        said(kept, decisions, replace(cut, stroke=((x - 1, y, z + 4), (x + 1, y, z + 4))))


@pytest.mark.parametrize(
    ("kind", "values", "sentence"),
    [
        ("rename", {"at": "upper-left/dP2"}, "rename needs a name"),
        ("rename", {"at": "upper-left/dP2", "name": "Q7"}, "not the name of a tooth"),
        ("generation", {"at": 1, "generation": "third"}, "no generation is called"),
        ("join", {"at": ("upper-left/dP2",)}, "two structures or more"),
        ("cut", {"at": 1}, "either seeds or a stroke"),
        ("midplane", {"points": ((0, 0, 0), (1, 1, 1))}, "three points or more"),
        ("landmark", {"name": "x", "point": (1, 2)}, "three numbers"),
        ("praise", {}, "no decision is called"),
        ("undo", {"number": 0}, "no number of a decision"),
        ("agree", {"finding": "x", "side": "left"}, "takes no side"),
    ],
)
def test_requests_that_cannot_be_are_refused(kind: str, values: dict[str, Any], sentence: str) -> None:
    with pytest.raises(OssicleError, match=sentence):
        request(kind, **values)


@pytest.mark.parametrize(
    ("asked", "sentence"),
    [
        (Rename("upper-left/P9", "P2"), "no tooth is called"),
        (Rename((0.0, 0.0, 0.0), "P2"), "no tooth is read at"),
        (Rename((900.0, 0.0, 0.0), "P2"), "outside the scan"),
        (SetGeneration("upper-right/M1", "deciduous"), "no deciduous generation"),
        (Agree("tooth/nowhere"), "no finding has the id"),
        (Add(middle_mm(WORLD[0])), "is read there"),
        (Amend("tooth/upper-left/dP2", "P2"), "not amended but given anew"),
        (Join((middle_mm(WORLD[0]), "upper-left/C")), "one structure already"),
        (Undo(), "nothing of A. Reader to undo"),
        (Redo(7), "there is no decision 7"),
        (SetMidplane(((1.0, 1.0, 1.0), (2.0, 2.0, 2.0), (3.0, 3.0, 3.0))), "on one line"),
    ],
)
def test_decisions_that_cannot_be_are_refused(asked: Any, sentence: str) -> None:
    kept, decisions = first_reading()
    with pytest.raises(OssicleError, match=sentence):
        said(kept, decisions, asked)


def test_undo_is_of_ones_own_last_decision() -> None:
    kept, decisions = first_reading()
    decisions.append(said(kept, decisions, Rename("upper-left/dP2", "P2"), "A. Reader"))
    decisions.append(said(kept, decisions, Rename("upper-left/dP3", "P3"), "B. Reader"))
    assert last_of(decisions, "A. Reader", "undo") == 1
    decisions.append(said(kept, decisions, Undo(), "A. Reader"))
    assert [d.number for d in in_force(decisions)] == [2]
    with pytest.raises(OssicleError, match="undone already"):
        said(kept, decisions, Undo(1))
    assert last_of(decisions, "A. Reader", "redo") == 1


def test_decisions_reach_another_scan_through_the_pose() -> None:
    """The same specimen scanned anew, shifted by 1.5 mm along z: names follow, hints do not."""
    kept, decisions = first_reading()
    decisions.append(said(kept, decisions, Rename("upper-left/dP2", "P2")))
    shift = 3
    moved = [replace(b, box=(slice(b.box[0].start + shift, b.box[0].stop + shift), *b.box[1:])) for b in WORLD]
    other = read_world([], 9, moved)
    back = np.eye(4)
    back[2, 3] = -shift * 0.5
    pose = replace(other.reading.pose, scan_to_skull=np.asarray(other.reading.pose.scan_to_skull) @ back)
    other = replace(other, scan="6" * 64, reading=replace(other.reading, pose=pose))
    told = replayed(other, decisions)
    assert [f.holds for f in told.fates] == ["in force"]
    assert any((t.jaw, t.side, t.name) == ("upper", "left", "P2") for t in told.account.teeth)


def test_a_score_changes_no_account_and_the_last_word_of_a_person_holds() -> None:
    kept = read_world([], 1)
    decisions: list[Decision] = []
    for state, who in (("1", "A"), ("0", "B"), ("(01)", "A")):
        decisions.append(said(kept, decisions, Score("hypocone", state, "?"), who))
    replay = replayed(kept, decisions)
    assert [f.holds for f in replay.fates] == ["superseded", "in force", "in force"]
    assert canonical(replay.account) == canonical(replayed(kept, []).account)
    assert words_of(decisions[2]) == "scored hypocone as (01)"
    with pytest.raises(OssicleError, match="score needs a state"):
        request("score", character="hypocone")
    both = opinions(kept.structures(), decisions, "A", "B")
    assert [(r.subject, r.first, r.second) for r in both.rows] == [("hypocone", "(01)", "0")]
