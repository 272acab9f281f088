"""The dentitions: every row against itself, against published formulas, and the rules of replacement."""

import csv
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from ossicle.anatomy import JAWS, Formula, LocusList, TemplateTooth, dentition, load_dentitions
from ossicle.anatomy.dentition_rows import build_dentition
from ossicle.anatomy.templates import MARKS
from ossicle.errors import OssicleError

ALL = load_dentitions()
PUBLISHED = list(
    csv.DictReader((Path(__file__).parent / "published_formulas.csv").read_text(encoding="utf-8").splitlines())
)
"""Hand-collected formulas with their sources; V: read in the source, M: from memory."""


@pytest.mark.parametrize("row", PUBLISHED, ids=lambda row: row["genus"])
def test_published_formulas_and_totals(row: dict[str, str]) -> None:
    found = ALL[row["genus"]]
    text = " ".join(f"{letter}{row[letter]}" for letter in "ICPM") + f" = {row['total']}"
    assert found.formula == Formula.parse(text), row["source"]
    assert found.family == row["family"]
    assert found.status == row["status"]


def rows() -> list[tuple[str, dict[str, Any]]]:
    folder = files("ossicle.anatomy.data") / "dentitions"
    return [
        item
        for file in folder.iterdir()
        if file.name.endswith(".toml")
        for item in tomllib.loads(file.read_text(encoding="utf-8")).items()
    ]


def test_every_row_is_loaded_once() -> None:
    assert sorted(name for name, _ in rows()) == list(ALL)


@pytest.mark.parametrize(("name", "row"), rows(), ids=lambda value: value if isinstance(value, str) else "")
def test_every_row_names_a_source_and_agrees_with_itself(name: str, row: dict[str, Any]) -> None:
    found = ALL[name]
    assert len(found.source) > 15
    assert found.status in MARKS
    assert found.loci_status in MARKS
    assert ("from memory" in found.source) == (found.status == "M")
    assert found.formula == Formula.parse(row["formula"])
    assert found.formula.total == row["total"]
    listed = [LocusList.parse(row[jaw]).row(jaw) if row[jaw] else () for jaw in JAWS]
    assert [tuple(str(tooth) for tooth in found.loci(jaw)) for jaw in JAWS] == [
        tuple(str(tooth) for tooth in teeth) for teeth in listed
    ]


def test_at_least_forty_families_and_all_three_clades() -> None:
    families = {entry.family for entry in ALL.values() if not entry.name.startswith("generic")}
    assert len(families) >= 100
    assert {entry.clade for entry in ALL.values()} == {"placental", "metatherian", "monotreme"}


def names(teeth: tuple[TemplateTooth, ...]) -> str:
    return " ".join(str(tooth) for tooth in teeth)


def test_lost_loci_keep_their_numbers() -> None:
    # methods of the trade: human premolars are P3 P4; the cat's P2 P3 P4 / p3 p4
    assert names(dentition("Homo").loci("upper")) == "I1 I2 C P3 P4 M1 M2 M3"
    assert names(dentition("Felis").loci("upper")) == "I1 I2 I3 C P2 P3 P4 M1"
    assert names(dentition("Felis").loci("lower")) == "i1 i2 i3 c p3 p4 m1"


def test_metatherians_replace_the_last_premolar_only() -> None:
    # van Nievelt & Smith 2005, Paleobiology 31:324; Luckett 1993
    for entry in ALL.values():
        if entry.clade == "metatherian":
            for jaw in JAWS:
                assert {str(tooth).upper() for tooth in entry.loci(jaw) if tooth.replaced} <= {"P3"}
    assert str(dentition("Didelphis").deciduous_formula) == "dI0/0 dC0/0 dP1/1"
    assert dentition("Didelphis").deciduous_formula.total == 4


def test_dasyurus_lost_the_only_replaced_locus() -> None:
    assert dentition("Dasyurus").deciduous_formula.total == 0
    assert names(dentition("Dasyurus").loci("upper")) == "I1 I2 I3 I4 C P1 P2 M1 M2 M3 M4"


@pytest.mark.parametrize(
    ("genus", "deciduous"),
    [
        # ISO 3950: 20 deciduous human teeth
        ("Homo", "dI2/2 dC1/1 dP2/2 = 20"),
        # veterinary anatomy, common practice: dog 28, cat 26, ruminants 20, pig 28, horse 24
        ("Canis", "dI3/3 dC1/1 dP3/3 = 28"),
        ("Felis", "dI3/3 dC1/1 dP3/2 = 26"),
        ("Bos", "dI0/3 dC0/1 dP3/3 = 20"),
        ("Sus", "dI3/3 dC1/1 dP3/3 = 28"),
        ("Equus", "dI3/3 dC0/0 dP3/3 = 24"),
        ("Macaca", "dI2/2 dC1/1 dP2/2 = 20"),
        # Fenton 1970 (value from memory): 22 deciduous teeth in Myotis
        ("Myotis", "dI2/3 dC1/1 dP2/2 = 22"),
        ("Mus", "dI0/0 dC0/0 dP0/0 = 0"),
    ],
)
def test_deciduous_formulas(genus: str, deciduous: str) -> None:
    assert dentition(genus).deciduous_formula == Formula.parse(deciduous)


def test_the_first_premolar_of_a_dog_has_one_generation() -> None:
    # McKay et al. 2022, Vertebrate Zoology 72: canids have a permanent P1 without a deciduous forerunner
    first = next(tooth for tooth in dentition("Canis").loci("upper") if str(tooth) == "P1")
    assert not first.replaced
    assert first.generations == ("unreplaced",)
    assert first.deciduous_name is None
    assert first.adult_name is not None
    assert first.adult_name.generation == "unreplaced"


def test_generations_of_each_kind_of_locus() -> None:
    assert TemplateTooth("premolar", 4, True).generations == ("deciduous", "permanent")
    assert TemplateTooth("molar", 1, False).generations == ("permanent",)
    assert TemplateTooth("incisor", 1, False).generations == ("unreplaced",)
    transient = TemplateTooth("premolar", 2, False, "lower", transient=True)
    assert transient.generations == ("deciduous",)
    assert transient.adult_name is None
    assert str(transient) == "dp2"
    assert str(transient.deciduous_name) == "dp2"


def test_transient_teeth_stand_among_the_deciduous_ones_only() -> None:
    elephant = dentition("Loxodonta")
    assert names(elephant.loci("lower")) == "m1 m2 m3"
    assert names(elephant.deciduous_loci("lower")) == "dp2 dp3 dp4"
    assert names(elephant.deciduous_loci("upper")) == "I2 dP2 dP3 dP4"
    assert str(elephant.deciduous_formula) == "dI1/0 dC0/0 dP3/3"


def test_gnawing_incisors_grow_throughout_life() -> None:
    gnawers = [entry for entry in ALL.values() if entry.order in ("Rodentia", "Lagomorpha")]
    assert len(gnawers) >= 20
    for entry in gnawers:
        for jaw in JAWS:
            first = entry.loci(jaw)[0]
            assert (first.tooth_class, first.position, first.continuous, first.replaced) == (
                "incisor",
                1,
                True,
                False,
            )
    assert not any(tooth.continuous for jaw in JAWS for tooth in dentition("Canis").loci(jaw))


def test_a_genus_may_have_two_totals_for_two_stages() -> None:
    # British Museum (Natural History) 1892, Guide to the Mammalia, p. 100: 34 when full, adult 28
    assert dentition("Macropus").formula.total == 34
    assert dentition("Macropus").applies_to == "all teeth that develop, not one stage"
    assert dentition("Macropus (adult)").formula.total == 28
    assert dentition("Macropus (adult)").applies_to == "adult"


def test_toothless_families_have_no_loci() -> None:
    for genus in ("Myrmecophaga", "Manis", "Tachyglossus", "Ornithorhynchus"):
        assert dentition(genus).formula.total == 0
        assert dentition(genus).loci("upper") == dentition(genus).loci("lower") == ()


def test_the_caenolestid_count_has_a_variant() -> None:
    # Encyclopaedia Britannica, 14th ed.: 46 or 48
    assert [
        dentition("Caenolestes").formula.total,
        *(v.total for v in dentition("Caenolestes").variants),
    ] == [46, 48]


def test_names_are_found_whatever_the_case_and_unknown_ones_refused() -> None:
    assert dentition(" canis ") is ALL["Canis"]
    with pytest.raises(OssicleError, match="no dentition is called 'Smilodon'"):
        dentition("Smilodon")


def test_the_generic_templates_hold_the_largest_usual_numbers() -> None:
    assert str(ALL["generic placental"].formula) == "I3/3 C1/1 P4/4 M3/3"
    assert str(ALL["generic metatherian"].formula) == "I5/4 C1/1 P3/3 M4/4"


GOOD: dict[str, Any] = {
    "family": "Testidae",
    "order": "Testa",
    "clade": "placental",
    "upper": "I1 P4 M1",
    "lower": "i1 m1",
    "formula": "1.0.1.1/1.0.0.1",
    "total": 10,
    "status": "M",
    "loci_status": "M",
    "source": "a test",
}


def test_a_good_row_is_built() -> None:
    made = build_dentition("Testa", {**GOOD, "unreplaced": "I1", "continuous": "i1", "transient": "dp4"})
    assert [(str(t), t.replaced, t.continuous) for t in made.upper + made.lower] == [
        ("I1", False, False),
        ("P4", True, False),
        ("M1", False, False),
        ("i1", True, True),
        ("m1", False, False),
    ]
    assert [str(t) for t in made.transient] == ["dp4"]
    assert made.applies_to == "adult"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            {"formula": "1.0.1.2/1.0.0.1"},
            "the loci give I1/1 C0/0 P1/0 M1/1 but the formula is I1/1 C0/0 P1/0 M2/1",
        ),
        ({"total": 12}, "the loci give 10 teeth but the total is 12"),
        ({"source": " "}, "the row names no source"),
        ({"clade": "bird"}, "'bird' is none of placental, metatherian, monotreme"),
        ({"status": "X"}, "'X' is none of V, M"),
        ({"loci_status": ""}, "'' is none of V, M"),
        ({"unreplaced": "P1"}, "P1 is called unreplaced but is not in the row"),
        ({"continuous": "I2"}, "I2 is called continuous but is not in the row"),
        ({"replaced": "P3"}, "P3 is called replaced but is not in the row"),
        ({"replaced": "M1"}, "M1 is called replaced but molars are not"),
        ({"transient": "P3"}, "P3 is called transient but is not deciduous"),
        ({"upper": "P4 I1 M1"}, "the upper loci are not in order from front to back"),
        ({"lower": "m1 i1"}, "the lower loci are not in order from front to back"),
        ({"upper": "I1 P4 M1 m2"}, "the upper loci name m2 of the lower jaw"),
        ({"colour": "white"}, "the row has unknown fields colour"),
    ],
)
def test_a_row_that_contradicts_itself_is_refused(change: dict[str, Any], said: str) -> None:
    with pytest.raises(OssicleError) as caught:
        build_dentition("Testa", {**GOOD, **change})
    assert said in str(caught.value)
    assert str(caught.value).startswith("dentition Testa: ")


@pytest.mark.parametrize("field", sorted(GOOD))
def test_a_row_without_a_needed_field_is_refused(field: str) -> None:
    row = {key: value for key, value in GOOD.items() if key != field}
    with pytest.raises(OssicleError, match=f"the row has no field {field}"):
        build_dentition("Testa", row)
