"""What a collection refuses, in one sentence each: requests, catalogue data, tables, lessons, talks, histories."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from ossicle.collection import Agree, Collection, Conflict, Decision, Discard, box_from, read_table, request
from ossicle.collection.files import Layout, read_json
from ossicle.collection.locality import HeldLocality
from ossicle.collection.naming import Said, renamed, with_pairs
from ossicle.collection.steps import MOST_STEPS, change_steps, steps_of
from ossicle.collection.talks import MOST_PIECES, MOST_SECTIONS, Talks
from ossicle.collection.terms import place_of, specimen_data, term_named
from ossicle.collection.values import in_words, same_value
from ossicle.errors import OssicleError
from ossicle.reading.records import ToothRecord


@pytest.mark.parametrize(
    ("kind", "said", "says"),
    [
        ("discard", {}, "discard needs the structure that it is about"),
        ("score", {"character": "hypocone"}, "score needs a state"),
        ("agree", {"finding": "  "}, "the finding is empty"),
        ("agree", {"finding": "x", "point": [1, 2, 3]}, "agree takes no point"),
        ("generation", {"at": 3, "generation": "milk"}, "no generation is called 'milk'"),
        ("side", {"at": 3, "side": "port"}, "no side is called 'port'"),
        ("add", {"point": [1, 2]}, "is no point of three numbers"),
        ("add", {"point": "abc"}, "is no point of three numbers"),
        ("add", {"point": [1, 2, float("nan")]}, "is no point of three numbers"),
        ("add", {"point": [10**400, 0, 0]}, "is no point of three numbers"),
        ("add", {"point": 7}, "is no point of three numbers"),
        ("discard", {"at": True}, "is no at of three numbers"),
        ("undo", {"number": 0}, "is no number of a decision"),
        ("undo", {"number": True}, "is no number of a decision"),
        ("join", {"at": ["upper-left/P3", "upper-left/P3"]}, "two structures or more"),
        ("cut", {"at": 3}, "either seeds or a stroke"),
        ("cut", {"at": 3, "seeds": [[1, 2, 3], [1, 2, 3]]}, "two seeds or more"),
        ("cut", {"at": 3, "stroke": [[1, 2, 3], [2, 2, 3]]}, "the direction of view"),
        ("cut", {"at": 3, "stroke": [[1, 2, 3]], "view": [0, 0, 1]}, "two points or more"),
        ("midplane", {"points": [[1, 2, 3], [1, 2, 3], [4, 5, 6]]}, "three points or more"),
        ("amend", {"finding": "x", "value": [1, float("nan")]}, "is no value that can be kept"),
        ("shed", {}, "no decision is called 'shed'"),
    ],
)
def test_requests(kind: str, said: dict[str, Any], says: str) -> None:
    with pytest.raises(OssicleError, match=says):
        request(kind, **said)


def test_a_request_is_made_of_what_is_given_and_blanks_are_folded() -> None:
    assert request("agree", finding="  stage/eruption ", who=None) == Agree("stage/eruption")
    assert request("discard", at=[1, 2, 3]) == Discard((1.0, 2.0, 3.0))
    assert request("discard", at="upper-left/dP3") == Discard("upper-left/dP3")


@pytest.mark.parametrize(
    ("held", "says"),
    [
        (HeldLocality(latitude=10.0), "only one of latitude and longitude"),
        (HeldLocality(latitude=90.1, longitude=0.0), "90.1 is no latitude"),
        (HeldLocality(latitude=0.0, longitude=-180.5), "-180.5 is no longitude"),
        (HeldLocality(latitude=float("nan"), longitude=0.0), "nan is no latitude"),
        (HeldLocality(uncertainty_m=0.0), "0 m is no uncertainty"),
        (HeldLocality(category=5), "no category of sensitivity is 5"),
        (HeldLocality(category=2, reason="poaching"), "needs a reason and a date of review"),
    ],
)
def test_localities(held: HeldLocality, says: str) -> None:
    with pytest.raises(OssicleError, match=says):
        held.checked()


def test_localities_at_their_ends_are_kept() -> None:
    for latitude, longitude in ((-90.0, -180.0), (90.0, 180.0)):
        held = HeldLocality(latitude, longitude, 2.0e7)
        assert held.checked() is held


@pytest.mark.parametrize(
    ("said", "where", "says"),
    [
        ({"colour": "brown"}, "colour", "this is no term that is taken"),
        ({"catalogNumber": ""}, "catalogNumber", "empty or too long"),
        ({"catalogNumber": "x" * 201}, "catalogNumber", "empty or too long"),
        ({"decimalLatitude": "north"}, "decimalLatitude", "'north' is no number"),
        ({"decimalLatitude": "inf"}, "decimalLatitude", "'inf' is no number"),
        ({"sensitivityCategory": "9"}, "sensitivityCategory", "'9' is no category"),
        ({"sensitivityReviewDate": "soon"}, "sensitivityReviewDate", "'soon' is no date"),
        ({"humanRemains": "perhaps"}, "humanRemains", "'perhaps' is neither yes nor no"),
        ({"sex": "x" * 4001}, "sex", "longer than 4000 characters"),
    ],
)
def test_catalogue_data(said: dict[str, str], where: str, says: str) -> None:
    with pytest.raises(OssicleError, match=says) as raised:
        specimen_data(said)
    assert raised.value.where == where


def test_terms_are_known_by_any_case_and_prefix_and_an_empty_text_takes_a_value_away() -> None:
    assert term_named(" dwc:Scientific Name ") == "scientificName"
    assert term_named("colour") is None
    told = specimen_data({"decimalLatitude": "", "humanRemains": "Yes", "sensitivityCategory": ""})
    assert told.place == {"decimalLatitude": None, "sensitivityCategory": 0}
    before = HeldLocality(1.0, 2.0, 30.0, "a wood")
    assert place_of({"locality": ""}, before) == HeldLocality(1.0, 2.0, 30.0, "")
    assert place_of({}, None) == HeldLocality()


def table(tmp_path: Path, data: bytes) -> Path:
    file = tmp_path / "table.csv"
    file.write_bytes(data)
    return file


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"source,catalogNumber\n", "holds no rows"),
        (b"\n\n", "holds no rows"),
        (b"source,catalogNumber\n\xff\xfe,1\n", "not UTF-8"),
        (b'source,catalogNumber\n"a"b,1\n', "is no CSV"),
        (b"source,catalogNumber\na,1,2\n", "row 2: 3 cells under 2 headings"),
        (b"source,catalogNumber,sex,Sex\na,1,,\n", "row 1: two columns mean sex"),
        (b"source\na\n", "row 1: no column means catalogNumber"),
        (b"source,catalogNumber,box_zyx\na,1,0:3\n", "column 'box_zyx': '0:3' is no box"),
        (b"source,catalogNumber,decimalLatitude\na,1,4\n", "row 2: only one of latitude and longitude"),
        (b"source,catalogNumber,sex\na,1,male\nb,1,female\n", "row 3, column 'sex': 'female', but row 2 says 'male'"),
        (b"source,catalogNumber,decimalLatitude\na,1,x\n", r"column 'decimalLatitude': 'x' is no number \(write it"),
        (b"source,catalogNumber\n,1\n", "column 'source': it is empty"),
    ],
)
def test_tables(tmp_path: Path, data: bytes, says: str) -> None:
    with pytest.raises(OssicleError, match=says):
        read_table(table(tmp_path, data), {})


def test_of_many_errors_twelve_are_told_and_the_rest_counted(tmp_path: Path) -> None:
    rows = b"".join(b",%d\n" % n for n in range(15))
    with pytest.raises(OssicleError, match=r"row 13, column 'source': it is empty \(and 3 more\)"):
        read_table(table(tmp_path, b"source,catalogNumber\n" + rows), {})


def test_long_cells_leave_the_sentence_short_and_each_place_named(tmp_path: Path) -> None:
    rows = b"".join(b"a%d,1,%s\n" % (n, b"%c" % (65 + n) * 3000) for n in range(15))
    with pytest.raises(OssicleError) as told:
        read_table(table(tmp_path, b"source,catalogNumber,sex\n" + rows), {})
    said = told.value.sentence()
    assert len(said) < 4500
    for row in range(3, 15):
        assert f"row {row}, column 'sex': '" in said
    assert said.endswith("of the same specimen (and 2 more); mend them and run again.")


def test_no_sentence_is_longer_than_a_page_whatever_it_quotes() -> None:
    said = OssicleError("a" * 10**6, where="b" * 10**6, mend="say less").sentence()
    assert len(said) < 9000
    assert said.startswith("bbb")
    assert "…" in said
    assert said.endswith("aaa; say less.")


def test_a_table_may_be_parted_by_semicolons_or_tabs_and_begin_with_a_mark(tmp_path: Path) -> None:
    for mark in (b";", b"\t"):
        data = b"\xef\xbb\xbfsource,catalogNumber,Shelf\na,OTC 1,7\n".replace(b",", mark)
        (row,) = read_table(table(tmp_path, data), {"Shelf": "-"})
        assert (row.source, row.said) == ("a", {"catalogNumber": "OTC 1"})


@pytest.mark.parametrize("text", ["", "0:1,0:1", "0:1,0:1,1:1", "0:1,0:1,-1:1", "a:b,0:1,0:1", "0:1:2,0:1,0:1"])
def test_boxes(text: str) -> None:
    with pytest.raises(OssicleError, match="is no box"):
        box_from(text)


def test_a_box_is_of_voxels() -> None:
    assert box_from("0:3, 1:4,2:9") == ((0, 3), (1, 4), (2, 9))


@pytest.fixture
def layout(tmp_path: Path) -> Layout:
    made = Layout(tmp_path / "cabinet")
    made.make()
    return made


def test_steps_of_a_lesson(layout: Layout) -> None:
    assert steps_of(layout, 1).version == 0
    kept = change_steps(layout, 1, lambda steps: [*steps, {"title": "one"}], 0)
    assert (kept.version, [dict(s) for s in steps_of(layout, 1).steps]) == (1, [{"title": "one"}])
    with pytest.raises(Conflict, match="changed elsewhere"):
        change_steps(layout, 1, lambda steps: [], 0)
    with pytest.raises(OssicleError, match=f"{MOST_STEPS} steps at most"):
        change_steps(layout, 1, lambda steps: steps * (MOST_STEPS + 1), None)
    assert [dict(s) for s in steps_of(layout, 1).steps] == [{"title": "one"}]


@pytest.mark.parametrize(
    "data",
    [
        {"format": "ossicle-steps/2", "version": 1, "steps": []},
        {"format": "ossicle-steps/1", "version": 1, "steps": {}},
        {"format": "ossicle-steps/1", "steps": []},
        {"format": "ossicle-steps/1", "version": "one", "steps": []},
    ],
)
def test_damaged_steps(layout: Layout, data: dict[str, Any]) -> None:
    (layout.root / "steps").mkdir()
    (layout.root / "steps" / "1.json").write_text(json.dumps(data))
    with pytest.raises(OssicleError, match="damaged or of a later Ossicle"):
        steps_of(layout, 1)


def test_steps_that_cannot_be_written_are_one_sentence(layout: Layout) -> None:
    (layout.root / "steps").write_text("a file where a folder should be")
    with pytest.raises(OssicleError, match="this cannot be written"):
        change_steps(layout, 1, lambda steps: steps, None)


def test_talks(layout: Layout) -> None:
    talks = Talks(layout, 1)
    assert talks.all() == []
    for name in ("0" * 8, "../../etc", "x"):
        with pytest.raises(OssicleError, match="there is no talk"):
            talks.get(name)
    talk = talks.begin("A talk", "A. Reader")
    with pytest.raises(OssicleError, match="there is no talk"):
        talks.add_section("0" * 8, voice=False)
    section = talks.add_section(talk.id, voice=False)
    with pytest.raises(OssicleError, match="there is no section"):
        talks.add_section(talk.id, voice=False, after="0" * 8)
    with pytest.raises(OssicleError, match="there is no section"):
        talks.add_piece(talk.id, "0" * 8, 0, 1000.0, [], b"", last=False)
    with pytest.raises(OssicleError, match="piece 0 has not come yet"):
        talks.add_piece(talk.id, section, 1, 1000.0, [], b"", last=False)
    with pytest.raises(OssicleError, match="piece 0 has not come yet"):
        talks.add_piece(talk.id, section, MOST_PIECES, 1000.0, [], b"", last=False)
    assert talks.add_piece(talk.id, section, 0, 900.0, [{"t": 5}, {"t": 2}], b"", last=True) == 1
    assert talks.add_piece(talk.id, section, 0, 9999.0, [], b"later", last=False) == 1  # there already: let be
    assert talks.events(talk.id, section) == [{"t": 2}, {"t": 5}]
    assert talks.voice(talk.id, section) == b""
    (kept,) = talks.get(talk.id).sections
    assert (kept.ended, kept.length_ms, kept.pieces) == (True, 900.0, 1)
    with pytest.raises(Conflict, match="changed elsewhere"):
        talks.change(talk.id, lambda data: None, expected=talk.version)


def test_a_section_that_is_refused_leaves_no_folder(layout: Layout) -> None:
    talks = Talks(layout, 1)
    talk = talks.begin("A talk", "A. Reader")
    full = [
        {"id": f"{n:08x}", "voice": False, "ended": True, "from_ms": 0, "to_ms": None} for n in range(MOST_SECTIONS)
    ]
    talks.change(talk.id, lambda data: data.update(sections=full))
    with pytest.raises(OssicleError, match=f"{MOST_SECTIONS} sections at most"):
        talks.add_section(talk.id, voice=True)
    assert [p.name for p in (talks.folder / talk.id).iterdir()] == ["talk.json"]


def test_a_damaged_talk(layout: Layout) -> None:
    talks = Talks(layout, 1)
    talk = talks.begin("A talk", "A. Reader")
    (talks.folder / talk.id / "talk.json").write_text('{"format": "ossicle-talk/9"}')
    with pytest.raises(OssicleError, match="damaged or of a later Ossicle"):
        talks.get(talk.id)


@pytest.mark.parametrize("text", ["[]", "{", "", "[" * 100_000])
def test_a_file_of_json_that_is_none(tmp_path: Path, text: str) -> None:
    (tmp_path / "a.json").write_text(text)
    with pytest.raises(OssicleError, match="this file is damaged"):
        read_json(tmp_path / "a.json")
    with pytest.raises(OssicleError, match="damaged or missing"):
        read_json(tmp_path / "none.json")


def test_what_a_collection_does_not_take(tmp_path: Path) -> None:
    (tmp_path / "cabinet").mkdir()
    (tmp_path / "cabinet" / "letter.txt").write_text("x")
    with pytest.raises(OssicleError, match="this folder holds something else"):
        Collection.create(tmp_path / "cabinet")
    with pytest.raises(OssicleError, match="this is a file, not a folder"):
        Collection.create(tmp_path / "cabinet" / "letter.txt")
    with Collection.create(tmp_path / "other") as held:
        with pytest.raises(OssicleError, match="this is a collection already"):
            Collection.create(tmp_path / "other")
        held.add_specimen({"catalogNumber": "OTC 1"})
        with pytest.raises(OssicleError, match="nobody is named who decides"):
            held.decide("OTC 1", Agree("x"), who=" ")
        with pytest.raises(OssicleError, match="has not been read yet"):
            held.decide("OTC 1", Agree("x"), who="A. Reader")
        with pytest.raises(OssicleError, match="the specimen has no scan"):
            held.queue("OTC 1")
        spoilt = Decision(1, "agree", "A. Reader", "2031-05-01T09:00:00Z", said={"finding": "x"}, digest="0" * 64)
        with pytest.raises(OssicleError, match="not as they were made"):
            held.receive("OTC 1", [], [spoilt])


def tooth(**more: Any) -> ToothRecord:
    said: dict[str, Any] = {
        "part": 1, "name": "dP3", "jaw": "upper", "side": "left", "tooth_class": "premolar", "position": 3,
        "generation": "deciduous", "emergence": "erupted", "emergence_fraction": 1.0, "completeness": "complete",
        "replaces": None, "replaced_by": None, "centroid_mm_xyz": (0.0, 0.0, 0.0), "length_mm": 1.0, "width_mm": 1.0,
        "crown_height_mm": 1.0, "volume_mm3": 1.0, "enamel_volume_mm3": 0.1, "confidence": 0.5,
        "locus_confidence": 0.5, "detection_confidence": 0.8,
    }  # fmt: skip
    return ToothRecord(**{**said, **more})


@pytest.mark.parametrize(
    ("start", "said", "name", "generation"),
    [
        ({}, Said(1, "A", name="P3"), "P3", "permanent"),
        ({"generation": "unreplaced", "name": "P3"}, Said(1, "A", name="P2"), "P2", "unreplaced"),
        ({"generation": "permanent", "name": "P3"}, Said(1, "A", name="dP3"), "dP3", "deciduous"),
        ({}, Said(1, "A", generation="permanent"), "P3", "permanent"),
        ({}, Said(1, "A", name="M1", generation="deciduous"), "M1", "permanent"),  # no molar is deciduous
        ({"jaw": "lower", "name": "dp3"}, Said(1, "A", name="dp4"), "dp4", "deciduous"),
    ],
)
def test_a_tooth_as_a_person_named_it(start: dict[str, Any], said: Said, name: str, generation: str) -> None:
    made = renamed(tooth(**start), [said])
    assert (made.name, made.generation) == (name, generation)
    assert (made.locus_confidence, made.confidence, made.decided_by) == (1.0, 0.8, "person")


def test_a_side_said_moves_the_tooth_and_the_later_word_holds() -> None:
    made = renamed(tooth(), [Said(1, "A", side="right"), Said(2, "B", name="P4"), Said(3, "A", name="P2")])
    assert (made.side, made.name) == ("right", "P2")


def test_pairs_of_succession_follow_names() -> None:
    old, new = tooth(part=1, replaced_by=9), tooth(part=2, name="P3", generation="permanent")
    other = tooth(part=3, side="right", replaced_by=4)
    successor = tooth(part=4, side="right", name="P3", generation="permanent", replaces=3)
    paired = {t.part: t for t in with_pairs([old, new, other, successor], {2})}
    assert (paired[1].replaced_by, paired[2].replaces) == (2, 1)
    assert (paired[3].replaced_by, paired[4].replaces) == (4, 3)  # untouched pairs stay
    loose = {t.part: t for t in with_pairs([old, new, other, successor], {4})}
    assert (loose[3].replaced_by, loose[4].replaces) == (4, 3)  # made anew: they are of one locus
    assert (loose[1].replaced_by, loose[2].replaces) == (None, None)  # nobody spoke of these
    two = {t.part: t for t in with_pairs([old, new, tooth(part=5, name="P3", generation="permanent")], {2})}
    assert two[1].replaced_by is None  # which of the two it is, nobody knows


@pytest.mark.parametrize(
    ("a", "b", "same"),
    [
        (1.0, 1.05, True), (1.0, 1.06, False), (-1.0, -1.05, True), (0, 0.0, True), (0, 0.001, False),
        (True, 1, False), (True, True, True), ([1, 2], (1.02, 2.0), True), ([1], [1, 2], False),
        ({"a": 1}, {"a": 1.01}, True), ({"a": 1}, {"b": 1}, False), ("P3", "P3", True), ("P3", None, False),
    ],
)  # fmt: skip
def test_values_are_the_same_within_a_twentieth(a: object, b: object, same: bool) -> None:
    assert same_value(a, b) is same
    assert same_value(b, a) is same


def test_values_in_words() -> None:
    assert in_words([1.23456, None, "P3"]) == "1.235, nothing, P3"
    assert in_words([]) == "nothing"
    assert in_words(3) == "3"
