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
from deposit_tools import DAY, PLACE, own_rights
from desk_world import make

from ossicle.cli import main
from ossicle.collection import Agree, Collection, PlaceLandmark, Rename, Score, Undo
from ossicle.publish import meshes
from ossicle.publish.deposit import write_deposit


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


@pytest.fixture(scope="session")
def decided(cabinet_made: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The collection with decisions on OTC 1 and a sensitive locality."""
    place = tmp_path_factory.mktemp("decided") / "cabinet"
    shutil.copytree(cabinet_made, place)
    with Collection.open(place) as held:
        held.describe("OTC 1", PLACE, who="A. Keeper")
        first = held.decide("OTC 1", Rename("upper-left/dP3", "dP4"), who="A. Reader", why="two roots")
        held.decide("OTC 1", Agree("stage/eruption"), who="B. Reader")
        held.decide("OTC 1", PlaceLandmark("basion", (9.0, 9.0, 4.0)), who="A. Reader")
        held.decide("OTC 1", Score("stapes_form", "0", "?"), who="A. Reader", why="two crura")
        held.decide("OTC 1", Undo(first.number), who="A. Reader", why="one root after all")
    return place


@pytest.fixture(scope="session")
def made(decided: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with everything; surfaces of the first parts alone, so that it is made quickly."""
    with Collection.open(decided) as held, pytest.MonkeyPatch.context() as patch:
        patch.setattr(meshes, "meshes_of", lambda s, parts, *more, whole=meshes.meshes_of: whole(s, parts[:4], *more))
        return write_deposit(held, ["OTC 1"], tmp_path_factory.mktemp("made") / "OTC-1", own_rights(), made=DAY)


@pytest.fixture(scope="session")
def zipped(decided: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same without surfaces, as one file."""
    with Collection.open(decided) as held:
        out = tmp_path_factory.mktemp("zipped") / "OTC-1.zip"
        return write_deposit(held, ["OTC 1"], out, own_rights(), made=DAY, meshes=False)
