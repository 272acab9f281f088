"""Terms against the facts: UBERON identifiers as published by UBERON (CC BY 3.0)."""

import re

import pytest

from ossicle.anatomy import load_terms, term
from ossicle.errors import OssicleError

# read in UBERON; value and label beside each other, so that a shifted row cannot pass
FACTS = {
    "premaxilla": "UBERON:0002244",
    "maxilla": "UBERON:0002397",
    "dentary": "UBERON:0004742",
    "mandible": "UBERON:0001684",
    "angular process of mandible": "UBERON:0006959",
    "condylar process of mandible": "UBERON:0004657",
    "coronoid process of mandible": "UBERON:0004660",
    "petrosal": "UBERON:0018348",
    "otic capsule": "UBERON:0004637",
    "alisphenoid": "UBERON:0006721",
    "squamosal": "UBERON:0001695",
    "tympanic ring (ectotympanic)": "UBERON:0002218",
    "auditory bulla": "UBERON:0008959",
    "entotympanic": "UBERON:0013190",
    "stapes": "UBERON:0001687",
    "incus": "UBERON:0001688",
    "malleus": "UBERON:0001689",
    "oval window": "UBERON:0002501",
    "round window": "UBERON:0002502",
    "bony labyrinth": "UBERON:0001839",
    "cochlea": "UBERON:0001844",
    "incisive foramen": "UBERON:0012315",
    "foramen magnum": "UBERON:0003687",
    "calcareous tooth": "UBERON:0001091",
    "incisor": "UBERON:0001098",
    "canine": "UBERON:0003674",
    "premolar": "UBERON:0007120",
    "molar": "UBERON:0003655",
    "deciduous tooth": "UBERON:0007115",
    "permanent tooth": "UBERON:0007775",
    "enamel": "UBERON:0001752",
    "dentine": "UBERON:0001751",
    "tooth socket": "UBERON:0003686",
}


@pytest.mark.parametrize(("name", "uberon"), FACTS.items())
def test_terms_carry_their_identifier(name: str, uberon: str) -> None:
    assert term(name).uberon == uberon
    assert term(uberon).name == name


def test_identifiers_are_well_formed_and_used_once() -> None:
    identifiers = [entry.uberon for entry in load_terms().values() if entry.uberon]
    assert len(identifiers) >= 50
    assert all(re.fullmatch(r"UBERON:\d{7}", identifier) for identifier in identifiers)
    assert len(set(identifiers)) == len(identifiers)


@pytest.mark.parametrize(
    ("word", "name"),
    [
        ("tooth", "calcareous tooth"),
        ("Fenestra  Ovalis", "oval window"),
        ("ectotympanic", "tympanic ring (ectotympanic)"),
        ("jugal", "jugal (zygomatic)"),
        ("alveolus", "tooth socket"),
        ("dentin", "dentine"),
        ("uberon:0001687", "stapes"),
        ("upper tooth row", "upper tooth row"),
        ("interpalatal vacuity", "interpalatal vacuity"),
    ],
)
def test_synonyms_case_and_spaces(word: str, name: str) -> None:
    assert term(word).name == name


def test_a_word_stands_for_one_term_only() -> None:
    words: dict[str, str] = {}
    for entry in load_terms().values():
        for word in (entry.name, *entry.synonyms):
            assert words.setdefault(word.casefold(), entry.name) == entry.name


def test_parts_without_an_identifier_say_why() -> None:
    own = [entry for entry in load_terms().values() if entry.uberon is None]
    assert own
    assert all(len(entry.source) > 15 and "UBERON" not in entry.source for entry in own)
    assert all(entry.status in ("V", "M") for entry in load_terms().values())


def test_an_unknown_word_is_refused() -> None:
    with pytest.raises(OssicleError, match="no part is called 'gizmo'; use a term of the list"):
        term("gizmo")
