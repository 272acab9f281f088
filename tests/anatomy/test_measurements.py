"""Definitions of measurements, against the hand-collected list."""

import pytest

from ossicle.anatomy import load_measurements, measurement
from ossicle.errors import OssicleError


def test_the_list_is_whole_and_every_definition_names_its_source() -> None:
    found = load_measurements()
    assert len(found) == 25
    assert len({definition.name for definition in found.values()}) == 25
    for identifier, definition in found.items():
        assert definition.id == identifier
        assert identifier.replace("_", "").isalnum()
        assert definition.definition
        assert definition.source
        assert definition.unit == "mm"
        assert len(definition.marks) == (2 if definition.ends else 0) == len(set(definition.marks))
        assert definition.status == ("M" if "memory" in definition.source else "V")


@pytest.mark.parametrize(
    ("name", "text", "source"),
    [
        # two definitions of one length: the reason for identifiers
        (
            "condylobasal length",
            "hindmost of the occipital condyles to the foremost of the premaxillae",
            "Hall 1951",
        ),
        (
            "condylobasal length (alveolar form)",
            "hindmost of the condyles to the socket of the median incisor",
            "USGS glossary",
        ),
        ("basilar length of Hensel", "front of foramen magnum to hind margins of I1 alveoli", "Hall 1951"),
        (
            "greatest length of skull",
            "most anterior to most posterior point, teeth excluded",
            "USGS glossary",
        ),
    ],
)
def test_published_definitions(name: str, text: str, source: str) -> None:
    found = measurement(name)
    assert (found.definition, found.source) == (text, source)


def test_found_by_identifier_or_name_whatever_the_case() -> None:
    assert measurement("Zygomatic  Breadth") is measurement("zygomatic_breadth")


def test_an_unknown_measurement_is_refused() -> None:
    with pytest.raises(OssicleError, match="no measurement is called 'girth'"):
        measurement("girth")


def test_every_definition_has_its_rules() -> None:
    for definition in load_measurements().values():
        assert definition.plane
        assert definition.sides in ("single", "paired")
        assert definition.ends or definition.definition == "see source"
