"""The list of characters as data, and characters of one's own."""

from __future__ import annotations

from pathlib import Path

import pytest

from ossicle.anatomy.characters import FACTS, load_characters, parse_characters, read_characters
from ossicle.anatomy.rules import Span, parse_rule
from ossicle.errors import OssicleError

OWN = """
[nasal_width]
name = "Nasals, width behind"
states = ["narrow", "wide"]
source = "our own, no source"
when = ["measure('nasal_length') < 10", "measure('nasal_length') >= 10"]
"""


def test_there_are_forty_and_each_has_a_source_with_a_year() -> None:
    known = load_characters()
    assert len(known) >= 40
    assert sum(c.computed for c in known.values()) >= 25
    for c in known.values():
        assert any(word[:4].isdigit() and 1800 < int(word[:4]) < 2030 for word in c.source.split()), c.id
        assert c.status in ("V", "M")
        assert len(set(c.states)) == len(c.states) >= 2
        assert not c.number or c.status == "V", f"{c.id}: a number that was not read in the source"


def test_thresholds_of_ours_are_told() -> None:
    for c in load_characters().values():
        factor = any("* 0." in w.text or "* 1." in w.text for w in c.when)
        assert not factor or "ours" in c.note, c.id


def test_every_fact_is_asked_for_or_explained_and_of_that_name() -> None:
    for name, said in FACTS.items():
        assert said.startswith(f"{name}(")


@pytest.mark.parametrize("jaw", ["upper", "lower"])
@pytest.mark.parametrize("kind", ["incisor", "premolar", "molar"])
def test_a_count_falls_into_one_state_and_only_one(jaw: str, kind: str) -> None:
    character = load_characters()[f"{jaw}_{kind}_number"]
    for count in range(9):
        facts = {"loci": lambda *_, n=count: Span(n, n)}
        truths = [parse_rule(w.text, FACTS).truth(facts) for w in character.when]
        assert truths.count(True) == 1
        assert truths.index(True) == min(count, len(truths) - 1)


def test_own_characters_are_added(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(OWN)
    known = read_characters(file)
    assert known["nasal_width"].computed
    assert set(known) == {*load_characters(), "nasal_width"}


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("nasal_width", "Nasal-Width"), "no identifier"),
        (('["narrow", "wide"]', '["narrow"]'), "list of 2 to 10"),
        (('source = "our own, no source"', ""), "the source is missing"),
        (("when = [", "when = ['True', "), "one rule for each state"),
        (("measure('nasal_length') < 10", "__import__('os')"), "no fact"),
        (('name = "', 'nam = "'), "no field 'nam'"),
        (("[nasal_width]", "[nasal_width"), "not TOML"),
        (('source = "our own, no source"', 'source = "x"\nper = "tail"'), "per is 'tail'"),
    ],
)
def test_a_wrong_file_is_told_with_its_place(change: tuple[str, str], says: str) -> None:
    with pytest.raises(OssicleError, match=says) as told:
        parse_characters(OWN.replace(*change), "mine.toml")
    assert "mine.toml" in told.value.sentence()
