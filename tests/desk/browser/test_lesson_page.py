"""A lesson made at the desk: views kept, ordered, rehearsed; its page from a disk without any network. So a spotter's.

What the desk showed and what the page shows are compared by where the same parts lie on the two stages.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from browsing import Desk, Reader

from ossicle.cli import main

PLACES = """(stage => { const {width, height} = stage.size; const id = stage.skulls[0].id;
  const {low, high} = stage.skulls[0].shown();
  const eye = stage.eye;
  return [low.toArray(), high.toArray()].map(p => { const at = stage.project(p, id);
    return [(at.x - width / 2) * stage.mmPerPx, (at.y - height / 2) * stage.mmPerPx]; }).flat(); })"""
"""Two corners of what is shown, on the page in mm from its middle."""


@pytest.fixture(scope="module")
def kept(browser: Any, desk: Desk) -> Iterator[tuple[Path, list[list[float]]]]:
    """A copy of the collection in which three views were kept, and where things lay when they were."""
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    page = context.new_page()
    page.goto(desk.first)
    told: list[str] = []
    one = Reader(page, told, [])
    page.on("pageerror", lambda error: told.append(str(error)))
    one.open(f"{desk.url}#/4?leaf=lesson")
    places = []

    def keep(count: int) -> None:
        one.settled()
        places.append(page.evaluate(f"{PLACES}(window.ossicleStage)"))
        page.keyboard.press("V")
        one.until(f"document.querySelectorAll('.steps li').length === {count}")

    page.locator(".stage-canvas").focus()
    keep(1)
    one.keys("4", "l", "l")
    keep(2)
    one.keys("1", "+", "+", "+", "ArrowLeft")
    keep(3)
    titled = page.locator(".step-words input[type=text]")
    titled.fill("Nearer <i>now</i>")
    titled.press("Tab")
    one.until("document.querySelector('.steps li.chosen .part-link').textContent === 'Nearer <i>now</i>'")
    page.locator(".step-words textarea").first.fill("Seen from **nearer**.")
    page.locator(".step-words textarea").first.press("Tab")
    # The last comes before the second.
    page.get_by_role("button", name="earlier").click()
    one.until("document.querySelectorAll('.steps li')[1].textContent.startsWith('Nearer')")
    # Rehearsed, the stage shows what was kept.
    page.locator(".steps li .part-link").first.click()
    page.get_by_role("button", name="Rehearse", exact=True).click()
    page.get_by_role("button", name="Next", exact=True).click()
    one.until("document.querySelector('.rehearsal h3').textContent.startsWith('Nearer')")
    one.settled()
    assert page.evaluate(f"{PLACES}(window.ossicleStage)") == pytest.approx(places[2], abs=0.2)
    context.close()
    assert told == []
    yield desk.cabinet, [places[0], places[2], places[1]]
    shutil.rmtree(desk.cabinet / "steps")


@pytest.fixture(scope="module")
def pages(kept: tuple[Path, list[list[float]]], tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("pages")
    few = ["--in", str(kept[0]), "--triangles", "9000"]
    assert main(["lesson", "OTC 14", *few, "--out", str(out / "lesson.html")]) == 0
    asked = ["--level", "middling", "--questions", "3", "--out", str(out / "spotter.html")]
    assert main(["spotter", "OTC 14", *few, *asked]) == 0
    return out


@pytest.fixture
def opened(browser: Any) -> Iterator[Callable[[Path], Reader]]:
    contexts, readers = [], []

    def at(file: Path, **more: Any) -> Reader:
        context = browser.new_context(viewport={"width": 1100, "height": 700}, offline=True, **more)
        one = Reader.of_file(context, file)
        contexts.append(context)
        readers.append((one, file))
        return one

    yield at
    for context in contexts:
        context.close()
    for one, file in readers:
        assert one.told == []
        assert {u.split("#")[0] for u in one.asked} == {file.as_uri()}


def test_all_steps_of_a_kept_lesson_are_reached(
    opened: Callable[..., Reader], pages: Path, kept: tuple[Path, list[list[float]]]
) -> None:
    one = opened(pages / "lesson.html", reduced_motion="reduce")
    for n, places in enumerate(kept[1], start=1):
        assert one.page.locator("#count").text_content() == f"{n} of 3"
        one.until("window.lessonShow.stage.settled")
        assert one.page.evaluate(f"{PLACES}(window.lessonShow.stage)") == pytest.approx(places, abs=0.35)
        if n == 2:
            assert one.page.locator("#title").text_content() == "Nearer <i>now</i>"
            assert one.page.locator("#narration strong").text_content() == "nearer"
        one.keys("ArrowRight")
    assert one.page.locator("#next").is_disabled()
    # Taken in hand, and back.
    one.keys("Shift+ArrowRight", "Shift+ArrowRight")
    assert one.page.locator("#return").is_visible()
    one.keys("r")
    one.until("window.lessonShow.stage.settled")
    assert one.page.evaluate(f"{PLACES}(window.lessonShow.stage)") == pytest.approx(kept[1][2], abs=0.35)


def test_a_spotter_is_answered_without_network(opened: Callable[..., Reader], pages: Path) -> None:
    one = opened(pages / "spotter.html")
    for n in range(3):
        one.page.locator(".choice").first.click()
        assert one.page.locator(".verdict").text_content()
        assert f"of {n + 1} answered" in str(one.page.locator("#score").text_content())
        one.keys("ArrowRight")


def test_presenting_has_notes_in_a_second_window_and_ends_with_escape(
    opened: Callable[..., Reader], pages: Path
) -> None:
    one = opened(pages / "lesson.html", reduced_motion="reduce")
    page = one.page
    page.locator("#stage").focus()
    with page.expect_popup() as opening:
        page.keyboard.press("p")
    notes = opening.value
    presents = "document.documentElement.dataset.presenting === 'yes'"
    assert page.evaluate(presents)
    assert "step 1 of 3" in (notes.locator("#note-clock").text_content() or "")
    assert notes.locator("#note-next").text_content() == "Next: Nearer <i>now</i>"
    notes.keyboard.press("PageDown")  # what hand-held pointers send, in the speaker's window
    one.until("document.querySelector('#count').textContent === '2 of 3'")
    assert notes.locator("#note-step").text_content() == "Nearer <i>now</i>"
    assert notes.locator("#note-said strong").text_content() == "nearer"
    page.keyboard.press("PageDown")
    one.until("document.querySelector('#count').textContent === '3 of 3'")
    assert notes.locator("#note-next").text_content() == "This is the last step."
    page.keyboard.press("Escape")
    one.until(f"!({presents})")
    assert notes.is_closed()
