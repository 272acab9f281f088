"""The desk of a collection, asked without a network."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from desk_token import TOKEN
from starlette.testclient import TestClient


@dataclass
class AskedDesk:
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
