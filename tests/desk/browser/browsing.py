"""The desk's server in a process of its own, and a reader before its page."""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

__all__ = ["CHROMIUM", "FLAGS", "Desk", "Reader"]

CHROMIUM = shutil.which("chromium")
FLAGS = [
    "--no-sandbox",
    "--use-gl=angle",
    "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader",
    "--ignore-gpu-blocklist",
    "--disable-quic",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]


@dataclass
class Desk:
    """The real server, in a process of its own."""

    cabinet: Path
    port: int = 0
    below: Path | None = None
    process: subprocess.Popen[bytes] | None = field(default=None, repr=False)
    first: str = ""
    """The link that the desk printed, which lets a browser in."""

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/"

    def start(self) -> Desk:
        if self.port == 0:
            with socket.socket() as free:
                free.bind(("127.0.0.1", 0))
                self.port = int(free.getsockname()[1])
        command = [sys.executable, "-m", "ossicle", "desk", str(self.cabinet), "--no-browser", "--port", str(self.port)]
        if self.below is not None:
            command += ["--below", str(self.below)]
        log = (self.cabinet.parent / "desk.log").open("wb")
        # Named at start, so that no test hangs on being asked who decides.
        self.process = subprocess.Popen(
            command, stdout=log, stderr=log, env={**os.environ, "OSSICLE_PERSON": "A. Reader"}
        )
        self._await()
        return self

    def _await(self) -> None:
        for _ in range(600):
            assert self.process is not None
            assert self.process.poll() is None, (self.cabinet.parent / "desk.log").read_text()
            found = re.search(r"http://\S+\?key=\S+", (self.cabinet.parent / "desk.log").read_text())
            try:
                if found is not None:
                    self.first = found[0]
                    web = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
                    web.open(self.first, timeout=5).close()
                    web.open(f"{self.url}api/about", timeout=5).close()
                    return
            except OSError:
                pass
            time.sleep(0.2)
        raise AssertionError("the desk did not start")

    def stop(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.terminate()
            self.process.wait(30)


@dataclass
class Reader:
    """A person before the page."""

    page: Any
    told: list[str]
    asked: list[str]

    @classmethod
    def of_file(cls, context: Any, file: Path) -> Reader:
        """Open a page from its file, and wait until it is ready; what it says and asks for is kept."""
        one = cls(context.new_page(), [], [])
        one.page.on("console", lambda m: one.told.append(m.text) if m.type in ("error", "warning") else None)
        one.page.on("pageerror", lambda error: one.told.append(str(error)))
        one.page.on("request", lambda request: one.asked.append(request.url))
        one.page.goto(file.as_uri())
        one.until("document.documentElement.dataset.ready === 'yes'")
        return one

    def until(self, script: str, seconds: float = 90) -> Any:
        """Wait for a script to say something true, and return it. (Waiting within the page would need `eval`.)"""
        from playwright.sync_api import Error

        end = time.monotonic() + seconds
        while time.monotonic() < end:
            try:
                said = self.page.evaluate(script)
            except Error as error:
                if "Execution context was destroyed" not in str(error):
                    raise
                said = None  # the page is going elsewhere
            if said:
                return said
            time.sleep(0.05)
        notice = self.page.evaluate(
            "[...document.querySelectorAll('.notice, .pointing')].map(n => n.textContent).join(' | ')"
        )
        raise AssertionError(f"in vain: {script}\nat {self.page.url}\ntold: {self.told}\nnotice: {notice}")

    def settled(self, specimens: int = 1) -> None:
        """Wait until the stage shows so many specimens in its finest drawing."""
        self.until(
            "window.ossicleStage !== undefined && window.ossicleStage.skulls.length === "
            f"{specimens} && window.ossicleStage.settled"
        )

    def open(self, url: str, specimens: int = 1) -> None:
        self.page.goto(url)
        self.settled(specimens)
        self.until("document.querySelectorAll('.slot').length > 0")

    def keys(self, *keys: str) -> None:
        for key in keys:
            self.page.keyboard.press(key)
