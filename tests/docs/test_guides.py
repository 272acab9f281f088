"""The commands of the first hour and of a scan of one's own, all of them, in order, in an empty home.

What stands in for what: the specimens are made in coarse voxels, one of them is really read for each guide, and the
others of the growth series are copies of its reading; the desk is opened, asked and stopped; the tooth that the guide
renames is one that the reading found.
"""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import tomllib
import urllib.request
from pathlib import Path

import pytest
from test_commands_in_docs import ROOT, shown

from ossicle.cli import main

VOXEL = "0.25"
SPECIMEN = "carnivore-like-juvenile"
COPIED = ("newborn", "adult")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A practice specimen in coarse voxels."""
    out = tmp_path_factory.mktemp("practice") / "juvenile"
    assert main(["practice", "make", SPECIMEN, "--voxel", VOXEL, "--out", str(out)]) == 0
    return out


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty home to work in; no cache, no settings."""
    for name in [n for n in os.environ if n.startswith(("OSSICLE_", "XDG_"))]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("HOME", str(tmp_path))
    (tmp_path / "work").mkdir()
    monkeypatch.chdir(tmp_path / "work")
    return tmp_path


def blocks(text: str) -> dict[str, str]:
    """The TOML of a page that says its file's name in its first line."""
    found = re.findall(r"```toml\n# (\S+)\n(.*?)```", text, re.S)
    return dict(found)


def walked(page: str) -> list[list[str]]:
    """The commands of a guide in their order; its files are written where the guide says so."""
    text = (ROOT / "docs" / page).read_text("utf-8")
    for name, body in blocks(text).items():
        Path(name).write_text(body, encoding="utf-8")
    lines = shown(text)
    assert len(lines) > 8
    return [shlex.split(line, comments=True)[1:] for line in lines]


def typed(words: list[str]) -> None:
    assert main(words) == 0, f"ossicle {shlex.join(words)} did not end well"


def opened(folder: str) -> None:
    """Open the desk as a process of its own, fetch its page, stop it as Ctrl-C does."""
    desk = subprocess.Popen(
        [sys.executable, "-m", "ossicle", "desk", folder, "--no-browser"], stderr=subprocess.PIPE, text=True
    )
    assert desk.stderr is not None
    try:
        told = desk.stderr.readline()
        found = re.search(r"http://\S+", told)
        assert found, told
        browser = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
        with browser.open(found[0], timeout=60) as answer:
            assert b"<html" in answer.read().lower()
    finally:
        desk.send_signal(signal.SIGINT)
        assert desk.wait(60) in (0, 130)
        desk.stderr.close()


@pytest.mark.slow
def test_the_first_hour(made: Path, home: Path) -> None:
    for words in walked("first-hour.md"):
        match words:
            case ["--help"]:
                typed(words)
            case ["practice", "make", preset, "--out", out]:
                assert preset.startswith("carnivore-like-")
                shutil.copytree(made, out)
            case ["read", source, "--out", out] if Path(source).parent.name in COPIED:
                assert Path(source).is_dir()
                shutil.copytree("reading/juvenile" if Path("reading/juvenile").exists() else _read(made), out)
            case ["read", _, "--out", out]:
                shutil.copytree(_read(made), out)
            case ["desk", folder]:
                opened(folder)
            case _:
                typed(words)
    draft = tomllib.loads(Path("lesson.toml").read_text("utf-8"))
    assert [s["title"] for s in draft["step"]][-1] == "All side by side"
    assert draft["step"][-1]["beside"] == ["newborn", "adult"]
    for name in ("lesson.html", "lesson.pdf", "spotter.html", "key.pdf", "growth/order.txt", "beside/comparison.txt"):
        assert Path(name).stat().st_size > 100


_READ: dict[Path, Path] = {}


def _read(made: Path) -> Path:
    """The reading of the made specimen, by the command; once."""
    if made not in _READ:
        out = made.parent / "reading"
        typed(["read", str(made / "slices"), "--out", str(out)])
        _READ[made] = out
    return _READ[made]


@pytest.mark.slow
def test_a_step_of_ones_own_as_the_guide_writes_it(made: Path, home: Path) -> None:
    text = (ROOT / "docs" / "first-hour.md").read_text("utf-8")
    (step,) = re.findall(r"```toml\n(\[\[step\]\].*?)```", text, re.S)
    Path("mine.toml").write_text(step, encoding="utf-8")
    typed(["lesson", str(_read(made)), "--from", "mine.toml", "--captions", "mine.vtt"])
    assert "its successor is forming" in Path("mine.vtt").read_text("utf-8")


@pytest.mark.slow
def test_a_scan_of_ones_own(made: Path, home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words in walked("own-scan.md"):
        words = [str(made) if word == "SLICES" else word for word in words]
        if "--tooth" in words:
            words[words.index("--tooth") + 1] = _a_tooth(capsys)
        match words:
            case ["desk", folder]:
                opened(folder)
            case ["report", *_]:
                typed([*words, "--no-pictures"])  # drawn in tests/publish, and slow
            case _:
                typed(words)
        if "--dry-run" in words:
            assert not Path("cabinet").exists()
    capsys.readouterr()
    typed(["account", "OTC 12", "--in", "their-cabinet", "--json"])
    account = json.loads(capsys.readouterr().out)
    standing = {f["id"]: f["standing"] for f in account["findings"]}
    assert standing["formula/counts"] == "agreed"
    for name in ("matrix/matrix.nex", "tables/dentition.csv", "otc-12.pdf", "figure-1.pdf", "figure-1.svg", "print"):
        assert Path(name).exists()


def _a_tooth(capsys: pytest.CaptureFixture[str]) -> str:
    capsys.readouterr()
    typed(["account", "OTC 12", "--in", "cabinet", "--json"])
    teeth = json.loads(capsys.readouterr().out)["teeth"]
    names = [f"{t['jaw']}-{t['side']}/{t['name']}" for t in teeth if t["class"] == "premolar"]
    return next(name for name in names if names.count(name) == 1)
