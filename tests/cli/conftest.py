from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.append(str(Path(__file__).parent.parent / "account"))

from cli_tools import Run, write_stack
from sketch import SHAPE, sketch_reading

from ossicle.cli import main
from ossicle.reading.records import Reading


@pytest.fixture(scope="session")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("cache")


@pytest.fixture(autouse=True)
def _own_cache(cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("OSSICLE_CACHE", str(cache))


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]):
    def ran(*words: object) -> Run:
        code = main([str(word) for word in words])
        got = capsys.readouterr()
        return Run(code, got.out, got.err)

    return ran


@pytest.fixture(scope="session")
def drawn() -> Reading:
    return sketch_reading()


@pytest.fixture
def sketched(monkeypatch: pytest.MonkeyPatch, drawn: Reading) -> Reading:
    """Put the hand-drawn reading in place of the real one, so that these tests are of the commands alone."""

    def read(volume: np.ndarray, spacing: object, *, progress: object = None, **_: object) -> Reading:
        assert volume.shape == SHAPE
        if progress is not None:
            progress("pose", 0.5)  # type: ignore[operator]
        return drawn

    monkeypatch.setattr("ossicle.reading.read", read, raising=False)
    return drawn


@pytest.fixture(scope="session")
def stack(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A stack of slices of the sketch's shape; what it shows does not matter here."""
    volume = np.random.default_rng(0).integers(0, 900, SHAPE, np.uint16)
    return write_stack(tmp_path_factory.mktemp("source") / "stack", volume)
