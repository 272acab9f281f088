"""The round that a reader makes: open, veil the bone, find the successor, rename a locus, agree, undo; the server is
started again, and all is still there."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from browsing import Desk, Reader

pytestmark = [pytest.mark.browser, pytest.mark.slow]

STAGE = "window.ossicleStage"


def _drawn(reader: Reader) -> dict[str, int]:
    """Triangles in each layer of the stage."""
    return reader.page.evaluate(
        "Object.fromEntries(['solid', 'bone', 'other'].map(layer => [layer, ossicleStage.skulls.reduce((n, s) => n + "
        "s.groups[layer].children[0].geometry.drawRange.count / 3, 0)]))"
    )


def _looked(reader: Reader) -> int:
    return int(reader.page.inner_text(".progress").split()[0])


def _pair(reader: Reader, url: str) -> tuple[int, int]:
    """A deciduous tooth and its successor, as the account tells."""
    account = reader.page.evaluate("u => fetch(u).then(r => r.json())", f"{url}api/specimens/1")["account"]
    return next((t["part"], t["replaced_by"]) for t in account["teeth"] if t["replaced_by"] is not None)


def test_the_round(desk: Desk, reader: Callable[..., Reader]) -> None:
    one = reader()
    page = one.page
    page.goto(desk.url)
    page.click("text=OTC 12")
    one.settled()

    # Veil the bone: the teeth stay whole.
    before = _drawn(one)
    assert before["bone"] == 0
    page.get_by_label("Bone").focus()
    one.keys(*["ArrowLeft"] * 14)
    one.until("document.querySelector('output[for=slider-bone]').textContent.startsWith('veiled')")
    veiled = _drawn(one)
    assert veiled["bone"] > 1000
    assert 0 < veiled["solid"] < before["solid"]
    assert veiled["solid"] + veiled["bone"] == before["solid"]

    # Find the successor of a deciduous tooth from the rows.
    deciduous, successor = _pair(one, desk.url)
    page.locator(f".slot[data-part='{deciduous}']").focus()
    one.keys("Enter")
    one.until("document.querySelector('.tooth-card').textContent.includes('To be replaced by')")
    page.click(".tooth-card >> text=both together")
    one.until(f"location.hash.includes('parts={deciduous},{successor}')")

    # Rename it: the row, the account and the formula follow.
    page.locator(f".slot[data-part='{deciduous}']").focus()
    one.keys("Enter", "r")
    name = page.evaluate("document.querySelector('.tooth-form input[name=locus]').value")
    other = f"d{'P' if name[1].isupper() else 'p'}1"
    page.fill(".tooth-form input[name=locus]", other)
    page.fill(".tooth-form input[name=why]", "it has one root")
    one.keys("Enter")
    one.until(f"document.querySelector('.slot[data-part=\"{deciduous}\"] text').textContent === '{other}'")
    assert "named by a person" in page.inner_text(".tooth-card")

    # Agree by keys, undo it, do it again.
    looked = _looked(one)
    one.keys("Escape", "Escape", "n", "a")
    one.until(f"document.querySelector('.progress').textContent.startsWith('{looked + 1} of ')")
    assert page.locator(".finding.agreed").count() == 1
    one.keys("u")
    one.until(f"document.querySelector('.progress').textContent.startsWith('{looked} of ')")
    one.keys("Shift+U")
    one.until(f"document.querySelector('.progress').textContent.startsWith('{looked + 1} of ')")

    # The server dies; the page says so and goes on when its new link was opened. Its old token is renewed.
    desk.stop()
    one.keys("n", "a")
    one.until("document.body.textContent.includes('server does not answer')")
    one.told.clear()  # The browser itself notes that nobody answered.
    desk.start()
    way_in = one.page.context.new_page()
    way_in.goto(desk.first)  # the new desk's own link, as the command opens it
    way_in.close()
    one.until("!document.body.textContent.includes('server does not answer')")
    one.told.clear()
    one.keys("a")
    one.until(f"document.querySelector('.progress').textContent.startsWith('{looked + 2} of ')")
    one.told.clear()  # It notes as well that the old token was refused, once.

    # Another page, opened by the address, finds it all.
    two = reader()
    two.open(page.url)
    assert two.page.text_content(f".slot[data-part='{deciduous}'] text") == other
    assert _looked(two) == looked + 2
    assert "veiled" in two.page.inner_text("output[for=slider-bone]")
    two.keys("h")
    two.until("document.querySelectorAll('.history ol li').length >= 3")
    assert "it has one root" in two.page.inner_text(".history")
    assert "A. Reader" in two.page.inner_text(".history")


def test_a_finding_turns_the_stage_to_its_evidence(desk: Desk, reader: Callable[..., Reader]) -> None:
    one = reader()
    one.open(f"{desk.url}#/1")
    view = one.page.evaluate(
        "fetch('/api/specimens/1').then(r => r.json()).then(s => s.account.findings.find("
        "f => f.id.endsWith('upper-right/in-crypts')).evidence)"
    )
    one.page.locator("#finding-dentition_upper-right_in-crypts .sentence").click()
    one.settled()
    look = one.page.evaluate("ossicleStage.eye.look.toArray()")
    assert look == pytest.approx(view["view"]["look"], abs=1e-3)
    # What is solid now is the evidence, and nothing else.
    solid = one.page.evaluate(
        "(s => s.pieces.filter((p, i) => s.looks[i].presence === 'solid' && !p.enamel).map(p => p.part))"
        "(ossicleStage.skulls[0])"
    )
    assert sorted(solid) == sorted(view["parts"])
    assert one.page.inner_text(".caption") == view["view"]["caption"]


def test_dispute_and_amend_with_a_reason(desk: Desk, reader: Callable[..., Reader]) -> None:
    one = reader()
    one.open(f"{desk.url}#/1")
    one.page.locator(".sentence").first.click()
    one.keys("d")
    one.page.keyboard.type("The scale bar is not that of the scan.")
    one.keys("Control+Enter")
    one.until("document.querySelectorAll('.finding.disputed').length === 1")
    assert "disputed" in one.page.inner_text(".finding.disputed .standing")
    one.page.locator("#finding-stage_eruption .sentence").click()
    one.keys("m")
    one.page.locator(".saying textarea").first.fill("The animal is a juvenile.")
    one.page.locator(".saying textarea").last.fill("by the label")
    # A page that dies while one writes loses nothing.
    one.page.reload()
    one.settled()
    one.until("document.querySelectorAll('.finding.chosen .sentence').length === 1")
    one.page.locator(".finding.chosen >> text=Amend").click()
    assert one.page.locator(".saying textarea").first.input_value() == "The animal is a juvenile."
    one.page.locator("text=Keep the amendment").click()
    one.until("document.querySelectorAll('.finding.amended').length === 1")
    assert "The animal is a juvenile." in one.page.inner_text(".finding.amended")


def test_two_specimens_stand_on_one_ground(desk: Desk, reader: Callable[..., Reader]) -> None:
    one = reader()
    one.open(f"{desk.url}#/1+2", specimens=2)
    lows = one.page.evaluate("ossicleStage.skulls.map(s => s.shown().low.y + s.offset.y)")
    assert lows[0] == pytest.approx(lows[1], abs=1e-6)
    one.keys("p")
    one.page.locator(".parts-list .part-link").get_by_text("cranium", exact=True).click()
    chosen = "ossicleStage.skulls.map(s => s.pieces.filter((p, i) => s.looks[i].chosen).length)"
    one.until(f"{chosen}.every(n => n > 0)")


def test_another_s_decision_is_told(desk: Desk, reader: Callable[..., Reader]) -> None:
    one, two = reader(), reader()
    one.open(f"{desk.url}#/1")
    two.open(f"{desk.url}#/1")
    for page in (one, two):
        page.page.locator(".sentence").first.click()
    one.keys("a")
    one.until("document.querySelector('.progress').textContent.startsWith('1 of ')")
    two.keys("d")
    two.page.keyboard.type("I doubt it.")
    two.keys("Control+Enter")
    # Nothing is overwritten: the other's word is shown first, and what was written is still there.
    two.until("document.querySelector('.notice[role=alert]') !== null")
    two.until("document.querySelector('.progress').textContent.startsWith('1 of ')")
    assert two.page.locator(".saying textarea").input_value() == "I doubt it."
    two.told.clear()  # The browser notes the refusal (409).


def test_a_length_is_measured_on_the_stage(desk: Desk, reader: Callable[..., Reader]) -> None:
    one = reader()
    one.open(f"{desk.url}#/1")
    one.keys("k")
    one.settled()
    one.page.locator(".measures >> text=Length").first.click()
    ends: list[Any] = []
    for share in (0.45, 0.55):
        spot = one.page.evaluate(
            "share => { const c = document.querySelector('.stage-canvas').getBoundingClientRect();"
            " return [c.x + share * c.width, c.y + c.height / 2, share * c.width, c.height / 2]; }",
            share,
        )
        hit = one.page.evaluate("([x, y]) => ossicleStage.at(x, y)", spot[2:])
        assert hit is not None
        ends.append(hit["point"])
        one.page.mouse.click(spot[0], spot[1])
    one.until("document.querySelector('.taken dd') !== null")
    said = one.page.inner_text(".taken dd")
    straight = sum((a - b) ** 2 for a, b in zip(*ends, strict=True)) ** 0.5
    assert "mm ±" in said
    assert float(said.split()[0]) == pytest.approx(straight, abs=0.02)
