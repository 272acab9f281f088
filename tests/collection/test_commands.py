"""The commands of the collection, and the example of the documentation."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from cli_tools import Run
from sketch import SHAPE, sketch_reading
from stacks import write_scan

from ossicle.collection import Collection

DOCS = Path(__file__).parents[2] / "docs" / "collection.md"


@pytest.fixture
def held(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run) -> Path:
    """A collection with a specimen OTC 12 that was read; the reading is the sketch of the account's tests."""
    drawn = sketch_reading()
    monkeypatch.setattr("ossicle.reading.read", lambda volume, spacing, **_: drawn)
    values = np.random.default_rng(0).integers(0, 900, SHAPE, np.uint16)
    source = write_scan(tmp_path / "juvenile", values=values)
    folder = tmp_path / "cabinet"
    done: Run = run(
        "intake", source, "--into", folder, "--term", "catalogNumber=OTC 12", "--term", "lifeStage=juvenile",
        "--who", "A. Reader",
    )  # fmt: skip
    assert (done.code, done.out) == (0, "OTC 12: taken in (juvenile)\n")
    with Collection.open(folder) as cabinet:
        cabinet.work_on(cabinet.queue("OTC 12", threads=1).id)
    return folder


def test_the_round_of_a_person(held: Path, run, tmp_path: Path) -> None:
    assert "OTC 12" in run("list", held, "juvenile").out
    assert json.loads(run("list", held, "nothing", "--json").out)["total"] == 0
    shown = run("show", "OTC 12", "--in", held)
    assert "136 x 92 x 76 voxels of 0.25 x 0.25 x 0.25 mm" in shown.out
    assert "Reading 1:" in shown.out
    assert json.loads(run("show", "#1", "--in", held, "--json").out)["catalog_number"] == "OTC 12"

    who = ("--in", held, "--who", "A. Reader")
    made = run(
        "decide", "OTC 12", "rename", *who, "--tooth", "upper-left/dP3", "--name", "dP2", "--why", "first in row"
    )
    assert made.out == "Decision 1: A. Reader called the left upper dP3 dP2.\n"
    joined = run("decide", "OTC 12", "join", *who, "--tooth", "upper-left/M1", "--tooth", "upper-left/M2")
    assert "It awaits a new reading: ossicle read 'OTC 12'" in joined.out
    refused = run("decide", "OTC 12", "agree", *who, "--finding", "formula/counts", "--expect", "1")
    assert (refused.code, "one decision was made since you looked (2 by A. Reader" in refused.sentence) == (2, True)
    assert run("decide", "OTC 12", "amend", *who, "--finding", "stage/eruption", "--value", '"subadult"').code == 0
    undone = run("decide", "OTC 12", "undo", *who, "--decision", "2", "--json")
    assert json.loads(undone.out)["target"] == 2

    told = run("history", "OTC 12", "--in", held)
    assert "A. Reader called the left upper dP3 dP2 (first in row)" in told.out
    assert "[undone]" in told.out
    assert told.out.endswith("4 decisions\n")
    assert len(json.loads(run("history", "OTC 12", "--in", held, "--since", "3", "--json").out)) == 1
    assert "Cohen's kappa" in run("history", "OTC 12", "--in", held, "--between", "A. Reader", "B. Reader").out
    assert run("history", "OTC 12", "--in", held, "--readings", "1", "1").out.endswith("0 changes\n")

    account = " ".join(run("account", "OTC 12", "--in", held).out.split())
    assert "amended by A. Reader to subadult" in account
    page = run("account", "OTC 12", "--in", held, "--format", "html", "--out", tmp_path / "page.html")
    assert page.code == 0
    assert "<svg" in (tmp_path / "page.html").read_text(encoding="utf-8")
    assert run("describe", "OTC 12", "--in", held, "--term", "sex=female", "--version", "1").code == 0
    late = run("describe", "OTC 12", "--in", held, "--term", "sex=male", "--version", "1")
    assert (late.code, "since you looked (version 1, now 2)" in late.sentence) == (2, True)
    data = run("history", "OTC 12", "--in", held, "--catalogue-data").out
    assert re.search(r"^version +2  .*: sex was nothing, is female$", data, re.MULTILINE)
    assert json.loads(run("jobs", held, "--json").out)[0]["state"] == "done"
    sound = run("check", held)
    assert (sound.code, sound.out.splitlines()[-1]) == (0, "The collection is sound.")


def test_human_remains_are_not_written_out(held: Path, run, tmp_path: Path) -> None:
    run("describe", "OTC 12", "--in", held, "--term", "humanRemains=yes")
    blocked = run("account", "OTC 12", "--in", held, "--out", tmp_path / "a.txt")
    assert (blocked.code, "lacks remainsConsent" in blocked.sentence) == (2, True)
    assert not (tmp_path / "a.txt").exists()
    assert run("account", "OTC 12", "--in", held).code == 0  # to be looked at
    for form in ("json", "html", "csv"):
        assert "lacks remainsConsent" in run("account", "OTC 12", "--in", held, "--format", form).sentence
    read = run("read", "OTC 12", "--in", held, "--out", tmp_path / "folder")
    assert (read.code, "lacks remainsConsent" in read.sentence) == (2, True)
    with Collection.open(held) as cabinet:
        assert len(cabinet.jobs()) == 1  # told before long work


def test_read_in_a_collection_writes_the_folder_of_the_account(
    held: Path, run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def here(self: Collection, handle: str, **_: object):
        self.work_on(self.queue(handle, threads=1).id)
        return self.readings(handle)[-1]

    monkeypatch.setattr(Collection, "read", here)  # a process of its own would not see the sketch
    run("decide", "OTC 12", "rename", "--in", held, "--tooth", "upper-left/dP3", "--name", "dP2")
    done = run("read", "OTC 12", "--in", held, "--out", tmp_path / "folder", "--json")
    assert done.code == 0
    kept = json.loads((tmp_path / "folder" / "account.json").read_text(encoding="utf-8"))
    assert [t["decided_by"] for t in kept["teeth"]].count("person") == 1
    assert (tmp_path / "folder" / "parts.nii.gz").is_file()


def test_a_fault_is_told_and_ends_with_2(held: Path, run) -> None:
    (victim,) = held.glob("readings/*/reading.json")
    victim.write_text("{}")
    checked = run("check", held)
    assert checked.code == 2
    assert "1 fault found; each line above says how to mend it." in checked.sentence
    assert re.search(r"^fault: readings/\w+: .*read the specimen again", checked.out, re.MULTILINE)
    assert run("account", "OTC 12", "--in", held).code == 2


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("list", "nowhere"), "there is no such folder; make one with"),
        (("show", "otc-12", "--in", "{held}"), "did you mean 'OTC 12'?"),
        (("show", "OTC 99", "--in", "{held}"), "no specimen has the catalogue number 'OTC 99'"),
        (("decide", "OTC 12", "praise", "--in", "{held}"), "no decision is called 'praise'"),
        (("decide", "OTC 12", "rename", "--in", "{held}", "--name", "P2"), "rename needs the structure"),
        (("decide", "OTC 12", "add", "--in", "{held}", "--point", "1,2"), "'1,2' is no point"),
        (("decide", "OTC 12", "agree", "--in", "{held}", "--finding", "dP3"), "did you mean tooth/"),
        (("intake", "nowhere", "--into", "{held}"), "there is no such file or folder"),
        (("intake", "D:\\Scans\\12", "--into", "{held}"), "the same place is /mnt/d/Scans/12"),
        (("intake", "{held}", "--into", "{held}", "--term", "sex"), "is no name and value"),
        (("intake", "{held}", "--into", "{held}", "--column", "a=b"), "no table"),
        (("jobs", "{held}", "--cancel", "99"), "there is no job 99"),
        (("read", "OTC 12", "--in", "{held}", "--mirrored"), "has its scale and place"),
        (("describe", "OTC 12", "--in", "{held}"), "nothing is given to change"),
        (("history", "OTC 12", "--in", "{held}", "--readings", "1", "9"), "has no reading 9"),
    ],
)
def test_bad_input_is_one_sentence(held: Path, run, words: tuple[str, ...], sentence: str) -> None:
    done = run(*(word.format(held=held) for word in words))
    assert done.code == 2
    assert sentence in done.sentence
    assert len(done.err.strip().splitlines()) == 1
    with Collection.open(held) as cabinet:
        assert cabinet.decisions("OTC 12") == []


def test_a_table_with_errors_makes_no_collection(tmp_path: Path, run) -> None:
    write_scan(tmp_path / "in" / "a", 0)
    (tmp_path / "t.csv").write_text("source,Museum no.,sex\na,OTC 1,male\na,OTC 2,female\n")
    done = run("intake", tmp_path / "in", "--into", tmp_path / "new", "--table", tmp_path / "t.csv")
    assert done.code == 2
    assert "no column means catalogNumber" in done.sentence
    assert "of the same specimen" not in done.sentence
    assert not (tmp_path / "new").exists()


def test_the_example_of_the_documentation(
    held: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (example,) = re.findall(r"```python\n(.*?)```", DOCS.read_text(encoding="utf-8"), re.DOTALL)
    monkeypatch.chdir(held.parent)
    exec(compile(example, str(DOCS), "exec"), {})
    printed = capsys.readouterr().out
    assert "OTC 12 juvenile" in printed
    assert "I3/3 C1/1 P4/4 M1/1" in printed
    with Collection.open(held) as cabinet:
        assert [d.kind for d in cabinet.decisions("OTC 12")] == ["rename", "agree", "undo"]


def test_every_command_has_an_example(run) -> None:
    for command in ("intake", "list", "show", "describe", "decide", "history", "jobs", "check"):
        assert "Example: ossicle" in run(command, "--help").out


def test_a_table_from_another_system(tmp_path: Path, run) -> None:
    """As a spreadsheet on Windows writes it, of scans copied from macOS: a byte-order mark, semicolons, backslashes,
    letters with their accents apart on the disk and not in the table."""
    write_scan(tmp_path / "in" / "Ze\u0301bu 7" / "Series1", 0)
    write_scan(tmp_path / "in" / "OTC 31" / "Series1", 1)
    table = tmp_path / "catalogue.csv"
    table.write_bytes(
        "\ufeffsource;Museum no.;Shelf\r\nZ\u00e9bu 7\\Series1;OTC 32;B5\r\nOTC 31\\Series1;OTC 31;B4\r\n".encode()
    )
    words = ("intake", tmp_path / "in", "--into", tmp_path / "cabinet", "--table", table)
    refused = run(*words)
    assert refused.code == 2
    assert "--column 'Museum no.=catalogNumber'" in refused.sentence
    done = run(*words, "--column", "Museum no.=catalogNumber", "--column", "Shelf=-")
    assert done.code == 0, done.err
    assert "OTC 32: taken in (Series1)" in done.out
    assert "OTC 31: reading slices" in done.err
    shown = run("show", "OTC 32", "--in", tmp_path / "cabinet")
    assert "7/Series1, " in shown.out  # the folder says more than its number
    assert "Not read yet: ossicle read 'OTC 32' --in" in shown.out
