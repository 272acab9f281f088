"""The page in Debian's chromium, against the real server and a collection of drawn specimens.

One server serves all tests of a session; tests that decide have a specimen each, so that none finds another's word.
OSSICLE_DESK_CABINET names a collection of six read specimens to take instead (juvenile, adult, subadult, three more).
"""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.append(str(Path(__file__).parent))

from browsing import CHROMIUM, FLAGS, Desk, Reader
from desk_world import SIX, make


@pytest.fixture(scope="session")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    if CHROMIUM is None:
        pytest.skip("Debian's chromium is not installed (apt-get install chromium)")
    at = tmp_path_factory.mktemp("desk")
    ready = os.environ.get("OSSICLE_DESK_CABINET")
    cabinet = Path(shutil.copytree(ready, at / "cabinet")) if ready else make(at, SIX)
    below = at / "scans"
    below.mkdir(exist_ok=True)
    running = Desk(cabinet, below=below).start()
    yield running
    running.stop()


@pytest.fixture(scope="module")  # it holds an event loop while it is open, which other files' tests must not meet
def browser() -> Iterator[Any]:
    if CHROMIUM is None:
        pytest.skip("Debian's chromium is not installed (apt-get install chromium)")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        one = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield one
        one.close()


@pytest.fixture
def reader(browser: Any, desk: Desk) -> Iterator[Callable[..., Reader]]:
    """Opens pages; at the end none of them may have complained, or asked anything of another host."""
    readers: list[Reader] = []
    contexts = []

    def open_page(width: int = 1280, height: int = 800, **more: Any) -> Reader:
        context = browser.new_context(viewport={"width": width, "height": height}, **more)
        contexts.append(context)
        page = context.new_page()
        page.goto(desk.first)  # lets this browser in
        page.goto("about:blank")
        one = Reader(page, [], [])
        page.on("console", lambda m: one.told.append(f"{m.type}: {m.text}") if m.type in ("error", "warning") else None)
        page.on("pageerror", lambda error: one.told.append(str(error)))
        page.on("request", lambda request: one.asked.append(request.url))
        readers.append(one)
        return one

    yield open_page
    for context in contexts:
        for page in context.pages:
            page.unroute_all(behavior="ignoreErrors")  # a question under way that is answered here would be waited for
        context.close()
    for one in readers:
        assert one.told == []
        assert [
            u for u in one.asked if not u.startswith(("http://127.0.0.1:", "data:", "blob:http://127.0.0.1:"))
        ] == []
