"""Who may talk to the desk."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ossicle.desk.guard import is_loopback

SAYING = {"kind": "agree", "finding": "formula/counts"}


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
    answer = desk.web.post("/api/specimens/1/decisions", json=SAYING, headers=headers)
    assert answer.status_code == 403
    assert set(answer.json()) == {"what", "where", "mend"}
    assert desk.get("/specimens/1/history") == []


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
    from starlette.testclient import TestClient

    from ossicle.collection import Collection
    from ossicle.desk import make_app

    page = tmp_path / "page"
    (page / "assets").mkdir(parents=True)
    (page / "index.html").write_text('<meta name="desk-token" content="{{desk-token}}">')
    (page / "assets" / "app-1234.js").write_text("export {}")
    (tmp_path / "secret.txt").write_text("secret")
    (page / "link.txt").symlink_to(tmp_path / "secret.txt")
    with (
        Collection.open(folder) as held,
        TestClient(make_app(held, token='<">', page=page), base_url="http://localhost") as web,
    ):
        script = web.get("/assets/app-1234.js")
        assert script.headers["cache-control"].endswith("immutable")
        assert script.headers["content-type"].startswith("text/javascript")
        assert "&lt;&quot;&gt;" in web.get("/").text
        assert web.get("/link.txt").status_code == 404
