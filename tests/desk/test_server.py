"""The desk as a process: started, killed, listened to; what its command refuses."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

import pytest

from ossicle.collection import Collection


class Running:
    """A desk in a process of its own."""

    def __init__(self, folder: Path, *words: str) -> None:
        environment = {**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p), "PYTHONUNBUFFERED": "1"}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "ossicle", "desk", str(folder), "--no-browser", *words],
            stderr=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            env=environment,
            text=True,
        )
        assert self.process.stderr is not None
        line = self.process.stderr.readline()
        found = re.search(r"(http://127\.0\.0\.1:\d+/)\?key=\S+", line)
        assert found, line + self.process.stderr.read()
        self.address = found[1]
        self.web = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
        with self.web.open(found[0], timeout=600) as page:
            assert page.url == self.address  # without the key
            token = re.search(r"desk-token[\"'] content=[\"']([^\"']+)", page.read().decode())
        assert token
        self.token = token[1]

    def ask(self, path: str, body: dict | None = None) -> Any:
        request = urllib.request.Request(self.address + path.lstrip("/"))
        if body is not None:
            request.data = json.dumps(body).encode()
            request.add_header("content-type", "application/json")
            request.add_header("x-ossicle-desk", self.token)
        with self.web.open(request, timeout=600) as answer:
            return json.loads(answer.read())

    def end(self, how: int) -> int:
        self.process.send_signal(how)
        code = self.process.wait(timeout=600)
        assert self.process.stderr is not None
        self.process.stderr.close()
        return code


def test_a_decision_is_there_after_the_desk_was_killed(folder) -> None:
    running = Running(folder)
    try:
        told = running.ask("/api/specimens/1/decisions", {"kind": "agree", "finding": "formula/counts"})
        assert told["version"] == 1
    finally:
        running.end(signal.SIGKILL)
    again = Running(folder)
    try:
        told = again.ask("/api/specimens/1")
        assert next(f["standing"] for f in told["account"]["findings"] if f["id"] == "formula/counts") == "agreed"
        own = again.token
        again.token = running.token
        with pytest.raises(urllib.error.HTTPError) as refused:
            again.ask("/api/specimens/1/undo", {})
        assert refused.value.code == 403  # a page of the desk that died asks to be loaded again
        again.token, again.web = own, running.web
        with pytest.raises(urllib.error.HTTPError) as refused:
            again.ask("/api/specimens/1")
        assert refused.value.code == 403  # and so does the cookie
    finally:
        code = again.end(signal.SIGINT)
    assert code in (0, 130)
    with Collection.open(folder) as held:
        assert held.check().sound


def test_a_job_is_told_as_it_changes(folder) -> None:
    running = Running(folder)
    try:
        with running.web.open(running.address + "api/jobs/events", timeout=600) as stream:
            assert stream.headers["content-type"].startswith("text/event-stream")
            lines = [stream.readline().decode().strip() for _ in range(4)]
        row = json.loads(next(line for line in lines if line.startswith("data: "))[6:])
        assert row["id"] == "reading-1"
        assert row["state"] == "done"
    finally:
        running.end(signal.SIGTERM)


def test_it_listens_on_loopback_alone(folder) -> None:
    import socket

    running = Running(folder)
    try:
        port = int(running.address.rstrip("/").rpartition(":")[2])
        others = {info[4][0] for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)}
        for address in others - {"127.0.0.1", "127.0.1.1"}:
            with socket.socket() as asked:
                asked.settimeout(2)
                assert asked.connect_ex((address, port)) != 0
    finally:
        running.end(signal.SIGTERM)


def test_the_command_refuses_in_a_sentence(tmp_path, capsys, monkeypatch: pytest.MonkeyPatch) -> None:
    from ossicle.cli import main

    assert main(["desk", str(tmp_path / "none"), "--no-browser"]) == 2
    assert "there is no such folder" in capsys.readouterr().err
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "notes.txt").write_text("mine")
    for words in ([], ["--new"]):
        assert main(["desk", str(tmp_path / "full"), "--no-browser", *words]) == 2
    capsys.readouterr()
    assert main(["desk", str(tmp_path / "full" / "notes.txt"), "--no-browser", "--new"]) == 2
    assert "this is a file, not a folder" in capsys.readouterr().err
    assert sorted(p.name for p in (tmp_path / "full").iterdir()) == ["notes.txt"]
    seen = []

    def run(server: Any, sockets: list) -> None:
        seen.append(sockets[0].getsockname()[0])
        assert server.config.app.make() is not None

    monkeypatch.setattr("uvicorn.Server.run", run)
    assert main(["desk", str(tmp_path / "fresh"), "--no-browser", "--new"]) == 0
    assert seen == ["127.0.0.1"]
    assert (tmp_path / "fresh" / "collection.toml").is_file()


def test_a_port_in_use_is_told(folder, capsys) -> None:
    import socket

    from ossicle.cli import main

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        assert main(["desk", str(folder), "--no-browser", "--port", str(port)]) == 2
    assert f"port {port}" in capsys.readouterr().err


def test_a_collection_that_cannot_be_opened_ends_the_command_in_a_sentence(folder, capsys) -> None:
    from ossicle.cli import main

    (folder / "catalogue.sqlite").unlink()
    for extra in folder.glob("catalogue.sqlite-*"):
        extra.unlink()
    assert main(["desk", str(folder), "--no-browser"]) == 2
    assert "the catalogue of this collection is missing" in capsys.readouterr().err


def test_the_page_comes_before_what_stands_behind_it(tmp_path) -> None:
    """The page is answered while the application is still being made; a question waits for it."""
    import asyncio
    import threading

    from ossicle.desk.door import Door
    from ossicle.desk.opening import Opening
    from ossicle.desk.pages import Page

    door = Door("t", "k")
    entered = door.opened(b"key=k", "localhost")
    assert entered is not None
    cookie = entered.headers["set-cookie"].partition(";")[0].encode()
    go = threading.Event()

    class Inner:
        class app:
            class router:
                @staticmethod
                def lifespan_context(_: Any) -> Any:
                    from contextlib import nullcontext

                    return nullcontext()

    async def answer(scope: Any, receive: Any, send: Any) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b"answered"})

    Inner.app = type("Made", (), {"router": Inner.app.router, "__call__": staticmethod(answer)})()  # type: ignore[misc]

    def make() -> Any:
        go.wait(60)
        return Inner

    async def ask(app: Any, path: str) -> bytes:
        got: list[bytes] = []

        async def send(message: Any) -> None:
            got.append(message.get("body", b""))

        async def receive() -> Any:
            return {"type": "http.request", "body": b"", "more_body": False}

        scope = {
            "type": "http",
            "method": "GET",
            "path": path,
            "headers": [(b"host", b"localhost"), (b"cookie", cookie)],
            "query_string": b"",
        }
        await app(scope, receive, send)
        return b"".join(got)

    async def story() -> None:
        app = Opening(make, Page(tmp_path), door, lambda: None)
        inbox: asyncio.Queue[Any] = asyncio.Queue()
        outbox: asyncio.Queue[Any] = asyncio.Queue()
        await inbox.put({"type": "lifespan.startup"})
        living = asyncio.create_task(app({"type": "lifespan"}, inbox.get, outbox.put))
        assert (await outbox.get())["type"] == "lifespan.startup.complete"
        assert b"desk-token" in await ask(app, "/")
        waiting = asyncio.create_task(ask(app, "/api/specimens"))
        await asyncio.sleep(0.05)
        assert not waiting.done()
        go.set()
        assert await waiting == b"answered"
        await inbox.put({"type": "lifespan.shutdown"})
        await living

    asyncio.run(story())
