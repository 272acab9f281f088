"""The commands characters, score and matrix on a small collection, drawn by hand."""

from __future__ import annotations

import json
from pathlib import Path

import commonnexus
import dendropy
from desk_world import Drawing, make
from test_matrix import as_commonnexus, as_dendropy

from ossicle.anatomy.characters import load_characters
from ossicle.publish.matrix import read_nexus


def test_characters_are_listed(run) -> None:  # type: ignore[no-untyped-def]
    told = run("characters")
    assert told.code == 0
    assert "stapes_form: Stapes" in told.out
    assert "Bull. AMNH 322, character 81" in told.out
    assert len(json.loads(run("characters", "--json").out)) >= 40
    assert "loci(jaw, class)" in run("characters", "--facts").out


def test_a_person_scores_and_all_is_kept(run, cabinet: Path) -> None:  # type: ignore[no-untyped-def]
    shown = json.loads(run("score", "OTC 1", "--in", cabinet, "--json").out)
    assert {c["character"]: c["text"] for c in shown}["upper_incisor_number"] == "3"
    said = run(
        "score", "OTC 1", "--in", cabinet, "--character", "upper_incisor_number", "--state", "2", "--why", "one lost"
    )
    assert said.code == 0
    assert said.out.startswith(
        "Upper incisors, number of loci on a side: 2 (amended). A. Reader scores two (one lost)."
    )
    assert "The rule says 3" in said.out
    assert "scored upper_incisor_number as 2 (one lost)" in run("history", "OTC 1", "--in", cabinet).out
    run("score", "OTC 1", "--in", cabinet, "--character", "stapes_form", "--state", "0", "--why", "two crura")
    (stapes,) = json.loads(run("score", "OTC 1", "--in", cabinet, "--character", "stapes_form", "--json").out)
    assert (stapes["text"], stapes["standing"], stapes["by"]) == ("0", "amended", ["A. Reader"])
    account = run("account", "OTC 1", "--in", cabinet, "--json").out
    assert "stapes_form" not in account


def test_wrong_scores_are_told_in_a_sentence(run, cabinet: Path) -> None:  # type: ignore[no-untyped-def]
    for words, says in (
        (("--character", "stapes_form", "--state", "7"), "'7' is no state"),
        (("--character", "stapes", "--state", "0"), "did you mean stapes_form?"),
        (("--state", "0"), "no character"),
        (("--character", "stapes_form", "--state", "0", "--expect", "9"), "since you looked"),
    ):
        told = run("score", "OTC 1", "--in", cabinet, *words)
        assert told.code == 2
        assert says in told.sentence
    assert run("score", "OTC 2", "--in", cabinet).code == 2  # not read


def test_a_matrix_is_written_gone_on_with_and_pooled(run, cabinet: Path, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    out = tmp_path / "matrix"
    told = run("matrix", "--in", cabinet, "--out", out)
    assert told.code == 0
    assert "1 rows" in told.out
    assert (out / "accounts" / "OTC-1.html").is_file()
    assert 'href="accounts/OTC-1.html#f-tooth-upper-left-I1"' in (out / "matrix.html").read_text(encoding="utf-8")
    read = read_nexus(out / "matrix.nex")
    assert [r.label for r in read.rows] == ["OTC 1"]
    export = tmp_path / "other"
    assert run("account", "OTC 1", "--in", cabinet, "--json", "--out", tmp_path / "account.json").code == 0
    export.mkdir()
    (tmp_path / "account.json").rename(export / "account.json")
    again = run("matrix", export, "--from", out / "matrix.nex", "--out", tmp_path / "more")
    assert again.code == 0
    assert [r.label for r in read_nexus(tmp_path / "more" / "matrix.nex").rows] == ["OTC 1", "other"]
    pooled = run("matrix", "--in", cabinet, "--pool", "--only", "upper_canine")
    assert "'Fictus sketchi (invented)'" in pooled.out
    assert run("matrix", "--from", tmp_path / "none.nex").code == 2
    assert run("matrix").code == 2


def test_decisions_on_several_specimens_pool_into_a_taxon(run, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    """What persons say of specimens of one taxon, as two readers of NEXUS that are not ours find it."""
    cabinet = make(tmp_path, [Drawing(f"OTC {n}", folder=str(n)) for n in (1, 2)])
    for number, character, state in (
        ("OTC 1", "stapes_form", "0"), ("OTC 2", "stapes_form", "1"),  # they differ: polymorphic
        ("OTC 1", "upper_incisor_number", "2"),  # the rule says 3 of both
        ("OTC 1", "zygomatic_arch", "{01}"), ("OTC 2", "zygomatic_arch", "1"),  # open in one, told by the other
        ("OTC 1", "lower_canine", "-"), ("OTC 2", "lower_canine", "?"),
    ):  # fmt: skip
        words = ["score", number, "--in", cabinet, "--character", character, "--state", state, "--why", "seen"]
        assert run(*words).code == 0, (number, character)
    assert run("matrix", "--in", cabinet, "--pool", "--out", tmp_path / "matrix").code == 0
    text = (tmp_path / "matrix" / "matrix.nex").read_text(encoding="utf-8")
    pooled = {"stapes_form": "(01)", "upper_incisor_number": "(23)", "zygomatic_arch": "1", "lower_canine": "-"}
    names = list(load_characters())
    (row,) = commonnexus.Nexus(text).characters.get_matrix().values()
    assert {key: as_commonnexus([*row.values()][names.index(key)]) for key in pooled} == pooled
    (taxon,) = dendropy.StandardCharacterMatrix.get(data=text, schema="nexus").vectors()
    assert {key: as_dendropy(taxon[names.index(key)]) for key in pooled} == pooled
    assert "0: OTC 1; 1: OTC 2." in (tmp_path / "matrix" / "matrix.html").read_text(encoding="utf-8")


def test_human_remains_stay(run, cabinet: Path, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    assert run("describe", "OTC 1", "--in", cabinet, "--term", "humanRemains=yes").code == 0
    told = run("matrix", "--in", cabinet, "--out", tmp_path / "matrix")
    assert told.code == 2
    assert "human remains" in told.sentence
    assert not (tmp_path / "matrix" / "matrix.nex").exists()
