"""What a role may not do is not offered; who is signed in is told, with the way out.

The server's own answer to what this desk is, is changed on the way, as a shared desk answers a person who reads; that
the server refuses the rest is tested in ``test_sharing.py``.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest
from browsing import Desk, Reader

pytestmark = pytest.mark.browser


def _as_role(reader: Reader, role: str) -> list[str]:
    """Let the page believe that somebody of a role signed in; return the paths that it posts to."""
    posted: list[str] = []

    def told(route: Any) -> None:
        answer = route.fetch()
        said = {**answer.json(), "role": role, "shared": True, "person": "B. Reader"}
        route.fulfill(response=answer, body=json.dumps(said))

    def left(route: Any) -> None:
        posted.append(route.request.method)
        route.fulfill(status=204)

    reader.page.route("**/api/about", told)
    reader.page.route("**/leave", left)
    return posted


def _offered(reader: Reader) -> set[str]:
    return {t.strip() for t in reader.page.locator("button:visible").all_inner_texts()}


def test_who_reads_is_offered_no_decision_and_can_leave(desk: Desk, reader: Callable[..., Reader]) -> None:
    one = reader()
    posted = _as_role(one, "read")
    one.open(f"{desk.url}#/1?leaf=characters")
    one.until("document.querySelector('.signed-in') !== null")
    assert "B. Reader looks and measures" in one.page.inner_text(".signed-in")
    one.page.locator(".prose .sentence").nth(2).click()
    one.page.locator(".slot .body").first.click()
    decides = {"Agree", "Amend", "Dispute", "undo", "do again", "Rename", "Generation", "Add a missed tooth", "Discard"}
    assert _offered(one) & decides == set()
    assert "show again" in _offered(one)
    version = one.page.evaluate("fetch('/api/specimens/1').then(r => r.json()).then(s => s.version)")
    one.keys("a", "d", "r")  # nor by keys
    one.until("document.querySelector('.notice').textContent.includes('Your role is to read')")
    assert one.page.locator(".saying, .tooth-form").count() == 0
    assert one.page.evaluate("fetch('/api/specimens/1').then(r => r.json()).then(s => s.version)") == version
    # Cautions that apply: nothing flags human remains or tells a locality here.
    cautions = one.page.inner_text(".account .caution")
    assert "Not for clinical diagnosis." in cautions
    assert "confidence" in cautions
    assert "Human remains" not in cautions
    with one.page.expect_navigation():
        one.page.locator("text=sign out").click()
    assert posted == ["POST"]
    one.page.unroute_all(behavior="ignoreErrors")


def test_who_decides_takes_no_scan_in(desk: Desk, reader: Callable[..., Reader]) -> None:
    one = reader()
    _as_role(one, "decide")
    one.page.goto(desk.url)
    one.until("document.querySelectorAll('.specimens li').length >= 2 && document.querySelector('.signed-in') !== null")
    assert "Take a scan in" not in _offered(one)
    assert "threatened species" in one.page.inner_text(".catalogue .caution").lower()
    one.page.goto(f"{desk.url}#/intake")
    one.until("document.body.textContent.includes('asks for the role that manages')")
    one.page.unroute_all(behavior="ignoreErrors")
