"""The whole way through the real command line, each file with a cache of its own."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

# `benchmarks` is no part of the installed package; `cli_tools` serves the commands' tests.
sys.path.append(str(Path(__file__).resolve().parents[2]))
sys.path.append(str(Path(__file__).resolve().parents[1] / "cli"))

from cli_tools import Run

from ossicle.cli import main


@pytest.fixture(scope="session")
def whole_cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("whole-cache")


@pytest.fixture(autouse=True)
def _own_cache(whole_cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("OSSICLE_CACHE", str(whole_cache))


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]):
    """Run a command in this process and give back what it printed."""

    def ran(*words: object) -> Run:
        code = main([str(word) for word in words])
        got = capsys.readouterr()
        return Run(code, got.out, got.err)

    return ran
