"""Deposits verified, tampered with, and read anew, elsewhere. All specimens are drawn."""

from __future__ import annotations

import io
import os
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from deposit_tools import DAY, own_rights, spoilt

from ossicle.collection import Collection
from ossicle.errors import OssicleError
from ossicle.publish.deposit import verify, write_deposit
from ossicle.publish.deposit.manifest import faults_of, write_manifest


def test_a_deposit_is_sound_and_its_account_follows(made: Path, zipped: Path) -> None:
    for place in (made, zipped):
        found = verify(place)
        assert found.sound, found.faults
        assert found.specimens == ("OTC 1: the account follows from reading and 5 decisions.",)


def test_sha256sum_agrees(made: Path) -> None:
    if shutil.which("sha256sum") is None:
        pytest.skip("sha256sum is not installed")
    done = subprocess.run(["sha256sum", "--check", "--quiet", "manifest-sha256.txt"], cwd=made, check=False)
    assert done.returncode == 0


def test_it_is_verified_in_another_process_without_the_collection(zipped: Path, tmp_path: Path) -> None:
    """A process with an empty home and none of our environment; what it needs must lie in the deposit."""
    shutil.copy(zipped, tmp_path / "got.zip")
    clean = {"PATH": os.environ["PATH"], "HOME": str(tmp_path / "home"), "PYTHONPATH": os.pathsep.join(sys.path)}
    done = subprocess.run(
        [sys.executable, "-m", "ossicle", "deposit", "--verify", "got.zip"],
        cwd=tmp_path, env=clean, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "the account follows from reading and 5 decisions" in done.stdout
    assert "The deposit is sound" in done.stdout


def test_the_same_specimen_gives_the_same_bytes(decided: Path, zipped: Path, tmp_path: Path) -> None:
    with Collection.open(decided) as held:
        again = write_deposit(held, ["OTC 1"], tmp_path / "again.zip", own_rights(), made=DAY, meshes=False)
    assert again.read_bytes() == zipped.read_bytes()


def test_one_byte_altered_in_any_file_is_found_and_named(made: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(made, tmp_path / "copy"))
    names = sorted(p.relative_to(copy).as_posix() for p in copy.rglob("*") if p.is_file())
    assert len(names) > 30
    for n, name in enumerate(names):
        path = copy / name
        size = path.stat().st_size
        if size == 0:
            continue
        at = (0, size // 2, size - 1)[n % 3]
        spoilt(path, at)
        faults = faults_of(copy)
        spoilt(path, at)
        assert faults, name
        assert faults[0].startswith(f"{name}: "), (name, at, faults)
    assert faults_of(copy) == []


def test_each_byte_of_the_lists_themselves_is_watched(made: Path, tmp_path: Path) -> None:
    for name in ("manifest-sha256.txt", "tagmanifest-sha256.txt"):
        folder = tmp_path / name
        folder.mkdir()
        (folder / "a").write_text("a")
        (folder / "b b").write_text("b")

        write_manifest(folder)
        for at in range((folder / name).stat().st_size):
            spoilt(folder / name, at)
            faults = faults_of(folder)
            spoilt(folder / name, at)
            assert faults[0].startswith(f"{name}: "), (at, faults)


def test_missing_and_foreign_files_are_named(made: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(made, tmp_path / "copy"))
    (copy / "specimens" / "OTC-1" / "decisions.json").unlink()
    (copy / "extra.txt").write_text("x")
    (copy / "link").symlink_to("README.md")
    assert faults_of(copy) == [
        "extra.txt: does not belong to the deposit.",
        "link: is a link and no file.",
        "specimens/OTC-1/decisions.json: is missing.",
    ]


def small_deposit(folder: Path) -> Path:

    folder.mkdir()
    (folder / "one").write_text("one")
    (folder / "two").write_text("two, and more")
    write_manifest(folder)
    return folder


def told(path: Path) -> str:
    """Return the first fault that is found in a deposit that is not sound."""
    try:
        found = verify(path)
    except OssicleError as error:
        return error.sentence()
    assert not found.sound
    return found.faults[0]


def test_each_byte_of_an_archive_is_watched(tmp_path: Path) -> None:
    """Every second one, to be quick; all of them were tried when this was written."""
    folder = small_deposit(tmp_path / "folder")
    from ossicle.publish.deposit.packing import COMMENT, pack

    out = io.BytesIO()
    pack(folder, out)
    data = out.getvalue()
    assert data.endswith(COMMENT)
    target = tmp_path / "deposit.zip"
    for at in range(0, len(data), 2):
        target.write_bytes(data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :])
        said = told(target)
        assert any(name in said for name in ("one", "two", "manifest", "deposit.zip")), (at, said)


@pytest.mark.parametrize("name", ["../out", "/etc/x", "a/../../b", "c\\d"])
def test_an_archive_that_leads_out_is_refused(name: str, tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "bad.zip", "w") as archive:
        archive.writestr(zipfile.ZipInfo(name), "x")
    with pytest.raises(OssicleError, match=r"does not lie within|damaged|holds no"):
        verify(tmp_path / "bad.zip")
    assert not (tmp_path / "out").exists()


def remade(copy: Path, change: Callable[[Path], None]) -> tuple[str, ...]:

    change(copy)
    write_manifest(copy)
    return verify(copy).faults


def edit(name: str, old: str, new: str) -> Callable[[Path], None]:
    def change(copy: Path) -> None:
        path = copy / "specimens" / "OTC-1" / name
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new, 1), encoding="utf-8")

    return change


def test_who_lists_the_checksums_anew_still_has_to_make_the_account_follow(made: Path, tmp_path: Path) -> None:
    changes = {
        "account": (edit("account.json", '"position": 1', '"position": 2'), "OTC 1: teeth["),
        "decision": (edit("decisions.json", "two roots", "six roots"), "OTC 1: decision 1 is not as it was kept"),
    }
    for name, (change, says) in changes.items():
        faults = remade(Path(shutil.copytree(made, tmp_path / name)), change)
        assert faults
        assert faults[0].startswith(says), faults


def test_a_new_reading_gives_the_same_account(zipped: Path, monkeypatch: pytest.MonkeyPatch, decided: Path) -> None:
    import ossicle.reading

    with Collection.open(decided) as held:
        whole = held.reading("OTC 1").reading
    monkeypatch.setattr(ossicle.reading, "read", lambda *_, **__: whole)
    found = verify(zipped, reread=True)
    assert found.sound, found.faults
    assert "a new reading of the scan gives the same account" in found.specimens[1]
    less = replace(whole, teeth=whole.teeth[1:])
    monkeypatch.setattr(ossicle.reading, "read", lambda *_, **__: less)
    assert not verify(zipped, reread=True).sound
