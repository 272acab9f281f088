"""What each person does in `benchmarks.load`: a file for locust, which patches the process that it runs in."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path
from typing import Any

from locust import FastHttpUser, between, events, task

NAME, PASSWORD = "desk.museum.test", "nine calm wombats dig"
findings: list[str] = json.loads(os.environ.get("OSSICLE_LOAD_FINDINGS", "[]"))
kept: list[tuple[str, int]] = []


@events.quitting.add_listener
def _written(**_: Any) -> None:
    Path(os.environ["OSSICLE_LOAD_KEPT"]).write_text(json.dumps(kept))


class Reader(FastHttpUser):
    """Somebody who reads, and decides now and then."""

    wait_time = between(1, 3)
    count = 0

    def on_start(self) -> None:
        type(self).count += 1
        self.number = type(self).count - 1
        self.own = {
            "host": NAME,
            "x-forwarded-proto": "https",
            "x-forwarded-for": f"192.0.2.{self.number + 1}",
        }
        with self.client.post(
            "/enter", data={"name": f"Person {self.number}", "password": PASSWORD}, headers=self.own,
            allow_redirects=False, catch_response=True, name="sign in",
        ) as answer:  # fmt: skip
            if answer.status_code != 303:
                answer.failure(f"{answer.status_code}: {answer.text}")
                return
            answer.success()
            # The cookie is for TLS alone, which the stated proxy would speak.
            self.own["cookie"] = answer.headers["set-cookie"].partition(";")[0]
        page = self.client.get("/", headers=self.own, name="page").text
        self.own["x-ossicle-desk"] = re.search(r'desk-token" content="([^"]+)', page)[1]  # type: ignore[index]

    @task(6)
    def account(self) -> None:
        self.client.get("/api/specimens/1", headers=self.own, name="account")

    @task(2)
    def rows(self) -> None:
        self.client.get("/api/specimens/1/rows", headers=self.own, name="rows")

    @task(2)
    def listed(self) -> None:
        self.client.get("/api/specimens", headers=self.own, name="list")

    @task(2)
    def cut(self) -> None:
        asked = "origin=20,15,15&u=1,0,0&v=0,1,0&width=20&height=20&px=300"
        self.client.get(f"/api/specimens/1/slice.png?{asked}", headers=self.own, name="slice")

    @task(2)
    def decide(self) -> None:
        version = self.client.get("/api/specimens/1", headers=self.own, name="account").json()["version"]
        said = {"kind": "agree", "finding": findings[self.number % len(findings)], "expected": version}
        with self.client.post(
            "/api/specimens/1/decisions", json=said, headers=self.own, catch_response=True, name="decide"
        ) as answer:
            if answer.status_code == 200:
                kept.append((f"Person {self.number}", answer.json()["version"]))
                answer.success()
            elif answer.status_code == 409:
                answer.success()
            else:
                answer.failure(f"{answer.status_code}: {answer.text}")
