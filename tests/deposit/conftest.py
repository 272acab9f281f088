from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parent.parent / "account"))
sys.path.append(str(Path(__file__).parent.parent / "cli"))
sys.path.append(str(Path(__file__).parent.parent / "desk"))
sys.path.append(str(Path(__file__).parent))

from cli_tools import Run
from desk_world import make

from ossicle.cli import main


@pytest.fixture(scope="session")
def cabinet_made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A collection with OTC 1, read, and OTC 2, not read; drawn by hand."""
    os.environ.setdefault("OSSICLE_CACHE", str(tmp_path_factory.getbasetemp() / "cache"))
    return make(tmp_path_factory.mktemp("cabinet"))


@pytest.fixture
def cabinet(cabinet_made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(cabinet_made, tmp_path / "cabinet"))


@pytest.fixture(autouse=True)
def _own_place(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("OSSICLE_CACHE", str(tmp_path_factory.getbasetemp() / "cache"))
    monkeypatch.setenv("OSSICLE_PERSON", "A. Reader")
    for name in ("OSSICLE_COLLECTION", "OSSICLE_CATALOGUE"):
        monkeypatch.delenv(name, raising=False)


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]):
    def ran(*words: object) -> Run:
        code = main([str(word) for word in words])
        got = capsys.readouterr()
        return Run(code, got.out, got.err)

    return ran
