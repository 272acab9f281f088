"""A desk that a department shares: named persons, roles, passwords, TLS or a stated proxy, how often one may ask."""

from __future__ import annotations

import json
import shutil
import ssl
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from desk_token import TOKEN
from starlette.testclient import TestClient

from ossicle.cli import main
from ossicle.collection import Collection
from ossicle.desk import make_app
from ossicle.desk.door import Door
from ossicle.desk.guard import Guard
from ossicle.desk.persons import Persons
from ossicle.desk.sharing import Rates, Sharing, may, role_needed
from ossicle.errors import OssicleError

NAME = "desk.museum.test"
PASSWORD = "nine calm wombats dig"
ROLES = {"R. Eader": "read", "D. Ecider": "decide", "M. Anager": "manage"}
AGREE = {"kind": "agree", "finding": "formula/counts", "who": "Somebody Else"}


@pytest.fixture(scope="module")
def persons(tmp_path_factory: pytest.TempPathFactory) -> Persons:
    known = Persons(tmp_path_factory.mktemp("persons"))
    for name, role in ROLES.items():
        known.put(name, role, PASSWORD)
    return known


@pytest.fixture(scope="module")
def shared(made: Path, persons: Persons, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Guard]:
    folder = Path(shutil.copytree(made, tmp_path_factory.mktemp("shared") / "cabinet"))
    with Collection.open(folder) as held:
        door = Door(sharing=Sharing(NAME, behind_proxy=True), persons=persons)
        yield make_app(held, door=door, roots=[made.parent / "scans"], threads=1)


@pytest.fixture(autouse=True)
def _fresh_rates(shared: Guard) -> None:
    fresh = Door(sharing=shared.door.sharing)
    shared.door._by_name, shared.door._by_address, shared.door.requests = (
        fresh._by_name,
        fresh._by_address,
        fresh.requests,
    )


def client(app: Any, address: str = "192.0.2.7") -> TestClient:
    """A browser behind the proxy."""
    web = TestClient(app, base_url=f"https://{NAME}", follow_redirects=False)
    web.headers.update({"x-forwarded-proto": "https", "x-forwarded-for": address})
    return web


def sign_in(web: TestClient, name: str, password: str = PASSWORD) -> Any:
    return web.post(
        "/enter",
        data={"name": name, "password": password},
        headers={"origin": f"https://{NAME}", "sec-fetch-site": "same-origin"},
    )


def token(web: TestClient) -> dict[str, str]:
    """Return the header that the page sends."""
    page = web.get("/").text
    return {"x-ossicle-desk": page.partition('name="desk-token" content="')[2].partition('"')[0]}


@pytest.fixture
def inside(shared: Guard) -> Any:
    def come_in(name: str) -> TestClient:
        web = client(shared)
        assert sign_in(web, name).status_code == 303
        web.headers.update(token(web))
        return web

    return come_in


# -- passwords


def test_passwords_are_kept_as_rfc_9106_recommends(persons: Persons) -> None:
    """RFC 9106, section 4, second recommended option: Argon2id, t = 3, p = 4, m = 2^16 KiB, salt 128 bits, tag 256."""
    import base64

    assert stat.S_IMODE(persons.file.stat().st_mode) == 0o600
    text = persons.file.read_text()
    assert PASSWORD not in text
    for row in json.loads(text)["persons"]:
        _, kind, version, parameters, salt, tag = row["digest"].split("$")
        assert (kind, version, parameters) == ("argon2id", "v=19", "m=65536,t=3,p=4")
        assert len(base64.b64decode(salt + "==")) == 16
        assert len(base64.b64decode(tag + "==")) == 32
    assert len({row["digest"] for row in json.loads(text)["persons"]}) == len(ROLES)  # salted


@pytest.mark.parametrize(
    ("name", "role", "password", "told"),
    [("", "read", PASSWORD, "a name"), ("A\nB\0", "read", PASSWORD, "a name"), ("A", "king", PASSWORD, "no role"),
     ("A", "read", "fourteen chars", "15 to 1000"), ("A", "read", "x" * 1001, "15 to 1000"),
     ("A", "read", None, "no password yet")],
)  # fmt: skip
def test_what_cannot_be_a_person(tmp_path: Path, name: str, role: str, password: str | None, told: str) -> None:
    with pytest.raises(OssicleError, match=told):
        Persons(tmp_path).put(name, role, password)
    assert not (tmp_path / "persons.json").exists()


@pytest.mark.parametrize(
    "text", ["", "[]", "{}", '{"format": "ossicle-persons/1", "persons": [{"name": 1}]}', "[" * 10**5]
)
def test_a_damaged_list_lets_nobody_in(tmp_path: Path, text: str) -> None:
    (tmp_path / "persons.json").write_text(text)
    with pytest.raises(OssicleError, match="damaged"):
        Persons(tmp_path).proven("A", PASSWORD)


def test_the_command_of_persons(folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch) -> None:
    import io

    def ran(*words: str, said: str = "") -> tuple[int, str]:
        monkeypatch.setattr(sys, "stdin", io.StringIO(said))
        code = main(["persons", str(folder), *words])
        got = capsys.readouterr()
        return code, got.out + got.err

    assert "Nobody may come in yet" in ran()[1]
    assert ran("--add", "M. Anager", "--role", "manage", said=PASSWORD + "\n") == (0, "manage  M. Anager\n")
    assert ran("--add", "M. Anager", "--role", "read", "--keep-password") == (0, "read    M. Anager\n")
    assert Persons(folder).proven("M. Anager", PASSWORD) is not None
    assert ran("--add", "B", said="short\n")[0] == 2
    assert ran("--remove", "C")[0] == 2
    assert json.loads(ran("--json")[1]) == [{"name": "M. Anager", "role": "read"}]
    assert "Nobody" in ran("--remove", "M. Anager")[1]
    with Collection.open(folder) as held:
        assert held.check().sound


# -- coming in


def test_nothing_is_shown_before_signing_in(shared: Guard) -> None:
    web = client(shared)
    assert web.get("/").headers["location"] == "/enter"
    asks = web.get("/enter")
    assert asks.status_code == 200
    assert 'type="password"' in asks.text.replace("'", '"')
    assert "<script" not in asks.text
    assert "style=" not in asks.text
    assert asks.headers["content-security-policy"].count("unsafe") == 0
    assert asks.headers["strict-transport-security"].startswith("max-age=")
    for path in ("/api/about", "/api/specimens", "/api/jobs/events", "/api/openapi.json"):
        assert web.get(path).status_code == 401
    assert web.get("/", params={"key": shared.door.key}).headers["location"] == "/enter"  # the first link's key is none


@pytest.mark.parametrize(
    ("name", "password"), [("R. Eader", "nine calm wombats dog"), ("Nobody", PASSWORD), ("", ""), ("R. Eader", "")]
)
def test_a_wrong_password_is_none(shared: Guard, name: str, password: str) -> None:
    web = client(shared)
    answer = sign_in(web, name, password)
    assert answer.status_code == 403
    assert "No person here has that name and password" in answer.text  # the same for a name that is not known
    assert "set-cookie" not in answer.headers


def test_the_cookie_is_for_this_host_and_tls_alone(shared: Guard) -> None:
    answer = sign_in(client(shared), "R. Eader")
    cookie = answer.headers["set-cookie"].lower()
    assert cookie.startswith("__host-")  # RFC 6265bis: Secure, Path=/, no Domain
    for word in ("httponly", "secure", "samesite=lax", "path=/"):
        assert word in cookie
    assert "domain" not in cookie


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "https://evil.test"},
        {"origin": "null"},
        {"origin": f"http://{NAME}"},
        {"sec-fetch-site": "cross-site"},
    ],
    ids=["other origin", "no origin", "not TLS", "other site"],
)  # fmt: skip
def test_another_page_signs_nobody_in(shared: Guard, headers: dict[str, str]) -> None:
    answer = client(shared).post("/enter", data={"name": "R. Eader", "password": PASSWORD}, headers=headers)
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "evil.test", f"{NAME}.evil.test", f"x{NAME}", ""])
def test_a_shared_desk_answers_to_its_name_alone(shared: Guard, host: str) -> None:
    assert client(shared).get("/enter", headers={"host": host}).status_code == 421


def test_what_the_proxy_got_without_tls_is_refused(shared: Guard) -> None:
    for said in ("http", "", "https, http"):
        assert client(shared).get("/enter", headers={"x-forwarded-proto": said}).status_code == 421


# -- roles


def test_each_role_may_what_it_may(inside: Any) -> None:
    ways = {
        "look": lambda web: web.get("/api/specimens/1"),
        "measure": lambda web: web.post(
            "/api/specimens/1/measure", json={"kind": "length", "points": [[0, 0, 0], [1, 0, 0]]}
        ),
        "decide": lambda web: web.post("/api/specimens/1/decisions", json=AGREE),
        "see the places": lambda web: web.get("/api/places"),
        "cancel": lambda web: web.delete("/api/jobs/reading-1"),
    }
    may_do = {"R. Eader": 2, "D. Ecider": 3, "M. Anager": 5}
    for name, count in may_do.items():
        web = inside(name)
        assert web.get("/api/about").json()["role"] == ROLES[name]
        for number, (what, ask) in enumerate(ways.items()):
            answer = ask(web)
            assert (answer.status_code == 200) == (number < count), (name, what, answer.text)
            if number >= count:
                assert answer.status_code == 403
                assert "asks for the role" in answer.json()["what"]


def test_each_route_that_changes_something_has_a_stated_role(shared: Guard, inside: Any) -> None:
    paths = inside("R. Eader").get("/api/openapi.json").json()["paths"]
    for path, ways in paths.items():
        for way in ways:
            assert role_needed(way.upper(), path.replace("{", "").replace("}", "")) is not None, (way, path)
    assert role_needed("POST", "/api/a-new-route") is None
    assert not may("decide", "POST", "/api/a-new-route")
    assert may("manage", "POST", "/api/a-new-route")


def test_a_decision_is_of_who_signed_in(inside: Any) -> None:
    """Not of whom the request names."""
    web = inside("D. Ecider")
    version = web.get("/api/specimens/1").json()["version"]
    assert web.post("/api/specimens/1/decisions", json=AGREE).json()["version"] == version + 1
    last = web.get("/api/specimens/1/history").json()[-1]
    assert last["who"] == "D. Ecider"
    assert web.post("/api/specimens/1/undo", json={"who": "Somebody Else"}).status_code == 200
    assert web.get("/api/specimens/1/history").json()[-1]["who"] == "D. Ecider"
    assert web.get("/api/about").json()["person"] == "D. Ecider"


def test_no_session_takes_the_token_of_another(shared: Guard, inside: Any) -> None:
    one, two = inside("D. Ecider"), inside("M. Anager")
    assert one.headers["x-ossicle-desk"] != two.headers["x-ossicle-desk"]
    other = {"x-ossicle-desk": two.headers["x-ossicle-desk"]}
    assert one.post("/api/specimens/1/decisions", json=AGREE, headers=other).status_code == 403


def test_a_person_who_is_removed_is_out_at_once(shared: Guard, persons: Persons, inside: Any) -> None:
    persons.put("G. Oing", "manage", PASSWORD)
    web = inside("G. Oing")
    assert web.get("/api/about").status_code == 200
    persons.put("G. Oing", "read", None)  # another role: sign in again
    assert web.get("/api/about").status_code == 401
    again = inside("G. Oing")
    persons.remove("G. Oing")
    assert again.get("/api/about").status_code == 401
    assert sign_in(client(shared), "G. Oing").status_code == 403


# -- how often


def test_a_bucket_fills_as_time_goes() -> None:
    now = [0.0]
    rates = Rates(3, 0.5, lambda: now[0])
    assert [rates.wait("a") for _ in range(3)] == [0, 0, 0]
    assert rates.wait("a") == pytest.approx(2.0)
    assert rates.wait("b") == 0
    now[0] = 1.9
    assert rates.wait("a") == pytest.approx(0.1)
    now[0] = 2.0
    assert rates.wait("a") == 0
    assert rates.wait("a") == pytest.approx(2.0)


def test_passwords_are_not_tried_without_end(shared: Guard, monkeypatch: pytest.MonkeyPatch) -> None:
    tried: list[str] = []
    monkeypatch.setattr(shared.door.persons, "proven", lambda name, password: tried.append(name))
    codes = [sign_in(client(shared, f"192.0.2.{n}"), "R. Eader", "x").status_code for n in range(8)]
    assert codes == [403] * 5 + [429] * 3  # one name from many places
    assert len(tried) == 5
    codes = [sign_in(client(shared, "192.0.2.200"), f"Person {n}", "x").status_code for n in range(23)]
    assert codes == [403] * 20 + [429] * 3  # many names from one place
    assert "retry-after" in sign_in(client(shared, "192.0.2.200"), "R. Eader", "x").headers
    # What the asker itself wrote before the proxy's word does not count.
    web = client(shared, "203.0.113.1, 192.0.2.200")
    assert sign_in(web, "Another", "x").status_code == 429


def test_requests_are_bounded_too(shared: Guard, inside: Any) -> None:
    web = inside("R. Eader")
    shared.door.requests = Rates(5, 1, lambda: 0.0)
    assert [web.get("/api/about").status_code for _ in range(7)] == [200] * 5 + [429] * 2
    assert web.get("/api/about").headers["retry-after"] == "2"
    strange = client(shared)
    assert [strange.get("/api/about").status_code for _ in range(7)] == [401] * 5 + [429] * 2
    assert client(shared, "192.0.2.8").get("/api/about").status_code == 401


# -- TLS


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    at = tmp_path_factory.mktemp("tls")
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not installed")
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2",
         "-subj", f"/CN={NAME}", "-addext", f"subjectAltName=DNS:{NAME}", "-keyout", str(at / "key.pem"),
         "-out", str(at / "certificate.pem")],
        check=True, capture_output=True,
    )  # fmt: skip
    return at / "certificate.pem", at / "key.pem"


def test_no_desk_is_shared_without_tls_or_persons(folder: Path, certificate, capsys, tmp_path: Path) -> None:
    own, key = map(str, certificate)
    (tmp_path / "no.pem").write_text("no certificate")
    for words, told in (
        (["--share", NAME], "over TLS only"),
        (["--share", NAME, "--certificate", own], "go together"),
        (["--share", NAME, "--certificate", own, "--key", str(tmp_path / "no.pem")], "cannot be used"),
        (["--share", NAME, "--certificate", own, "--key", key, "--behind-proxy"], "over TLS only"),
        (["--share", "a b", "--behind-proxy"], "no host name"),
        (["--share", NAME, "--behind-proxy"], "nobody may come in yet"),
        (["--address", "0.0.0.0"], "for a shared desk"),
        (["--behind-proxy"], "for a shared desk"),
    ):
        assert main(["desk", str(folder), "--no-browser", *words]) == 2
        assert told in capsys.readouterr().err


def test_a_shared_desk_speaks_tls(folder: Path, certificate, monkeypatch: pytest.MonkeyPatch) -> None:
    """The real server, asked over TLS by its name; without TLS it does not answer."""
    import http.client
    import socket
    import threading

    import uvicorn

    from ossicle.desk import serve

    Persons(folder).put("M. Anager", "manage", PASSWORD)
    told: list[str] = []
    ready = threading.Event()
    servers: list[uvicorn.Server] = []
    before = uvicorn.Server.__init__

    def made(self: uvicorn.Server, config: uvicorn.Config) -> None:
        before(self, config)
        servers.append(self)

    monkeypatch.setattr(uvicorn.Server, "__init__", made)
    monkeypatch.setattr(uvicorn.Server, "capture_signals", lambda self: __import__("contextlib").nullcontext())
    thread = threading.Thread(
        target=serve,
        args=(folder,),
        kwargs={
            "port": 0, "sharing": Sharing(NAME, *certificate), "address": "127.0.0.1", "open_browser": True,
            "told": lambda text: (told.append(text), ready.set()),
        },
    )  # fmt: skip
    thread.start()
    try:
        assert ready.wait(300)
        assert told[0].startswith(f"https://{NAME}:")
        assert "key=" not in told[0]
        port = int(told[0].rstrip("/").rpartition(":")[2])
        trusting = ssl.create_default_context(cafile=str(certificate[0]))
        with (
            socket.create_connection(("127.0.0.1", port)) as plain,
            trusting.wrap_socket(plain, server_hostname=NAME) as safe,
        ):
            assert safe.version() in ("TLSv1.2", "TLSv1.3")
            asked = http.client.HTTPConnection(NAME)
            asked.sock = safe
            asked.request("GET", "/enter", headers={"host": f"{NAME}:{port}"})
            answer = asked.getresponse()
            assert answer.status == 200
            assert b"Sign in" in answer.read()
        with socket.create_connection(("127.0.0.1", port)) as plain:
            plain.sendall(f"GET /enter HTTP/1.1\r\nhost: {NAME}\r\n\r\n".encode())
            assert b"200" not in plain.recv(100)
    finally:
        for server in servers:
            server.should_exit = True
        thread.join(60)
    assert not thread.is_alive()


def test_the_token_of_tests_is_no_way_in(shared: Guard) -> None:
    assert (
        client(shared).post("/api/specimens/1/decisions", json=AGREE, headers={"x-ossicle-desk": TOKEN}).status_code
        == 401
    )
