from __future__ import annotations

import shutil
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

sys.path.append(str(Path(__file__).parent.parent / "account"))
sys.path.append(str(Path(__file__).parent))

from desk_token import TOKEN
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


@dataclass
class Desk:
    """The desk of a collection, asked without a network."""

    web: TestClient
    folder: Path

    def get(self, path: str, /, **query: Any) -> Any:
        answer = self.web.get(f"/api{path}", params=query)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def send(self, path: str, /, status: int = 200, **body: Any) -> Any:
        answer = self.web.post(f"/api{path}", json=body, headers={"x-ossicle-desk": TOKEN})
        assert answer.status_code == status, answer.text
        return answer.json()

    def decide(self, status: int = 200, **said: Any) -> Any:
        return self.send("/specimens/1/decisions", status, **said)

    def part(self, name: str, jaw: str = "upper", side: str = "left") -> int:
        parts = self.get("/specimens/1")["account"]["teeth"]
        return next(t["part"] for t in parts if (t["name"], t["jaw"], t["side"]) == (name, jaw, side))


@pytest.fixture
def desk(folder: Path, made: Path) -> Iterator[Desk]:
    with (
        Collection.open(folder) as held,
        TestClient(
            make_app(held, token=TOKEN, roots=[made.parent / "scans"], threads=1), base_url="http://127.0.0.1:7041"
        ) as web,
    ):
        yield Desk(web, folder)
