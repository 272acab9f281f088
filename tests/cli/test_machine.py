"""What the machine refuses (names too long, disks full, no right) is one sentence and exit code 2 in every command.

Names of at most 255 bytes and paths of 4096: Linux, limits.h (NAME_MAX, PATH_MAX), from memory.
"""

from __future__ import annotations

import errno
import io
import json
import os
import resource
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from ossicle.anatomy.characters import read_characters
from ossicle.cli import main
from ossicle.collection import read_table
from ossicle.compare.shape.tables import read_landmarks
from ossicle.errors import OssicleError
from ossicle.publish.lesson_text import lesson_text
from ossicle.publish.matrix.folder import read_nexus
from ossicle.publish.plate_text import plate_text

LONG = "a" * 5000
COMMANDS = [
    ["read", LONG],
    ["account", LONG],
    ["mesh", LONG, "--out", "o"],
    ["lesson", LONG, "--out", "o.html"],
    ["compare", LONG, LONG, "--out", "o"],
    ["desk", LONG, "--no-browser"],
    ["intake", LONG, "--into", "cabinet"],
    ["intake", ".", "--into", LONG],
    ["show", "OTC 1", "--in", LONG],
    ["check", LONG],
    ["deposit", "--verify", LONG],
    ["receive", LONG, "--into", LONG],
]


@pytest.mark.parametrize("words", COMMANDS, ids=lambda words: words[0])
def test_a_name_that_no_file_can_have(
    words: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(words) == 2
    told = capsys.readouterr().err.strip().splitlines()[-1]
    assert len(told) < 1000, told
    assert "Traceback" not in told
    assert list(tmp_path.iterdir()) == []


def test_a_table_that_names_such_a_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("t.csv").write_text(f"source,catalogNumber\n{LONG},1\nb,2\n")
    assert main(["intake", ".", "--table", "t.csv", "--into", "cabinet"]) == 2
    told = capsys.readouterr().err
    assert "row 2, column 'source': there is no" in told
    assert "row 3, column 'source': there is no b" in told
    assert len(told) < 1500


ENDLESS = Path("/dev/zero")
READERS: dict[str, Callable[[], object]] = {
    "table": lambda: read_table(ENDLESS),
    "description of a lesson": lambda: lesson_text(ENDLESS),
    "description of a plate": lambda: plate_text(ENDLESS),
    "characters": lambda: read_characters(ENDLESS),
    "matrix": lambda: read_nexus(ENDLESS),
    "landmarks": lambda: read_landmarks(ENDLESS),
}


@pytest.mark.skipif(not ENDLESS.exists(), reason="this system has no endless file")
@pytest.mark.parametrize("what", READERS)
def test_of_an_endless_file_no_more_is_read_than_such_texts_hold(what: str) -> None:
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(OssicleError, match="larger than"):
        READERS[what]()
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 700_000  # kB


@pytest.mark.parametrize("number", [errno.EIO, errno.ENOSPC, errno.EROFS, errno.EACCES, errno.EMFILE, errno.ELOOP])
def test_what_the_machine_refuses_is_no_fault_of_ours(
    number: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def refuses(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number), "slices/12.tif")

    monkeypatch.setattr("ossicle.cli.app.app", refuses)
    assert main(["read", "slices"]) == 2
    told = capsys.readouterr().err
    assert told.startswith(f"slices/12.tif: {os.strerror(number).lower()}; ")
    assert told.count("\n") == 1


def test_any_other_error_is_said_to_be_ours(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def refuses(*_: object, **__: object) -> None:
        raise OSError(errno.EBADF, "bad file descriptor")

    monkeypatch.setattr("ossicle.cli.app.app", refuses)
    assert main(["read", "slices"]) == 70
    assert "This is a fault in Ossicle" in capsys.readouterr().err


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "utf-8"])
def test_letters_that_a_terminal_lacks_are_spelled_as_in_json(encoding: str, monkeypatch: pytest.MonkeyPatch) -> None:
    text = '"I1\u2013I3, \u00e9, \U0001d4b3"'
    out = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
    monkeypatch.setattr(sys, "stdout", out)
    monkeypatch.setattr("ossicle.cli.app.app", lambda *_, **__: print(text))
    assert main(["account", "mine"]) == 0
    written = out.buffer.getvalue().decode(encoding)
    assert json.loads(written) == json.loads(text)
    assert (written.strip() == text) == (encoding == "utf-8")


def test_where_the_output_is_closed_commands_run_as_ever(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "stdout", None)
    assert main(["practice", "list"]) == 0
    assert main(["account", "none"]) == 2
    assert "there is no such folder" in capsys.readouterr().err
