"""A talk recorded at the desk by chromium's fake microphone (a beep each half second): voice and stage together, taken
in hand and returned to, cut off in the middle; its page from a disk without any network.
"""

from __future__ import annotations

import json
import random
import shutil
import statistics
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from benchmarks.talk import HEARD, PAINTS, SPEAKING, WATCH, apart_ms, taken_and_given_back
from browsing import CHROMIUM, FLAGS, Desk, Reader

from ossicle.cli import main

APART = (
    "() => new Promise(told => requestAnimationFrame(() => "
    "told(window.lessonTalk.clock.now - window.lessonTalk.shownAt)))"
)
"""How far the voice is from what the stage was told to show in this frame, ms."""


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    if CHROMIUM is None:
        pytest.skip("Debian's chromium is not installed (apt-get install chromium)")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        one = playwright.chromium.launch(executable_path=CHROMIUM, args=[*FLAGS, *SPEAKING])
        yield one
        one.close()


def opened(browser: Any, desk: Desk) -> Reader:
    page = browser.new_context(viewport={"width": 1280, "height": 800}).new_page()
    page.goto(desk.first)
    page.goto("about:blank")
    page.add_init_script(WATCH)
    told: list[str] = []
    page.on("pageerror", lambda error: told.append(str(error)))
    one = Reader(page, told, [])
    one.open(f"{desk.url}#/5?leaf=talk")
    page.evaluate(PAINTS)
    return one


@pytest.fixture(scope="module")
def recorded(browser: Any, desk: Desk) -> Iterator[tuple[Reader, Path]]:
    """A talk of some six seconds."""
    one = opened(browser, desk)
    page = one.page
    page.get_by_role("button", name="Record a new talk").click()
    one.until("document.querySelector('.recording') !== null")
    page.locator(".stage-canvas").focus()
    for _ in range(14):  # always on, so that each direction is seen once
        one.keys("ArrowLeft")
        page.wait_for_timeout(180)
    page.locator(".sentence").nth(1).click()
    page.get_by_label("show where I point").check()
    page.mouse.move(520, 300)
    page.mouse.move(560, 320, steps=4)
    page.wait_for_timeout(1500)
    page.get_by_role("button", name="End the section").click()
    one.until("document.querySelector('.recording') === null")
    assert one.told == []
    (place,) = (desk.cabinet / "talks" / "5").iterdir()
    yield one, place
    page.context.close()
    shutil.rmtree(desk.cabinet / "talks")


def test_voice_and_stage_are_recorded_within_a_tenth_of_a_second(recorded: tuple[Reader, Path]) -> None:
    one, place = recorded
    (section,) = (p for p in place.iterdir() if p.is_dir())
    events = [e for f in sorted(section.glob("*.json")) for e in json.loads(f.read_text())["events"]]
    assert {"eye", "shown", "pointer", "chapter", "named"} <= {k for e in events for k in e}
    heard = one.page.evaluate(HEARD, f"/api/specimens/5/talks/{place.name}/sections/{section.name}/voice.webm")
    beeps, paints = one.page.evaluate("[window.beeps, window.paints]")
    assert len(heard) > 6
    late = apart_ms(heard, beeps, paints, events)
    # The median: a page that is busy notices a beep late.
    assert len(late) >= 3
    assert abs(statistics.median(late)) < 100


def test_a_browser_that_dies_loses_five_seconds_at_most(
    browser: Any, desk: Desk, recorded: tuple[Reader, Path]
) -> None:
    one = opened(browser, desk)
    page = one.page
    page.get_by_role("button", name="Record a further section").click()
    one.until("document.querySelector('.recording') !== null")
    began = time.monotonic()
    page.wait_for_timeout(5200)
    spoken = time.monotonic() - began
    page.context.close()  # nothing in the page hears of it
    again = opened(browser, desk)
    again.until("[...document.querySelectorAll('.talk button')].some(b => b.textContent === 'Go on with it')")
    talks = again.page.evaluate("fetch('/api/specimens/5/talks').then(r => r.json())")
    kept = talks[0]["sections"][1]
    assert not kept["ended"]
    assert spoken - kept["length_ms"] / 1000 <= 5
    assert kept["length_ms"] > 1500
    again.page.context.close()


def test_the_page_replays_and_is_taken_in_hand_ten_times(
    browser: Any, desk: Desk, recorded: tuple[Reader, Path], tmp_path: Path
) -> None:
    out = tmp_path / "talk.html"
    assert main(["talk", "OTC 15", "--in", str(desk.cabinet), "--triangles", "6000", "--out", str(out)]) == 0
    context = browser.new_context(viewport={"width": 800, "height": 500}, offline=True)
    one = Reader.of_file(context, out)
    page = one.page
    page.get_by_role("button", name="Play", exact=True).click()
    one.until("window.lessonTalk.clock.now > 1500")
    # What the stage is told to show is what belongs to the voice then. (How soon it is painted is for the bench.)
    apart = [abs(page.evaluate(APART)) for _ in range(9)]
    assert statistics.median(apart) < 100
    assert page.evaluate("window.lessonTalk.shownAt") > 1500
    draw = random.Random(5)
    for one_round in taken_and_given_back(page, [draw.uniform(200, 4000) for _ in range(10)]):
        # Given back it goes on; stopped as soon as it does, it stands where it was left, and so does the stage.
        assert -1 <= one_round["back_ms"] - one_round["held_ms"] < 2000
        assert one_round["shown_ms"] == pytest.approx(one_round["back_ms"], abs=1)
        assert one_round["off"] < 1e-6
        assert one_round["moved"] > 0.02
    assert one.told == []
    assert {u for u in one.asked if not u.startswith("blob:")} == {out.as_uri()}
    context.close()
