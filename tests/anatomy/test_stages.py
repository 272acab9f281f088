"""Growth stages by the stated rule and by published tables."""

import pytest

from ossicle.anatomy import (
    JAWS,
    LocusList,
    ToothName,
    dentition,
    from_iso3950,
    growth_stage,
    published_classes,
)
from ossicle.anatomy.stages import StageTable, stage_tables

DOG = dentition("Canis")
OPOSSUM = dentition("Didelphis")


def teeth(text: str) -> list[ToothName]:
    listed = LocusList.parse(text)
    return [*listed.upper, *listed.lower]


MILK = "dI1-3 dC dP2-4 / di1-3 dc dp2-4"
ADULT = "I1-3 C P1-4 M1-2 / i1-3 c p1-4 m1-3"


@pytest.mark.parametrize(
    ("erupted", "stage"),
    [
        ("dI1 / di1", "newborn"),
        (MILK, "newborn"),
        ("dI1-3 dC P1 dP2-4 / di1-3 dc p1 dp2-4", "newborn"),
        ("dI1-3 dC dP2-4 M1 / di1-3 dc dp2-4", "juvenile"),
        ("I1-2 dI3 dC P1 dP2-4 M1 / i1-2 di3 dc p1 dp2-4 m1", "juvenile"),
        # 19 late loci: 9 of them are fewer than half, 10 are not
        ("I1-3 dC P1 dP2-4 M1 / i1-3 dc p1 dp2-4 m1-2", "juvenile"),
        ("I1-3 C P1 dP2-4 M1 / i1-3 dc p1 dp2-4 m1-2", "subadult"),
        ("I1-3 C P1-4 M1-2 / i1-3 c p1-4 m1-2", "subadult"),
        ("I1-3 C P1-3 dP4 M1-2 / i1-3 c p1-4 m1-3", "subadult"),
        (ADULT + " ", "adult"),
    ],
)
def test_stage_of_a_dog(erupted: str, stage: str) -> None:
    assert growth_stage(DOG, teeth(erupted)).name == stage


def test_a_dog_has_nineteen_late_loci() -> None:
    # 21 loci a side less the two unreplaced first premolars
    assert "of 19 loci" in growth_stage(DOG, []).basis


@pytest.mark.parametrize(
    ("erupted", "stage"),
    [
        ("I1-5 C P1-2 dP3 / i1-4 c p1-2 dp3", "newborn"),
        ("I1-5 C P1-2 dP3 M1 / i1-4 c p1-2 dp3 m1-2", "juvenile"),
        ("I1-5 C P1-2 dP3 M1-3 / i1-4 c p1-2 dp3 m1-3", "subadult"),
        ("I1-5 C P1-3 M1-4 / i1-4 c p1-3 m1-4", "adult"),
    ],
)
def test_stage_of_an_opossum(erupted: str, stage: str) -> None:
    assert growth_stage(OPOSSUM, teeth(erupted)).name == stage


def test_a_retained_deciduous_tooth_beside_a_full_set_is_not_yet_adult() -> None:
    found = growth_stage(DOG, [*teeth(ADULT), ToothName.parse("left dC")])
    assert found.name == "subadult"
    assert "deciduous teeth in place: dC" in found.basis


def test_exactly_half_of_the_late_loci_is_subadult() -> None:
    # 16 late loci in Homo
    seven = teeth("I1-2 M1 / i1-2 m1 c") + teeth("dC / dp3")
    assert growth_stage(dentition("Homo"), seven).name == "juvenile"
    assert growth_stage(dentition("Homo"), [*seven, ToothName.parse("p3")]).name == "subadult"


def test_a_permanent_tooth_stands_for_the_deciduous_one_of_its_place_in_tables() -> None:
    codes = [11, 52, 53, 54, 55, 31, 72, 73, 74, 75]
    (found,) = published_classes(dentition("Homo"), [from_iso3950(code) for code in codes])
    assert found.name == "deciduous dentition complete"


def test_old_needs_the_observer() -> None:
    assert growth_stage(DOG, teeth(ADULT), worn=True).name == "old"
    assert growth_stage(DOG, teeth(MILK), worn=True).name == "newborn"
    assert growth_stage(DOG, teeth(ADULT), worn=True).basis.endswith("; crowns worn through")
    assert "worn" not in growth_stage(DOG, teeth(ADULT)).basis


def test_a_missing_tooth_keeps_an_adult_from_being_adult_only_if_it_may_still_come() -> None:
    lost = [tooth for tooth in teeth(ADULT) if str(tooth) != "m3"]
    assert growth_stage(DOG, lost).name == "subadult"
    assert growth_stage(DOG, lost, unfinished=[]).name == "adult"
    assert growth_stage(DOG, lost, unfinished=teeth("m3")).name == "subadult"
    assert growth_stage(DOG, lost, unfinished=[ToothName.parse("left m3")]).name == "subadult"


def test_one_side_stands_for_both() -> None:
    left = [tooth.on("left") for tooth in teeth(ADULT)]
    assert growth_stage(DOG, left).name == "adult"


def test_the_basis_names_the_counts() -> None:
    found = growth_stage(DOG, teeth("dI1-3 dC dP2-4 M1 / m1"))
    assert found.basis == (
        "2 of 19 loci of molars and replacing teeth hold an erupted tooth; "
        "still to come: I1, I2, I3, C, P2, P3, P4, M2, i1, i2, i3, c, p2, p3, p4, m2, m3; "
        "deciduous teeth in place: dC, dI1, dI2, dI3, dP2, dP3, dP4"
    )
    assert found.erupted_share == pytest.approx(2 / 19)
    assert growth_stage(DOG, teeth(ADULT)).basis == (
        "19 of 19 loci of molars and replacing teeth hold an erupted tooth; deciduous teeth in place: none"
    )


def test_a_toothless_animal_has_no_stage() -> None:
    found = growth_stage(dentition("Manis"), [])
    assert found.name is None
    assert found.erupted_share == 0.0
    assert found.basis == "the dentition has neither molars nor replacing teeth to tell a stage by"


@pytest.mark.parametrize(
    ("codes", "name"),
    [
        # human teeth by ISO 3950; the classes are from memory, AlQahtani et al. 2010
        ([51, 61, 71, 81], "first incisors"),
        ([51, 52, 71, 72], "all deciduous incisors"),
        ([51, 52, 53, 54, 55, 71, 72, 73, 74, 75], "deciduous dentition complete"),
        ([51, 52, 53, 54, 55, 71, 72, 73, 74, 75, 16, 46], "first molars"),
        ([11, 52, 53, 54, 55, 31, 72, 73, 74, 75, 16, 36], "central incisors"),
        ([11, 12, 13, 14, 15, 16, 17, 31, 32, 33, 34, 35, 36, 37], "second molars"),
        ([11, 12, 13, 14, 15, 16, 17, 18, 31, 32, 33, 34, 35, 36, 37, 38], "third molars"),
    ],
)
def test_human_classes(codes: list[int], name: str) -> None:
    (found,) = published_classes(dentition("Homo"), [from_iso3950(code) for code in codes])
    assert found.name == name
    assert found.status == "M"
    assert "AlQahtani" in found.source
    assert found.margin == "alveolar"


def test_no_class_is_given_before_the_first_is_reached_or_without_a_table() -> None:
    assert published_classes(dentition("Homo"), []) == ()
    assert published_classes(dentition("Ursus"), teeth(ADULT)) == ()


def test_published_classes_stand_beside_the_rule() -> None:
    found = growth_stage(OPOSSUM, teeth("I1-5 C P1-2 dP3 M1-3 / i1-4 c p1-2 dp3 m1-3"))
    assert [entry.name for entry in found.published] == ["class 4"]
    assert found.published[0].table == "didelphid dental age classes"


@pytest.mark.parametrize("table", stage_tables(), ids=lambda table: table.dentition)
def test_tables_ask_for_more_from_class_to_class(table: StageTable) -> None:
    entry = dentition(table.dentition)
    own = {str(tooth.adult_name) for jaw in JAWS for tooth in entry.loci(jaw)}
    own |= {str(tooth.deciduous_name) for jaw in JAWS for tooth in entry.deciduous_loci(jaw)}
    passed: set[str] = set()
    for name, _, needed in table.classes:
        asked = {str(tooth) for tooth in needed.upper + needed.lower}
        assert asked <= own, name
        now = asked | {"d" + tooth for tooth in asked}
        assert {tooth for tooth in passed if not tooth.startswith("d")} <= now, name
        passed |= asked
    assert table.source
    assert table.status in ("V", "M")


def test_each_class_is_its_own_specimen_s_class() -> None:
    for table in stage_tables():
        for name, age, needed in table.classes:
            found = published_classes(dentition(table.dentition), needed.upper + needed.lower)
            assert [(entry.name, entry.age) for entry in found] == [(name, age)]


def test_a_late_tooth_coming_through_ends_the_newborn_stage() -> None:
    milk = teeth(MILK)
    assert growth_stage(DOG, milk, unfinished=teeth("M1 / m1")).name == "newborn"
    assert growth_stage(DOG, milk, unfinished=teeth("M1 / m1"), erupting=teeth("M1 / m1")).name == "juvenile"
    assert growth_stage(DOG, milk, erupting=teeth("dI1 / di1")).name == "newborn"
