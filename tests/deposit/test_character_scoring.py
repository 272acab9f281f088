"""Scoring characters from accounts, and what persons say of them. All specimens are drawn by hand."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest
from sketch import ADULT, JUVENILE, MADE_BY, scan_facts, sketch_reading
from test_regions import structures

from ossicle.account import Account, build_account
from ossicle.anatomy.characters import FACTS, load_characters, parse_characters
from ossicle.anatomy.rules import parse_rule
from ossicle.collection import Decision
from ossicle.errors import OssicleError
from ossicle.publish.scoring import (
    Cell,
    Facts,
    cell_text,
    computed_cell,
    computed_cells,
    parse_cell,
    person_scores,
    pooled,
    with_persons,
)
from ossicle.reading.records import Reading, Vacancy

KNOWN = load_characters()


@cache
def drawn(upper: str, lower: str) -> Reading:
    return sketch_reading(upper, lower, pictures=False)


def account(upper: str = ADULT[0], lower: str = ADULT[1], **changes: object) -> Account:
    return of(replace(drawn(upper, lower), **changes))  # type: ignore[arg-type]


def of(reading: Reading) -> Account:
    return build_account(reading, scan_facts(), MADE_BY)


@pytest.fixture(scope="module")
def adult() -> Account:
    return account(structures=structures())


@pytest.fixture(scope="module")
def juvenile() -> Account:
    return account(*JUVENILE)


def states(found: Account, *names: str) -> list[str]:
    return [computed_cell(found, KNOWN[name]).text for name in names]


COUNTS = [f"{jaw}_{kind}_number" for kind in ("incisor", "premolar", "molar") for jaw in ("upper", "lower")]


def test_an_adult_is_scored_by_its_formula(adult: Account) -> None:
    """I3/3 C1/1 P4/4 M2/3, the formula of the dog (any textbook of mammalogy), as drawn."""
    assert states(adult, *COUNTS) == ["3", "3", "4", "4", "2", "3"]
    assert states(adult, "upper_canine", "lower_canine") == ["1", "1"]
    assert states(adult, "upper_first_premolar_gap", "upper_canine_size") == ["0", "1"]
    # 2.2 mm both, give or take a voxel of 0.25 mm: no state is ruled out.
    assert states(adult, "upper_premolars_2_3_height") == ["?"]
    assert states(adult, "angular_process", "angular_process_form", "angular_process_inflected") == ["1", "1", "2"]
    assert states(adult, "maxillary_fenestra", "mental_foramen_number") == ["0", "1"]


def test_a_growing_dentition_keeps_open_what_may_still_form(juvenile: Account) -> None:
    upper = computed_cell(juvenile, KNOWN["upper_molar_number"])
    assert (upper.text, upper.status) == ("{2345}", "uncertain")
    assert "may still form" in upper.why
    assert states(juvenile, "upper_incisor_number", "premolar_replacement", "incisor_replacement") == ["3", "1", "1"]
    assert states(juvenile, "upper_first_premolar_generations") == ["0"]
    assert states(juvenile, "upper_premolars_2_3_height") == ["?"]


def test_one_replaced_premolar_is_told_from_several() -> None:
    rows = "I1 I2 I3 C P1:unreplaced P2:unreplaced dP3>P3 M1 M2 M3:crypt"
    assert states(account(rows, rows), "premolar_replacement", "incisor_replacement") == ["0", "?"]


def test_every_state_stands_on_findings_or_parts(adult: Account, juvenile: Account) -> None:
    ids = {f.id for f in adult.findings} | {f.id for f in juvenile.findings}
    for found in (adult, juvenile):
        for key, cell in computed_cells(found, KNOWN.values()).items():
            assert cell.why.endswith(".")
            assert set(cell.findings) <= ids
            if cell.status in ("scored", "polymorphic", "uncertain"):
                assert cell.findings or cell.parts, key
                assert cell.confidence is not None
                assert 0 < cell.confidence <= 1
            if not KNOWN[key].computed:
                assert cell.text == "?"


def test_what_the_scan_does_not_hold_is_missing_and_not_absent() -> None:
    skull = account(lower="")
    assert states(skull, "upper_incisor_number", "lower_incisor_number", "lower_canine") == ["3", "?", "?"]
    assert states(skull, "angular_process", "mandibular_symphysis", "maxillary_fenestra") == ["?", "?", "?"]
    assert states(account("", ""), *COUNTS) == ["?"] * 6


def test_no_canine_is_absence_where_the_row_is_there() -> None:
    rodent = account("I1 P4 M1 M2 M3", "I1 P4 M1 M2 M3")
    assert states(rodent, "upper_canine", "upper_incisor_number", "upper_canine_size") == ["0", "1", "-"]


def test_sides_that_differ_are_a_polymorphism_and_one_side_alone_is_enough(adult: Account) -> None:
    closed = Vacancy("upper", "right", "I3", "closed", None, None, None, 0, None, (0, 0, 0), 0.9)
    whole = drawn(*ADULT)
    gone = next(t for t in whole.teeth if (t.jaw, t.side, t.name) == ("upper", "right", "I3"))
    less = replace(whole, teeth=tuple(t for t in whole.teeth if t is not gone))
    cell = computed_cell(of(replace(less, vacancies=(closed,))), KNOWN["upper_incisor_number"])
    assert (cell.text, cell.status) == ("(23)", "polymorphic")
    assert "sides differ" in cell.why
    # Not looked at, the place may have held a tooth; an empty socket did.
    assert states(of(less), "upper_incisor_number") == ["3"]
    empty = replace(closed, state="empty_alveolus", pits=1, depth_mm=2.0)
    assert states(of(replace(less, vacancies=(empty,))), "upper_incisor_number") == ["3"]
    one = replace(whole, teeth=tuple(t for t in whole.teeth if t.side == "left"))
    assert states(of(one), "upper_incisor_number") == ["3"]


def test_an_uncertain_tooth_makes_a_count_uncertain() -> None:
    whole = drawn(*ADULT)
    teeth = tuple(replace(t, locus_confidence=0.3) if t.name == "M2" and t.jaw == "upper" else t for t in whole.teeth)
    cell = computed_cell(of(replace(whole, teeth=teeth)), KNOWN["upper_molar_number"])
    assert cell.text == "{12}"
    assert cell.status == "uncertain"


def test_a_value_near_its_limit_is_uncertain() -> None:
    text = """[size]
name = "first upper molar, length"
states = ["short", "middling", "long"]
source = "own"
per = "side"
when = ["length('M1') < 3", "length('M1') >= 3 and length('M1') < 3.6", "length('M1') >= 3.6"]
"""
    cell = computed_cell(account(), parse_characters(text)["size"])  # 3.6 mm, give or take 0.25
    assert (cell.text, cell.status) == ("{12}", "uncertain")


def test_the_standing_is_that_of_what_was_used(adult: Account) -> None:
    def stood(standing: str, *ids: str) -> Account:
        findings = tuple(replace(f, standing=standing) if f.id in ids else f for f in adult.findings)  # type: ignore[arg-type]
        return replace(adult, findings=findings)

    ids = [f.id for f in adult.findings if f.region == "teeth"]
    character = KNOWN["upper_incisor_number"]
    assert computed_cell(adult, character).standing == "computed"
    assert computed_cell(stood("agreed", *ids), character).standing == "agreed"
    assert computed_cell(stood("disputed", "tooth/upper-left/I2"), character).standing == "disputed"
    assert computed_cell(stood("disputed", "tooth/upper-left/M1"), character).standing == "computed"


def test_each_fact_can_be_asked_for(adult: Account) -> None:
    asked = {
        "loci": "'upper', 'molar'", "tooth": "'P4'", "generation": "'P1'", "replaced_premolars": "'upper'",
        "replaced_incisors": "'upper'", "length": "'M1'", "width": "'M1'", "height": "'M1'",
        "tallest": "'upper', 'premolar'", "gap": "'P1', 'P2'", "opening": "'incisive foramen'",
        "area": "'incisive foramen'", "opening_length": "'incisive foramen'", "measure": "'mandible_length'",
        "canal_radius": "'anterior'",
    }  # fmt: skip
    for side in ("left", "right", None):
        table = Facts(adult, side).table()  # type: ignore[arg-type]
        assert set(table) == set(FACTS)
        for name in FACTS:
            assert parse_rule(f"{name}({asked.get(name, '')}) == 'no such word' or True", FACTS) is not None
            table[name](*[w.strip("' ") for w in asked.get(name, "").split(",") if w])
    assert Facts(adult, "left").table()["opening"]("incisive foramen") is True


# -- persons


def say(
    number: int, state: str, who: str = "A. Reader", character: str = "upper_incisor_number", **more: object
) -> Decision:
    said = {"character": character, "state": state, "computed": "3"}
    return Decision(number, more.pop("kind", "score"), who, "2026-01-01T00:00:00Z", said=said, **more)  # type: ignore[arg-type]


def judged(adult: Account, *decisions: Decision) -> Cell:
    character = KNOWN["upper_incisor_number"]
    return with_persons(character, computed_cell(adult, character), person_scores(decisions))


def test_a_person_agrees_amends_or_disputes_and_the_rule_is_kept(adult: Account) -> None:
    rule = computed_cell(adult, KNOWN["upper_incisor_number"])
    agreed = judged(adult, say(1, "3"))
    assert (agreed.text, agreed.standing, agreed.by, agreed.computed) == ("3", "agreed", ("A. Reader",), None)
    amended = judged(adult, say(1, "3"), say(2, "2", why="the third is supernumerary"))
    assert (amended.text, amended.standing, amended.computed) == ("2", "amended", "3")
    assert "supernumerary" in amended.why
    assert rule.why in amended.why
    disputed = judged(adult, say(1, "2"), say(2, "3", "B. Reader"))
    assert (disputed.text, disputed.standing, disputed.computed) == ("3", "disputed", "3")
    assert "A. Reader scores two" in disputed.why
    assert judged(adult, say(1, "2"), say(2, "", kind="undo", target=1)) == rule
    assert judged(adult, say(1, "(23)")).status == "polymorphic"
    with pytest.raises(OssicleError, match=r"decision 1.*no state"):
        judged(adult, say(1, "9"))


@pytest.mark.parametrize("text", ["0", "(01)", "{012}", "?", "-"])
def test_a_cell_reads_back_as_written(text: str) -> None:
    assert cell_text(*parse_cell(text, "012")) == text
    assert parse_cell(" ( 1 0 ) ", "012") == ("polymorphic", ("0", "1"))


@pytest.mark.parametrize("text", ["", "3", "01", "(0)", "{}", "(00)", "(03)", "x", "?1", "(01"])
def test_what_is_no_cell_is_refused(text: str) -> None:
    with pytest.raises(OssicleError, match="no state"):
        parse_cell(text, "012")


# -- taxa


def cells(*texts: str) -> dict[str, Cell]:
    out = {}
    for n, text in enumerate(texts):
        status, found = parse_cell(text, "0123")
        out[f"OTC {n}"] = Cell(status, found, standing="computed")
    return out


@pytest.mark.parametrize(
    ("specimens", "taxon"),
    [
        (["1", "1"], "1"), (["0", "1"], "(01)"), (["(01)", "2"], "(012)"), (["?", "1"], "1"), (["-", "1"], "1"),
        (["-", "?"], "-"), (["?", "?"], "?"), (["{01}", "1"], "1"), (["{01}", "?"], "{01}"), (["{12}", "0"], "{012}"),
        (["1", "{12}", "?"], "1"),
    ],
)  # fmt: skip
def test_specimens_add_up_to_a_taxon(specimens: list[str], taxon: str) -> None:
    cell = pooled(cells(*specimens), "0123")
    assert cell.text == taxon
    assert cell.why


def test_a_taxon_stands_as_its_worst_specimen() -> None:
    held = cells("1", "1", "?")
    held["OTC 1"] = replace(held["OTC 1"], standing="disputed")
    assert pooled(held, "0123").standing == "disputed"
    held["OTC 1"] = replace(held["OTC 1"], standing="agreed")
    assert pooled(held, "0123").standing == "computed"
