"""Naming schemes: translation tables both ways."""

import pytest

from ossicle.anatomy import ToothName, counted_scheme, dentition, load_schemes, scheme
from ossicle.errors import OssicleError


@pytest.mark.parametrize(
    ("name", "here", "there"),
    [
        # Thomas 1888: the last metatherian premolar is P4
        ("Thomas 1888", "P3", "P4"),
        ("Thomas 1888", "p3", "p4"),
        ("Thomas 1888", "dP3", "dP4"),
        ("Thomas 1888", "P2", "P3"),
        ("Thomas 1888", "P1", "P1"),
        ("Thomas 1888", "M4", "M4"),
        # Archer 1978 (value from memory): the deciduous premolar is the first of five molars
        ("Archer 1978", "dp3", "m1"),
        ("Archer 1978", "M1", "M2"),
        ("Archer 1978", "M4", "M5"),
        ("Archer 1978", "P3", "P3"),
        # human dentistry, common practice
        ("human clinical", "P3", "P1"),
        ("human clinical", "p4", "p2"),
        ("human clinical", "dP4", "dM2"),
        ("human clinical", "C", "C"),
        # ruminants and horses, common practice
        ("veterinary deciduous molars", "dp2", "dm1"),
        ("veterinary deciduous molars", "dP4", "dM3"),
    ],
)
def test_translation_both_ways(name: str, here: str, there: str) -> None:
    found = scheme(name)
    assert found.to_scheme(ToothName.parse(here)) == there
    assert str(found.from_scheme(there)) == here


def test_old_names_come_in_any_spelling() -> None:
    assert str(scheme("thomas 1888").from_scheme("Pm⁴")) == "P3"
    assert str(scheme("thomas 1888").from_scheme("DP 4")) == "dP3"


def test_the_older_names_of_the_cat_s_premolars() -> None:
    cat = counted_scheme(dentition("Felis"))
    assert [cat.to_scheme(ToothName.parse(text)) for text in ("P2", "P3", "P4", "p3", "p4")] == [
        "P1",
        "P2",
        "P3",
        "p1",
        "p2",
    ]
    assert str(cat.from_scheme("p1")) == "p3"
    assert str(cat.from_scheme("dP3")) == "dP4"
    assert str(cat.from_scheme("P3")) == "P4"
    assert cat.to_scheme(ToothName.parse("M1")) == "M1"


def test_counted_incisors() -> None:
    bat = counted_scheme(dentition("Myotis"))
    assert bat.to_scheme(ToothName.parse("I2")) == "I1"
    assert bat.to_scheme(ToothName.parse("i2")) == "i2"


def test_names_a_scheme_does_not_have_are_refused() -> None:
    with pytest.raises(OssicleError, match="Archer 1978 does not use the name 'dP3'"):
        scheme("Archer 1978").from_scheme("dP3")
    with pytest.raises(OssicleError, match="Thomas 1888 has no name for P4"):
        scheme("Thomas 1888").to_scheme(ToothName.parse("P4"))
    with pytest.raises(OssicleError, match="this is not the name of a tooth"):
        scheme("Thomas 1888").from_scheme("tusk")
    with pytest.raises(OssicleError, match="no naming scheme is called 'Nobody 1900'; use one of Thomas 1888"):
        scheme("Nobody 1900")


def test_every_scheme_names_a_source_and_is_one_to_one() -> None:
    for found in load_schemes().values():
        assert found.source
        assert found.status in ("V", "M")
        assert len(set(found.upper.values())) == len(found.upper)


@pytest.mark.parametrize("genus", ["Didelphis", "Felis", "Myotis", "Homo", "Bos", "Camelus"])
def test_every_tooth_of_a_dentition_translates_both_ways_when_counted(genus: str) -> None:
    entry = dentition(genus)
    counted = counted_scheme(entry)
    for jaw in ("upper", "lower"):
        for locus in entry.loci(jaw):
            for tooth in (locus.adult_name, locus.deciduous_name):
                if tooth is not None:
                    assert str(counted.from_scheme(counted.to_scheme(tooth))) == str(tooth)
