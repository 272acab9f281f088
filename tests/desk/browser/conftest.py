"""The page in Debian's chromium, against the real server and a practice collection that was really read."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.append(str(Path(__file__).parent))

from browsing import Desk, Reader

from ossicle.cli import main

if not os.environ.get("OSSICLE_BROWSER_TESTS"):
    # They draw by software for minutes and are not settled yet: OSSICLE_BROWSER_TESTS=1 runs them.
    collect_ignore = ["test_accessible.py", "test_round.py"]

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
MADE = {"OTC 12": ("carnivore-like-juvenile", "0.25"), "OTC 13": ("carnivore-like-adult", "0.3")}
"""Catalogue number, preset and voxel edge in mm: coarser than the presets' own, so that a reading takes seconds."""


@pytest.fixture(scope="session")
def read_cabinet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A collection of two invented animals of one kind, both read; a ready one where OSSICLE_DESK_CABINET names it."""
    ready = os.environ.get("OSSICLE_DESK_CABINET")
    if ready:
        return Path(ready)
    at = tmp_path_factory.mktemp("desk")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("OSSICLE_CACHE", str(at / "cache"))
        for number, (preset, voxel) in MADE.items():
            made, stage = at / preset, preset.rsplit("-", 1)[-1]
            assert main(["practice", "make", preset, "--voxel", voxel, "--out", str(made), "--threads", "1"]) == 0
            terms = [f"catalogNumber={number}", "scientificName=Fictus minor (invented)", f"lifeStage={stage}"]
            words = [word for term in terms for word in ("--term", term)]
            assert main(["intake", str(made), "--into", str(at / "cabinet"), *words]) == 0
            assert main(["read", number, "--in", str(at / "cabinet"), "--threads", "1"]) == 0
    return at / "cabinet"


@pytest.fixture
def cabinet(read_cabinet: Path, tmp_path: Path) -> Path:
    """A copy of the collection, to decide in."""
    return Path(shutil.copytree(read_cabinet, tmp_path / "cabinet"))


@pytest.fixture
def desk(cabinet: Path) -> Iterator[Desk]:
    running = Desk(cabinet).start()
    yield running
    running.stop()


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    if CHROMIUM is None:
        pytest.skip("Debian's chromium is not installed (apt-get install chromium)")
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
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
        context.close()
    for one in readers:
        assert one.told == []
        assert [
            u for u in one.asked if not u.startswith(("http://127.0.0.1:", "data:", "blob:http://127.0.0.1:"))
        ] == []
