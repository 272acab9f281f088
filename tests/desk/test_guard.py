"""Who may talk to the desk."""

from __future__ import annotations

import asyncio
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from asked_desk import AskedDesk
from desk_token import KEY, TOKEN, came_in
from hypothesis import given
from hypothesis import strategies as st
from starlette.testclient import TestClient
from starlette.websockets import WebSocketDisconnect

from ossicle.collection import Collection
from ossicle.desk import make_app
from ossicle.desk.guard import MOST_BODY, is_loopback

SAYING = {"kind": "agree", "finding": "formula/counts"}


@pytest.fixture(scope="module")
def desk(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[AskedDesk]:
    """One desk for all tests here; none asks that nothing was decided before."""
    folder = Path(shutil.copytree(made, tmp_path_factory.mktemp("guarded") / "cabinet"))
    with (
        Collection.open(folder) as held,
        TestClient(
            make_app(held, token=TOKEN, key=KEY, roots=[made.parent / "scans"], threads=1),
            base_url="http://127.0.0.1:7041",
        ) as web,
    ):
        yield AskedDesk(came_in(web), folder)


@pytest.mark.parametrize(
    "host", ["127.0.0.1", "127.0.0.1:7041", "127.8.8.8:1", "localhost", "LOCALHOST:80", "[::1]", "[::1]:7041"]
)
def test_loopback_is_told(host: str) -> None:
    assert is_loopback(host)


@pytest.mark.parametrize(
    "host",
    ["", "example.org", "127.0.0.1.example.org", "localhost.example.org:7041", "10.0.0.1", "0.0.0.0", "[::1", "[::1]x",
     "127.0.0.1:x", "localhost:", "::1:7041", "[fe80::1]:7041", "2130706433", "0x7f.1", "127.0.0.1:7041:1"],
)  # fmt: skip
def test_all_else_is_not(host: str) -> None:
    assert not is_loopback(host)


@given(st.text())
def test_no_host_breaks_it(host: str) -> None:
    assert is_loopback(host) in (True, False)


@pytest.mark.parametrize("host", ["example.org", "127.0.0.1.example.org:7041", "10.1.2.3:7041"])
def test_another_host_is_refused(desk, host: str) -> None:
    for path in ("/", "/api/specimens", "/api/about"):
        answer = desk.web.get(path, headers={"host": host})
        assert answer.status_code == 421
        assert "token" not in answer.text


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"x-ossicle-desk": "another"},
        {"x-ossicle-desk": "a-token-for-tests", "origin": "http://example.org"},
        {"x-ossicle-desk": "a-token-for-tests", "origin": "http://127.0.0.1:9999"},
        {"x-ossicle-desk": "a-token-for-tests", "origin": "null"},
        {"x-ossicle-desk": "a-token-for-tests", "sec-fetch-site": "cross-site"},
        {"x-ossicle-desk": "a-token-for-tests", "sec-fetch-site": "same-site"},
    ],
    ids=["no token", "wrong token", "other origin", "other port", "no origin", "other site", "same site, other origin"],
)
def test_nothing_is_changed_for_another_page(desk, headers: dict[str, str]) -> None:
    before = len(desk.get("/specimens/1/history"))
    answer = desk.web.post("/api/specimens/1/decisions", json=SAYING, headers=headers)
    assert answer.status_code == 403
    assert set(answer.json()) == {"what", "where", "mend"}
    assert len(desk.get("/specimens/1/history")) == before


def test_the_own_page_may_change(desk) -> None:
    answer = desk.web.post(
        "/api/specimens/1/decisions",
        json=SAYING,
        headers={
            "x-ossicle-desk": "a-token-for-tests",
            "origin": "http://127.0.0.1:7041",
            "sec-fetch-site": "same-origin",
        },
    )
    assert answer.status_code == 200


def test_other_methods_need_the_token_too(desk) -> None:
    for method in ("PUT", "DELETE", "PATCH", "POST", "OPTIONS"):
        assert desk.web.request(method, "/api/jobs/reading-1").status_code == 403


def test_every_answer_forbids_what_is_not_ours(desk) -> None:
    for path in ("/", "/api/specimens", "/nothing", "/api/specimens/99"):
        headers = desk.web.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
        assert "server" not in headers


def test_the_token_stands_in_the_page_and_nowhere_else(desk) -> None:
    assert "a-token-for-tests" in desk.web.get("/").text
    assert desk.web.get("/").headers["cache-control"] == "no-store"
    assert "a-token-for-tests" not in desk.web.get("/api/openapi.json").text + desk.web.get("/api/about").text


@pytest.mark.parametrize(
    "path",
    ["/../pyproject.toml", "/assets/../../app.py", "/..%2f..%2fapp.py", "/%2e%2e/app.py", "/assets/%00", "//etc/passwd",
     "/assets/..%5c..%5capp.py", "/.hidden", "/index.html/../../app.py"],
)  # fmt: skip
def test_no_file_outside_the_page_is_served(desk, path: str) -> None:
    answer = desk.web.get(path)
    assert answer.status_code in (404, 200)
    if answer.status_code == 200:  # the client itself took the dots away
        assert "def " not in answer.text
        assert "root:" not in answer.text


def test_assets_may_be_kept_for_good(tmp_path, folder) -> None:
    page = tmp_path / "page"
    (page / "assets").mkdir(parents=True)
    (page / "index.html").write_text('<meta name="desk-token" content="{{desk-token}}">')
    (page / "assets" / "app-1234.js").write_text("export {}")
    (tmp_path / "secret.txt").write_text("secret")
    (page / "link.txt").symlink_to(tmp_path / "secret.txt")
    with (
        Collection.open(folder) as held,
        TestClient(make_app(held, token='<">', key=KEY, page=page), base_url="http://localhost") as web,
    ):
        came_in(web)
        script = web.get("/assets/app-1234.js")
        assert script.headers["cache-control"].endswith("immutable")
        assert script.headers["content-type"].startswith("text/javascript")
        assert "&lt;&quot;&gt;" in web.get("/").text
        assert web.get("/link.txt").status_code == 404


# -- coming in


@pytest.fixture
def stranger(desk) -> TestClient:
    """Somebody on this machine who has not opened the link."""
    return TestClient(desk.web.app, base_url="http://127.0.0.1:7041")


@pytest.mark.parametrize(
    "path",
    ["/", "/api/about", "/api/specimens", "/api/specimens/1", "/api/openapi.json", "/api/places", "/api/jobs/events",
     "/api/specimens/1/surfaces.glb", "/licences.txt", "/?key=", "/?key=another", "/?key=a-token-for-tests"],
)  # fmt: skip
def test_a_stranger_sees_nothing(stranger: TestClient, path: str) -> None:
    answer = stranger.get(path, follow_redirects=False)
    assert answer.status_code == 403
    assert TOKEN not in answer.text
    assert "OTC 1" not in answer.text
    assert "set-cookie" not in answer.headers


def test_the_page_token_alone_lets_nobody_in(stranger: TestClient, desk) -> None:
    before = len(desk.get("/specimens/1/history"))
    for cookies in ({}, {"ossicle-desk-7041": "guessed"}, {"ossicle-desk-7041": TOKEN}, {"ossicle-desk-7041": KEY}):
        stranger.cookies.clear()
        stranger.cookies.update(cookies)
        answer = stranger.post("/api/specimens/1/decisions", json=SAYING, headers={"x-ossicle-desk": TOKEN})
        assert answer.status_code == 403
    assert len(desk.get("/specimens/1/history")) == before


def test_the_first_link_gives_a_cookie_that_no_script_reads(stranger: TestClient) -> None:
    answer = stranger.get("/", params={"key": KEY}, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")  # the key does not stay in the address
    cookie = answer.headers["set-cookie"]
    said = {part.strip().lower() for part in cookie.split(";")[1:]}
    assert {"httponly", "samesite=strict", "path=/"} <= said
    assert not any(part.startswith("domain") for part in said)  # so that no other host of the name gets it
    value = cookie.partition("=")[2].partition(";")[0]
    assert value not in (KEY, TOKEN)
    assert len(value) >= 32
    page = stranger.get("/")
    assert page.status_code == 200
    assert KEY not in page.text
    assert value not in page.text


def test_a_cookie_of_another_port_is_no_way_in(stranger: TestClient) -> None:
    came_in(stranger)
    assert stranger.get("/api/about", headers={"host": "127.0.0.1:9999"}).status_code == 403


def test_a_session_ends_after_twelve_hours() -> None:
    from ossicle.desk.door import Door

    now = [0.0]
    door = Door(TOKEN, KEY, clock=lambda: now[0])
    answer = door.opened(f"key={KEY}".encode(), "127.0.0.1:7041")
    assert answer is not None
    cookie = answer.headers["set-cookie"].partition(";")[0]
    now[0] = 12 * 3600 - 1.0
    assert door.session(cookie, "127.0.0.1:7041") is not None
    now[0] += 1
    assert door.session(cookie, "127.0.0.1:7041") is None


def test_no_socket_is_opened_for_anybody(desk, stranger: TestClient) -> None:
    """The desk has no WebSocket; one that is asked for, from wherever, is closed before it is opened."""
    for web in (desk.web, stranger):
        for headers in ({}, {"host": "example.org"}, {"origin": "http://example.org"}):
            with pytest.raises(WebSocketDisconnect), web.websocket_connect("/api/jobs/events", headers=headers):
                pass


@pytest.mark.parametrize(
    "headers",
    [{"host": "example.org:7041"}, {"sec-fetch-site": "cross-site", "sec-fetch-mode": "cors"},
     {"sec-fetch-site": "same-site", "sec-fetch-mode": "no-cors"}],
    ids=["rebound name", "other site", "other port"],
)  # fmt: skip
def test_no_other_page_hears_events_or_reads(desk, headers: dict[str, str]) -> None:
    for path in ("/api/jobs/events", "/api/specimens", "/api/specimens/1"):
        assert desk.web.get(path, headers=headers).status_code in (403, 421)


def test_a_host_told_twice_is_believed_in_neither(desk) -> None:
    answer = desk.web.get("/api/about", headers=[("host", "127.0.0.1:7041"), ("host", "127.0.0.1:7041")])
    assert answer.status_code == 421


def test_leaving_ends_the_session(desk, stranger: TestClient) -> None:
    came_in(stranger)
    assert stranger.post("/leave", follow_redirects=False).status_code == 403  # not without the page's token
    cookie = dict(stranger.cookies)
    assert stranger.post("/leave", headers={"x-ossicle-desk": TOKEN}, follow_redirects=False).status_code == 303
    stranger.cookies.update(cookie)
    assert stranger.get("/api/about").status_code == 403
    assert desk.web.get("/api/about").status_code == 200  # others stay


# -- what is sent


def test_what_is_sent_is_bounded(desk) -> None:
    headers = {"x-ossicle-desk": TOKEN}
    ways: list[dict[str, Any]] = [
        {"content": bytes(MOST_BODY + 1)},
        {"content": (bytes(2**16) for _ in range(MOST_BODY // 2**16 + 1))},  # in chunks, without a length
        {"content": b"{}", "headers": {"content-length": "-1"}},
        {"content": b"{}", "headers": {"content-length": "1e3"}},
    ]
    for way in ways:
        more = way.pop("headers", {})
        answer = desk.web.post("/api/specimens/1/decisions", headers={**headers, **more}, **way)
        assert answer.status_code == 413, answer.text
    fits = desk.web.post("/api/specimens/1/decisions", headers=headers, content=b" " * MOST_BODY)
    assert fits.status_code == 422


def test_no_more_than_the_bound_is_taken_in(desk) -> None:
    """The rest of an endless body is not asked for."""
    taken = 0

    async def receive() -> dict[str, Any]:
        nonlocal taken
        taken += 2**16
        return {"type": "http.request", "body": bytes(2**16), "more_body": True}

    said: list[dict[str, Any]] = []

    async def send(message: dict[str, Any]) -> None:
        said.append(message)

    scope = {"type": "http", "method": "POST", "path": "/api/intake", "query_string": b"",
             "headers": [(b"host", b"127.0.0.1:7041")]}  # fmt: skip
    asyncio.run(desk.web.app(scope, receive, send))
    assert said[0]["status"] == 413
    assert taken <= MOST_BODY + 2**16


def test_a_body_that_does_not_come_is_not_waited_for(desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ossicle.desk.guard.BODY_S", 0.05)

    async def receive() -> dict[str, Any]:
        await asyncio.sleep(60)
        raise AssertionError

    said: list[dict[str, Any]] = []

    async def send(message: dict[str, Any]) -> None:
        said.append(message)

    scope = {"type": "http", "method": "POST", "path": "/api/intake", "query_string": b"",
             "headers": [(b"host", b"127.0.0.1:7041"), (b"content-length", b"10")]}  # fmt: skip
    asyncio.run(desk.web.app(scope, receive, send))
    assert said[0]["status"] == 408


@pytest.mark.parametrize("body", [b"[" * 500_000, b'{"kind":' * 100_000, b"\xff\xfe", b"NaN", b'"\\ud800"', b"1e99999"])
def test_hostile_json_is_refused(desk, body: bytes) -> None:
    for path in ("/api/specimens/1/decisions", "/api/intake", "/api/specimens/1/measure"):
        headers = {"x-ossicle-desk": TOKEN, "content-type": "application/json"}
        answer = desk.web.post(path, headers=headers, content=body)
        assert 400 <= answer.status_code < 500


# -- where scans may be chosen


@pytest.mark.parametrize("way", ["..", "link", "/etc", "scans/one/../../cabinet", "\0", "x" * 5000])
def test_nothing_outside_the_places_is_listed_or_taken(desk, made, tmp_path, way: str) -> None:
    root = made.parent / "scans"
    link = root / "link"
    link.unlink(missing_ok=True)
    link.symlink_to(tmp_path)
    path = way if way.startswith(("/", "\0")) else str(root / way)
    try:
        for asked in ("/api/places", "/api/places/scan"):
            answer = desk.web.get(asked, params={"path": path})
            assert answer.status_code == 404
            assert "below those that may be chosen" in answer.json()["what"]
        answer = desk.send("/intake", 404, source=path, terms={})
        assert "below those that may be chosen" in answer["what"]
        assert "link" not in [f["name"] for f in desk.get("/places", path=str(root))["folders"]]
    finally:
        link.unlink()


def test_the_cautions_are_told(desk) -> None:
    """By the desk and by the account's text alike."""
    from ossicle.account import account_text

    with Collection.open(desk.folder) as held:
        text = " ".join(account_text(held.account("OTC 1")).split())
    for caution in desk.get("/about")["cautions"]:
        assert caution in text
    for word in ("clinical diagnosis", "Human remains", "Threatened species", "confidence"):
        assert word in " ".join(desk.get("/about")["cautions"])
