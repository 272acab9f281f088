"""Where an account may be written, and that what fails leaves everything as it was."""

from __future__ import annotations

import errno
import os
from dataclasses import replace
from pathlib import Path

import pytest
from sketch import MADE_BY

from ossicle.account import Account, account_to_json, load_account
from ossicle.account.folder import check_place, write_folder, write_text, write_texts
from ossicle.errors import OssicleError


def account_in(folder: Path, text: str) -> None:
    (folder / "account.json").write_text(text, "utf-8")
    (folder / "account.html").write_text("page", "utf-8")


SEEN = '{"schema": "ossicle-account/1"}'


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda out: out.symlink_to(out.parent / "nowhere"), "leads nowhere"),
        (lambda out: out.write_text("x"), "is a file, not a folder"),
        (lambda out: [out.mkdir(), (out / "letters.txt").write_text("x")], r"holds something else \(letters.txt\)"),
        (lambda out: [out.mkdir(), *((out / n).write_text("x") for n in "abcd")], r"\(a, b, c, \.\.\.\)"),
        (lambda out: [out.mkdir(), (out / "account.json").write_text("{}")], "holds something else"),
        (lambda out: [out.mkdir(), (out / "account.json").write_bytes(b"\xff\xfe")], "holds something else"),
    ],
)  # fmt: skip
def test_places_that_are_refused_before_any_work(tmp_path: Path, make, says: str) -> None:
    out = tmp_path / "out"
    make(out)
    with pytest.raises(OssicleError, match=says):
        check_place(out)


def test_a_place_below_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(OssicleError, match="is a file, not a folder"):
        check_place(tmp_path / "file" / "deep" / "out")


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may write anywhere")
def test_a_place_that_may_not_be_written_to_is_refused(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(OssicleError, match="you may not write here"):
            check_place(tmp_path / "out")
    finally:
        tmp_path.chmod(0o700)


def test_places_that_will_do(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "earlier").mkdir()
    account_in(tmp_path / "earlier", SEEN)
    for name in ("new", "deep/er/new", "empty", "earlier"):
        check_place(tmp_path / name)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["earlier", "empty"]


def test_a_new_folder_is_there_whole_and_an_earlier_one_keeps_what_else_lies_in_it(tmp_path: Path) -> None:
    out = tmp_path / "deep" / "out"
    write_folder(out, lambda folder: account_in(folder, SEEN))
    assert sorted(p.name for p in out.iterdir()) == ["account.html", "account.json"]
    (out / "mine.txt").write_text("kept")
    write_folder(out, lambda folder: account_in(folder, SEEN + " "))
    assert (out / "account.json").read_text() == SEEN + " "
    assert (out / "mine.txt").read_text() == "kept"
    assert sorted(p.name for p in out.parent.iterdir()) == ["out"]


def test_the_account_itself_is_put_in_place_last(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = tmp_path / "out"
    write_folder(out, lambda folder: account_in(folder, SEEN))
    placed = []
    real = os.replace
    monkeypatch.setattr(os, "replace", lambda a, b: [placed.append(Path(b).name), real(a, b)][1])
    write_folder(out, lambda folder: account_in(folder, SEEN))
    assert placed == ["account.html", "account.json"]


def test_a_disk_that_fills_up_leaves_nothing_of_a_new_account_and_an_earlier_one_as_it_was(tmp_path: Path) -> None:
    def full(folder: Path) -> None:
        account_in(folder, "half")
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with pytest.raises(OssicleError, match="No space left"):
        write_folder(tmp_path / "deep" / "er" / "out", full)
    assert list(tmp_path.iterdir()) == []
    earlier = tmp_path / "earlier"
    write_folder(earlier, lambda folder: account_in(folder, SEEN))
    with pytest.raises(OssicleError, match="No space left"):
        write_folder(earlier, full)
    assert (earlier / "account.json").read_text() == SEEN
    assert [p.name for p in tmp_path.iterdir()] == ["earlier"]


def test_a_text_goes_to_a_file_in_a_folder_that_is_there(tmp_path: Path) -> None:
    write_text(tmp_path / "a.csv", "é")
    assert (tmp_path / "a.csv").read_bytes() == "é".encode()
    with pytest.raises(OssicleError, match="this is a folder"):
        write_text(tmp_path, "x")
    with pytest.raises(OssicleError, match="there is no such folder"):
        write_text(tmp_path / "none" / "a.csv", "x")
    assert [p.name for p in tmp_path.iterdir()] == ["a.csv"]


def test_texts_make_their_folder_or_say_why_not(tmp_path: Path) -> None:
    write_texts(tmp_path / "new" / "er", {"a.csv": "1", "b.csv": "2"})
    assert {p.name: p.read_text() for p in (tmp_path / "new" / "er").iterdir()} == {"a.csv": "1", "b.csv": "2"}
    (tmp_path / "file").write_text("x")
    with pytest.raises(OssicleError, match="this folder cannot be made"):
        write_texts(tmp_path / "file" / "new", {"a.csv": "1"})


def test_an_account_is_found_by_its_folder_or_its_file(tmp_path: Path, nothing_account: Account) -> None:
    (tmp_path / "account.json").write_text(account_to_json(nothing_account), "utf-8")
    assert load_account(tmp_path) == load_account(tmp_path / "account.json") == nothing_account


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda place: place / "none", "there is no such folder"),
        (lambda place: place, "holds no account.json"),
        (lambda place: [(place / "account.json").write_bytes(b"\xff"), place][1], "the account cannot be read"),
    ],
)
def test_no_account_is_one_sentence(tmp_path: Path, make, says: str) -> None:
    with pytest.raises(OssicleError, match=says):
        load_account(make(tmp_path))


def test_parts_of_another_reading_are_noticed(tmp_path: Path, nothing_account: Account) -> None:
    made_by = replace(MADE_BY, parts_sha256="0" * 64)
    (tmp_path / "account.json").write_text(account_to_json(replace(nothing_account, made_by=made_by)), "utf-8")
    assert load_account(tmp_path).made_by == made_by  # parts may be left out
    (tmp_path / "parts.nii.gz").write_bytes(b"of another")
    with pytest.raises(OssicleError, match="is not the one that account"):
        load_account(tmp_path)
