"""Spotters: what is asked is shown and sure, right answers count and wrong ones do not, the key is apart."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import pypdfium2
import pytest

from ossicle.cli import main
from ossicle.compare import Compared
from ossicle.errors import OssicleError
from ossicle.publish.sheets import Table
from ossicle.publish.spotter import key_blocks, plain, questions, spotter_page
from ossicle.publish.stage import Stage, stage_of


@pytest.fixture(scope="session")
def stage(specimen: Compared) -> Stage:
    return stage_of(specimen, 8000)


@pytest.mark.parametrize("level", ["easy", "middling", "hard"])
@pytest.mark.parametrize("chosen", [True, False])
def test_every_question_can_be_answered(stage: Stage, level: str, chosen: bool) -> None:
    asked = questions(stage, level, 10, 3, chosen=chosen)  # type: ignore[arg-type]
    assert asked
    for q in asked:
        assert stage.looks(q.view)[q.part] == "solid"
        assert plain(q.said) in q.accepted
        tooth = stage.teeth.get(q.part)
        if level != "hard" and tooth is not None:
            assert tooth.emergence != "in_crypt"
        if chosen:
            assert len(set(q.choices)) == len(q.choices) >= 2
            assert sum(plain(c) in q.accepted for c in q.choices) == 1
        else:
            assert q.choices == ()
        assert q.why
    assert asked == questions(stage, level, 10, 3, chosen=chosen)  # type: ignore[arg-type]
    assert asked != questions(stage, level, 10, 4, chosen=chosen)  # type: ignore[arg-type]


def test_answers_of_the_trade_count(stage: Stage) -> None:
    asked = questions(stage, "hard", 60, 1, chosen=False)
    (one,) = [q for q in asked if q.said == "left upper dP3"]
    for said in ("Left upper dP3", "upper left DP3", "upper dP3", "left upper deciduous premolar 3"):
        assert plain(said) in one.accepted
    for said in ("left upper P3", "left lower dp3", "dP4", ""):
        assert plain(said) not in one.accepted


def test_synonyms_of_a_term_count(specimen: Compared) -> None:
    from ossicle.anatomy import load_terms

    term = next(t for t in load_terms().values() if t.synonyms)
    account = specimen.account
    bone = replace(account.parts[0], term=term.name, side="left")
    stage = stage_of(replace(specimen, account=replace(account, parts=(bone,), teeth=(), findings=())), 4000)
    (one,) = questions(stage, "easy", 5, 1, chosen=False)
    assert plain(term.synonyms[0]) in one.accepted
    assert plain(f"left {term.synonyms[0]}") in one.accepted


def test_what_is_uncertain_is_not_asked(specimen: Compared) -> None:
    account = specimen.account
    unsure = tuple(replace(t, confidence=0.5) for t in account.teeth)
    parts = tuple(p for p in account.parts if p.kind == "tooth")
    stage = stage_of(replace(specimen, account=replace(account, teeth=unsure, parts=parts)), 4000)
    with pytest.raises(OssicleError, match="known well enough"):
        questions(stage, "hard", 5, 1, chosen=True)


def test_the_page_names_nothing_before_it_is_answered(stage: Stage) -> None:
    asked = questions(stage, "middling", 4, 2, chosen=True)
    page = spotter_page(stage, asked, "Spotter", "")
    found = re.search(r'id="lesson-data">(.*?)</script>', page, re.S)
    assert found is not None
    data = json.loads(found.group(1))
    assert data["kind"] == "spotter"
    assert all(s["labels"] == [] and s["ask"] is not None for s in data["steps"])
    assert all(q.said not in s["title"] + s["html"] for q, s in zip(asked, data["steps"], strict=True))


def test_the_key_is_apart(stage: Stage, folder: Path, tmp_path: Path) -> None:
    asked = questions(stage, "hard", 5, 1, chosen=False)
    table = next(b for b in key_blocks(stage.specimen, asked, "x") if isinstance(b, Table))
    assert [row[2] for row in table.rows] == [q.said for q in asked]
    out, key = tmp_path / "s.html", tmp_path / "k.pdf"
    words = ["--level", "easy", "--questions", "3", "--triangles", "5000", "--key", str(key), "--out", str(out)]
    assert main(["spotter", str(folder), *words]) == 0
    text = pypdfium2.PdfDocument(key.read_bytes())[0].get_textpage().get_text_range()
    assert "Key:" in text
    assert main(["spotter", str(folder), "--out", str(out), "--key", str(tmp_path / "k.doc")]) == 2
