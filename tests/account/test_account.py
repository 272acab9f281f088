"""Findings, wording, JSON and schema of an account."""

from __future__ import annotations

from dataclasses import replace

import pytest
from sketch import ADULT, JUVENILE, MADE_BY, scan_facts, sketch_reading

from ossicle.account import (
    Account,
    account_text,
    account_to_dict,
    build_account,
    methods,
)
from ossicle.account.findings.common import tooth_ids
from ossicle.reading.records import Reading


def statement(account: Account, finding: str) -> str:
    return next(f.statement for f in account.findings if f.id == finding)


def made(reading: Reading, **facts: object) -> Account:
    return build_account(reading, scan_facts(**facts), MADE_BY)


def changed(reading: Reading, name: str, jaw: str = "upper", side: str = "left", **changes: object) -> Reading:
    teeth = tuple(
        replace(t, **changes) if (t.name, t.jaw, t.side) == (name, jaw, side) else t  # type: ignore[arg-type]
        for t in reading.teeth
    )
    assert teeth != reading.teeth
    return replace(reading, teeth=teeth)


def without(reading: Reading, *names: tuple[str, str, str]) -> Reading:
    return replace(reading, teeth=tuple(t for t in reading.teeth if (t.name, t.jaw, t.side) not in names))


class TestStatements:
    def test_row_names_what_stands_and_what_erupts(self, juvenile_account: Account) -> None:
        assert statement(juvenile_account, "dentition/upper-left/in-place") == (
            "The left upper row carries I1, dI2, dI3, dC, P1 and dP2–dP4, erupted; M1 (45 %) is erupting, "
            "with that share of "
            "the crown beyond the alveolar margin."
        )

    def test_crypts_stand_beneath_their_predecessors(self, juvenile_account: Account) -> None:
        assert statement(juvenile_account, "dentition/lower-right/in-crypts") == (
            "In the right lower row I2, I3, C and P2–P4 lie in crypts beneath their deciduous "
            "predecessors dI2, dI3, dC and "
            "dP2–dP4; M2 and M3 lie in crypts, with no tooth in place above."
        )

    def test_one_pair_is_told_in_the_singular(self) -> None:
        account = made(sketch_reading("I1 I2 C P1 P2 dP3>P3 M1", "I1 C", pictures=False))
        assert statement(account, "dentition/upper-left/in-crypts") == (
            "In the left upper row P3 lies in its crypt beneath its deciduous predecessor dP3."
        )
        said = statement(account, "replacement/summary")
        assert said == "Two deciduous teeth were found; two successors lie ready."

    def test_adult_has_no_crypts_and_no_deciduous_teeth(self, adult: Reading) -> None:
        account = made(adult)
        assert statement(account, "dentition/upper-right/in-place") == (
            "The right upper row carries I1–I3, C, P1–P4, M1 and M2, erupted."
        )
        assert not [f for f in account.findings if f.id.endswith("in-crypts")]
        assert statement(account, "replacement/summary") == "No deciduous tooth was found."
        assert statement(account, "completeness/teeth") == "Every tooth found is whole."

    def test_formula_counts_what_is_shown(self, juvenile_account: Account) -> None:
        assert juvenile_account.formula.text == "I3/3 C1/1 P4/4 M1/1"
        assert statement(juvenile_account, "formula/counts") == (
            "The teeth erupted and erupting give I3/3 C1/1 P4/4 M1/1, 36 in all; 30 more in crypts are "
            "not counted; "
            "with the deciduous teeth apart dI2/2 dC1/1 dP3/3 I1/1 P1/1 M1/1."
        )

    def test_no_teeth_are_told_and_none_invented(self, nothing_account: Account) -> None:
        said = [f.statement for f in nothing_account.findings]
        assert "No tooth row was found in this scan, nor a skull that could hold one; no tooth is named." in said
        assert nothing_account.teeth == ()
        assert nothing_account.formula.text is None
        assert not [f for f in nothing_account.findings if f.region in ("teeth", "formula", "replacement", "stage")]

    def test_uncertain_name_is_marked_and_told(self, juvenile: Reading) -> None:
        account = made(changed(juvenile, "P1", confidence=0.5, locus_confidence=0.5))
        said = statement(account, "dentition/upper-left/in-place")
        assert "P1?" in said
        assert "the name marked ? is uncertain" in said
        assert statement(account, "tooth/upper-left/P1").endswith("; its name is uncertain.")
        assert "[uncertain, 50 %]" in account_text(account)

    def test_sides_that_differ_are_told(self, adult: Reading) -> None:
        account = made(without(adult, ("P4", "upper", "right")))
        assert statement(account, "dentition/upper/sides") == "The upper rows differ: P4 on the left only."
        assert account.formula.text == "I3/3 C1/1 P4/4 M2/3"
        assert "the sides differ (upper P left 4, right 3)" in statement(account, "formula/counts")

    def test_absent_jaw_is_said_to_be_absent(self) -> None:
        account = made(sketch_reading(ADULT[0], "", pictures=False))
        assert statement(account, "completeness/lower-jaw").startswith("No lower tooth was found")
        said = statement(account, "dentition/lower-left/in-place")
        assert said == "No tooth was found in place in the left lower row."

    @pytest.mark.parametrize(
        ("state", "said"),
        [
            ("broken", "broken; its size is of what is left."),
            ("cut_by_scan_edge", "cut by the edge of the scan; its size is what the scan holds."),
            ("worn", "worn; its crown height is not that of an unworn tooth."),
        ],
    )
    def test_incomplete_teeth(self, adult: Reading, state: str, said: str) -> None:
        account = made(changed(adult, "C", completeness=state))
        told = statement(account, f"completeness/{state.replace('_', '-')}")
        assert told == f"Among the teeth found, C of the left upper row is {said}"
        tooth = next(
            t for t in account_to_dict(account)["teeth"] if (t["name"], t["jaw"], t["side"]) == ("C", "upper", "left")
        )
        assert tooth["complete"] is (state == "worn")

    def test_a_gap_is_measured_along_the_row(self, adult: Reading) -> None:
        account = made(without(adult, ("P1", "upper", "left"), ("P2", "upper", "left")))
        gap = next(f for f in account.findings if f.method == "teeth.gaps")
        # C ends 0.3 mm before P1 of 2.6 mm, then 0.3, P2 of 2.6 and 0.3 mm: 6.1 mm in the drawing
        assert gap.value == pytest.approx(6.1, abs=0.1)
        assert gap.unit == "mm"
        assert gap.id == "dentition/upper-left/gap/C-P3"
        assert len([f for f in account.findings if f.method == "teeth.gaps"]) == 1

    def test_a_lost_locus_is_told_with_its_gap(self, adult: Reading) -> None:
        account = made(without(adult, ("P2", "upper", "left")))
        assert "no tooth was found there for P2" in statement(account, "dentition/upper-left/gap/P1-P3")

    def test_assumed_handedness_is_a_warning_and_stated_is_not(self, adult: Reading) -> None:
        assert any("--mirrored" in w for w in made(adult).warnings)
        assert not any("--mirrored" in w for w in made(adult, handedness="stated").warnings)

    def test_what_was_not_looked_for_is_empty(self, juvenile_account: Account) -> None:
        data = account_to_dict(juvenile_account)
        assert data["openings"] == data["jaw"] == data["ear"] == data["measurements"] == data["landmarks"] == []

    def test_every_method_can_be_looked_up(self, juvenile_account: Account, nothing_account: Account) -> None:
        for account in (juvenile_account, nothing_account):
            used = {f.method for f in account.findings}
            assert used <= methods().keys()
            assert account_to_dict(account)["methods"].keys() == used

    def test_every_statement_is_one_sentence(self, juvenile_account: Account) -> None:
        for finding in juvenile_account.findings:
            assert finding.statement.endswith(".")
            assert ". " not in finding.statement
            assert finding.statement[0].isupper() or finding.statement[0].isdigit()


class TestStage:
    """The rule itself is tested with `ossicle.anatomy.stages`; here, that the account tells it."""

    @pytest.mark.parametrize(("rows", "stage"), [(JUVENILE, "juvenile"), (ADULT, "adult")])
    def test_by_rule(self, rows: tuple[str, str], stage: str) -> None:
        account = made(replace(sketch_reading(*rows, pictures=False), dentition="Canis"))
        assert account.formula.stage.name == stage
        said = statement(account, "stage/eruption")
        assert said.startswith(f"The growth stage by eruption is {stage}: ")
        assert "loci of molars and replacing teeth hold an erupted tooth" in said

    def test_a_dentition_that_is_not_known_gives_no_name(self, juvenile_account: Account) -> None:
        assert juvenile_account.formula.stage.name is None
        assert statement(juvenile_account, "stage/eruption").startswith("34 teeth are erupted, ")


class TestIds:
    def test_ids_are_unique(self, juvenile_account: Account) -> None:
        ids = [f.id for f in juvenile_account.findings]
        assert len(ids) == len(set(ids))

    def test_ids_do_not_hang_on_part_numbers(self, juvenile: Reading) -> None:
        renumbered = {t.part: 500 - t.part for t in juvenile.teeth}
        teeth = tuple(
            replace(
                t,
                part=renumbered[t.part],
                replaces=renumbered.get(t.replaces or 0),
                replaced_by=renumbered.get(t.replaced_by or 0),
            )
            for t in reversed(juvenile.teeth)
        )
        one = {f.id: f.statement for f in made(juvenile).findings}
        two = {f.id: f.statement for f in made(replace(juvenile, teeth=teeth)).findings}
        assert one == two

    def test_two_teeth_of_one_name_get_two_ids(self, adult: Reading) -> None:
        m1 = next(t for t in adult.teeth if t.name == "M1")
        twin = replace(m1, part=99)
        assert sorted(tooth_ids([m1, twin]).values()) == ["upper-left/M1", "upper-left/M1-2"]

    def test_standings_follow_ids(self, juvenile: Reading) -> None:
        standings = {"stage/eruption": "agreed", "gone": "disputed"}
        account = build_account(juvenile, scan_facts(), MADE_BY, standings=standings)  # type: ignore[arg-type]
        assert {f.id: f.standing for f in account.findings}["stage/eruption"] == "agreed"
        assert sum(f.standing != "computed" for f in account.findings) == 1
