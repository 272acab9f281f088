from __future__ import annotations

import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parent.parent / "account"))
sys.path.append(str(Path(__file__).parent))

from asked_desk import AskedDesk
from desk_token import KEY, TOKEN, came_in
from desk_world import make
from starlette.testclient import TestClient

from ossicle.collection import Collection
from ossicle.desk import make_app


@pytest.fixture(autouse=True)
def _own_place(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("OSSICLE_CACHE", str(tmp_path_factory.getbasetemp() / "cache"))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.getbasetemp() / "xdg"))
    monkeypatch.setenv("OSSICLE_PERSON", "A. Reader")
    for name in ("OSSICLE_COLLECTION", "OSSICLE_CATALOGUE"):
        monkeypatch.delenv(name, raising=False)


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The collection as it was made; copied for each test."""
    return make(tmp_path_factory.mktemp("desk"))


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "cabinet"))


@pytest.fixture
def desk(folder: Path, made: Path) -> Iterator[AskedDesk]:
    with (
        Collection.open(folder) as held,
        TestClient(
            make_app(held, token=TOKEN, key=KEY, roots=[made.parent / "scans"], threads=1),
            base_url="http://127.0.0.1:7041",
        ) as web,
    ):
        yield AskedDesk(came_in(web), folder)
