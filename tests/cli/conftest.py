from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
import tifffile

sys.path.append(str(Path(__file__).parent.parent / "account"))

from sketch import SHAPE, SPACING, sketch_reading

from ossicle.cli import main
from ossicle.reading.records import Reading


class Run:
    """What a command printed and how it ended."""

    def __init__(self, code: int, out: str, err: str) -> None:
        self.code, self.out, self.err = code, out, err

    @property
    def sentence(self) -> str:
        """The last line of stderr, which is where errors are told."""
        return self.err.strip().splitlines()[-1] if self.err.strip() else ""


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


def write_stack(folder: Path, volume: np.ndarray, *, spacing: float | None = SPACING) -> Path:
    folder.mkdir(parents=True)
    for i, page in enumerate(volume):
        tifffile.imwrite(folder / f"slice_{i:04d}.tif", page)
    if spacing is not None:
        (folder / "scan.json").write_text(f'{{"spacing_mm_zyx": [{spacing}, {spacing}, {spacing}]}}')
    return folder


@pytest.fixture(scope="session")
def stack(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A stack of slices of the sketch's shape; what it shows does not matter here."""
    volume = np.random.default_rng(0).integers(0, 900, SHAPE, np.uint16)
    return write_stack(tmp_path_factory.mktemp("source") / "stack", volume)
