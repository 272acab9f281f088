"""Orders of eruption, expected states and mixed dentitions."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ossicle.anatomy import (
    JAWS,
    STAGES,
    Dentition,
    Stage,
    ToothName,
    dentition,
    eruption_order,
    expected_state,
    growth_stage,
    load_dentitions,
    mixed_dentition,
    stage_span,
)
from ossicle.anatomy.eruption import known_orders
from ossicle.errors import OssicleError

TOOTHED = [entry for entry in load_dentitions().values() if entry.formula.total]
dentitions = st.sampled_from(TOOTHED)


def step(genus: str, tooth: str) -> int:
    found = eruption_order(dentition(genus)).step_of(ToothName.parse(tooth))
    assert found is not None
    return found


@pytest.mark.parametrize("entry", TOOTHED, ids=lambda entry: entry.name)
def test_every_tooth_of_every_dentition_stands_once_in_its_order(entry: Dentition) -> None:
    order = eruption_order(entry)
    listed = [str(tooth) for group in order.steps for tooth in group]
    expected = [
        str(name)
        for jaw in JAWS
        for name in [
            *(tooth.deciduous_name for tooth in entry.deciduous_loci(jaw)),
            *(tooth.adult_name for tooth in entry.loci(jaw)),
        ]
    ]
    assert sorted(listed) == sorted(expected)
    assert order.source
    assert order.status in ("V", "M")
    assert order.margin in ("alveolar", "gingival")


@pytest.mark.parametrize("entry", TOOTHED, ids=lambda entry: entry.name)
def test_a_deciduous_tooth_comes_before_its_successor_and_molars_in_turn(entry: Dentition) -> None:
    order = eruption_order(entry)
    for jaw in JAWS:
        for locus in entry.loci(jaw):
            if locus.replaced:
                assert locus.deciduous_name is not None
                assert locus.adult_name is not None
                first, second = order.step_of(locus.deciduous_name), order.step_of(locus.adult_name)
                assert first is not None
                assert second is not None
                assert first < second
        molars = [tooth.adult_name for tooth in entry.loci(jaw) if tooth.tooth_class == "molar"]
        steps = [order.step_of(molar) for molar in molars if molar is not None]
        assert steps == sorted(steps)  # type: ignore[type-var]


def test_orders_are_all_used_and_name_real_teeth() -> None:
    known = load_dentitions()
    for name in known_orders():
        assert name in known
        order = eruption_order(known[name])
        assert "added at the end" not in order.basis


def test_human_order() -> None:
    # common knowledge of human dental development; AlQahtani et al. 2010 (value from memory)
    assert step("Homo", "di1") == 0
    assert step("Homo", "M1") < step("Homo", "I1") < step("Homo", "I2") < step("Homo", "P3")
    assert step("Homo", "c") < step("Homo", "p3") < step("Homo", "m2") <= step("Homo", "M2")
    assert step("Homo", "M3") == len(eruption_order(dentition("Homo")).steps) - 1


def test_an_opossum_erupts_its_premolar_with_the_last_molars() -> None:
    # van Nievelt & Smith 2005, J. Mammal. 86:333 (value from memory)
    assert step("Didelphis", "dP3") < step("Didelphis", "M1")
    assert step("Didelphis", "M3") < step("Didelphis", "P3") <= step("Didelphis", "M4")


def test_a_dentition_without_an_order_takes_its_family_s_and_then_its_clade_s() -> None:
    own, family, clade = (eruption_order(dentition(name)) for name in ("Canis", "Otocyon", "Ursus"))
    assert own.basis == "order of eruption of Canis"
    assert family.basis == "order of eruption of Canis, of the same family (Canidae); M3, m4 added at the end"
    assert clade.basis == "generic placental order of eruption"
    assert (own.generic, family.generic, clade.generic) == (False, False, True)


def test_a_first_premolar_of_one_generation_keeps_its_step_and_other_such_teeth_come_early() -> None:
    assert step("Ursus", "P1") > step("Ursus", "dP4")
    assert step("Cavia", "P4") < step("Cavia", "M1")
    assert step("Mus", "I1") == 0


def test_a_tooth_that_is_not_in_the_order_has_no_step() -> None:
    assert eruption_order(dentition("Homo")).step_of(ToothName.parse("P1")) is None
    assert eruption_order(dentition("Homo")).step_of(ToothName.parse("left P3")) == step("Homo", "P3")


def test_a_toothless_monotreme_has_no_order() -> None:
    with pytest.raises(OssicleError, match="no order of eruption is known for Tachyglossus"):
        eruption_order(dentition("Tachyglossus"))
    assert expected_state(dentition("Tachyglossus"), 0.5) == ()


def phases(genus: str, fraction: float) -> dict[str, tuple[str, float]]:
    return {str(t.name): (t.phase, t.fraction) for t in expected_state(dentition(genus), fraction)}


def test_at_the_beginning_deciduous_teeth_wait_and_late_crowns_are_not_formed() -> None:
    dog = phases("Canis", 0)
    assert dog["dC"] == ("in_crypt", 0.0)
    assert dog["dP4"] == ("in_crypt", 0.0)
    assert dog["I1"] == ("in_crypt", 0.0)
    assert dog["M2"] == ("not_formed", 0.0)


def test_within_a_step_its_teeth_are_erupting_by_that_part_of_it() -> None:
    steps = len(eruption_order(dentition("Canis")).steps)
    assert steps == 12
    dog = phases("Canis", 4.25 / steps)
    assert dog["I1"][0] == "erupting"
    assert dog["I1"][1] == pytest.approx(0.25)
    assert dog["dI1"] == ("shed", 0.0)
    assert dog["dI2"] == ("erupted", 1.0)
    assert dog["I2"] == ("in_crypt", 0.0)


def test_a_crown_is_formed_a_third_of_the_order_before_its_step() -> None:
    # step 11 of 12, so crowns of m3 show from progress 7
    assert phases("Canis", 6.99 / 12)["m3"][0] == "not_formed"
    assert phases("Canis", 7 / 12)["m3"][0] == "in_crypt"


def test_transient_teeth_are_shed_half_way() -> None:
    assert phases("Loxodonta", 0.4)["dP2"] == ("erupted", 1.0)
    assert phases("Loxodonta", 0.6)["dP2"] == ("shed", 0.0)


@given(dentitions)
def test_at_the_end_all_adult_teeth_have_erupted_and_no_deciduous_ones_stand(entry: Dentition) -> None:
    for tooth in expected_state(entry, 1.0):
        assert tooth.phase == ("shed" if tooth.name.deciduous else "erupted")


@given(dentitions, st.floats(0, 1), st.floats(0, 1))
def test_teeth_only_move_on(entry: Dentition, a: float, b: float) -> None:
    rank = {"not_formed": 0, "in_crypt": 1, "erupting": 2, "erupted": 3, "shed": 4}
    before, after = (expected_state(entry, fraction) for fraction in sorted((a, b)))
    for early, late in zip(before, after, strict=True):
        assert early.name == late.name
        assert rank[early.phase] <= rank[late.phase]
        if early.phase == late.phase:
            assert early.fraction <= late.fraction


@given(dentitions, st.floats(0, 1))
def test_a_successor_never_stands_beside_its_deciduous_tooth(entry: Dentition, fraction: float) -> None:
    out = {str(tooth.name) for tooth in expected_state(entry, fraction) if tooth.phase in ("erupting", "erupted")}
    assert not [name for name in out if not name.startswith("d") and "d" + name in out]


@pytest.mark.parametrize("fraction", [-0.01, 1.01, float("nan")])
def test_a_fraction_outside_the_order_is_refused(fraction: float) -> None:
    with pytest.raises(OssicleError, match="is no fraction of eruption; give a number from 0 to 1"):
        expected_state(dentition("Canis"), fraction)


def test_mixed_dentition_of_a_juvenile_dog() -> None:
    mixed = dentition("Canis").mixed("juvenile")
    assert mixed == mixed_dentition(dentition("Canis"), "juvenile")
    upper = {str(locus.locus): locus for locus in mixed.loci("upper")}
    assert list(upper) == ["I1", "I2", "I3", "C", "P1", "P2", "P3", "P4", "M1", "M2"]
    assert str(upper["I1"].in_place.name) == "I1"  # type: ignore[union-attr]
    assert str(upper["P4"].in_place.name) == "dP4"  # type: ignore[union-attr]
    assert upper["P4"].successor_in_crypt
    assert upper["P1"].deciduous is None
    assert not upper["P1"].successor_in_crypt
    assert upper["M2"].in_place is None
    assert ("dP4", "P4") in mixed.succession_pairs
    assert ("dc", "c") in mixed.succession_pairs
    assert mixed.basis == "order of eruption of Canis"


def test_mixed_dentition_of_a_juvenile_opossum_has_two_pairs_a_side() -> None:
    # metatherians replace P3 only: one pair in each quadrant
    assert dentition("Didelphis").mixed("juvenile").succession_pairs == (("dP3", "P3"), ("dp3", "p3"))


def test_mixed_dentition_of_a_newborn_shows_the_deciduous_teeth_and_no_molar() -> None:
    newborn = dentition("Canis").mixed("newborn")
    standing = {str(locus.in_place.name) for jaw in JAWS for locus in newborn.loci(jaw) if locus.in_place}
    assert {"dI1", "dC", "dP4", "di3", "dp2"} <= standing
    assert all(name.startswith("d") for name in standing)


def test_mixed_dentition_of_an_adult_has_no_pairs() -> None:
    adult = dentition("Canis").mixed("adult")
    assert adult.succession_pairs == ()
    assert all(str(locus.in_place.name) == str(locus.locus) for locus in adult.upper)  # type: ignore[union-attr]


def test_transient_loci_stand_in_the_mixed_rows() -> None:
    row = dentition("Loxodonta").mixed(0.3).loci("upper")
    assert [str(locus.locus) for locus in row] == ["I2", "dP2", "dP3", "dP4", "M1", "M2", "M3"]
    assert row[1].adult is None
    assert str(row[1].in_place.name) == "dP2"  # type: ignore[union-attr]


@given(dentitions, st.sampled_from(STAGES))
def test_a_mixed_dentition_is_at_the_stage_asked_for(entry: Dentition, stage: Stage) -> None:
    try:
        mixed = mixed_dentition(entry, stage)
    except OssicleError as error:
        sentence = str(error)
    else:
        sentence = ""
        erupted = [
            tooth.name
            for jaw in JAWS
            for locus in mixed.loci(jaw)
            for tooth in (locus.deciduous, locus.adult)
            if tooth is not None and tooth.phase == "erupted"
        ]
        assert growth_stage(entry, erupted, worn=stage == "old").name == stage
    assert not sentence or f"{entry.name} passes no {stage} stage" in sentence


def test_stages_follow_one_another_without_gap() -> None:
    dog = dentition("Canis")
    spans = [stage_span(dog, stage) for stage in ("newborn", "juvenile", "subadult", "adult")]
    assert spans[0][0] == 0.0
    assert spans[-1][1] == 1.0
    assert [last for _, last in spans[:-1]] == [first for first, _ in spans[1:]]
    assert spans == [(0.0, 5 / 12), (5 / 12, 9 / 12), (9 / 12, 1.0), (1.0, 1.0)]
    assert stage_span(dog, "old") == (1.0, 1.0)


def test_stages_that_are_none_are_refused() -> None:
    with pytest.raises(OssicleError, match="no stage is called 'infant'; say newborn, juvenile"):
        stage_span(dentition("Canis"), "infant")  # type: ignore[arg-type]
    with pytest.raises(OssicleError, match="Manis passes no adult stage"):
        stage_span(dentition("Manis"), "adult")
