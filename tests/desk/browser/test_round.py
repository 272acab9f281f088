"""The round that a reader makes: open, veil the bone, find the successor, rename a locus, agree, undo; the server is
started again, and all is still there. Specimens: 1 juvenile, 2 adult, 3 subadult; 4 to 6 are for tests that decide."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from browsing import Desk, Reader

pytestmark = pytest.mark.browser


def _drawn(reader: Reader) -> dict[str, int]:
    """Triangles in each layer of the stage."""
    return reader.page.evaluate(
        "Object.fromEntries(['solid', 'bone', 'other'].map(layer => [layer, ossicleStage.skulls.reduce((n, s) => n + "
        "s.groups[layer].children[0].geometry.drawRange.count / 3, 0)]))"
    )


def _looked(reader: Reader) -> int:
    return int(reader.page.inner_text(".progress").split()[0])


def _account(reader: Reader, desk: Desk, number: int) -> Any:
    return reader.page.evaluate("u => fetch(u).then(r => r.json())", f"{desk.url}api/specimens/{number}")["account"]


def test_the_round(desk: Desk, reader: Callable[..., Reader]) -> None:
    one = reader()
    page = one.page
    page.goto(desk.url)
    page.click("text=OTC 14")
    one.settled()

    # Veil the bone: the teeth stay whole.
    before = _drawn(one)
    assert before["bone"] == 0
    page.get_by_label("Bone").focus()
    one.keys(*["ArrowLeft"] * 14)
    one.until("document.querySelector('output[for=slider-bone]').textContent.startsWith('veiled')")
    one.settled()
    veiled = _drawn(one)
    assert veiled["bone"] > 100
    assert 0 < veiled["solid"] < before["solid"]
    assert veiled["solid"] + veiled["bone"] == before["solid"]

    # Find the successor of a deciduous tooth from the rows.
    teeth = _account(one, desk, 4)["teeth"]
    deciduous = next(t for t in teeth if t["name"] == "dP4" and t["replaced_by"] is not None)
    part, successor = deciduous["part"], deciduous["replaced_by"]
    page.locator(f".slot[data-part='{part}']").focus()
    one.keys("Enter")
    one.until("document.querySelector('.tooth-card').textContent.includes('To be replaced by')")
    page.click(".tooth-card >> text=both together")
    one.until(f"location.hash.includes('parts={part},{successor}')")

    # Rename it: the row, the account and the formula follow.
    page.locator(f".slot[data-part='{part}']").focus()
    one.keys("Enter", "r")
    page.fill(".tooth-form input[name=locus]", "dP1")
    page.fill(".tooth-form input[name=why]", "it has one root")
    one.keys("Enter")
    one.until(f"document.querySelector('.slot[data-part=\"{part}\"] text').textContent === 'dP1'")
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
    assert two.page.text_content(f".slot[data-part='{part}'] text") == "dP1"
    assert _looked(two) == looked + 2
    assert "veiled" in two.page.inner_text("output[for=slider-bone]")
    two.keys("h")
    two.until("document.querySelectorAll('.history ol li').length >= 3")
    assert "it has one root" in two.page.inner_text(".history")
    assert "A. Reader" in two.page.inner_text(".history")


def test_a_finding_turns_the_stage_to_its_evidence(desk: Desk, reader: Callable[..., Reader]) -> None:
    one = reader()
    one.open(f"{desk.url}#/1")
    found = _account(one, desk, 1)["findings"]
    view = next(f for f in found if f["id"].endswith("upper-right/in-crypts"))["evidence"]
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
    one.open(f"{desk.url}#/5")
    one.page.locator(".sentence").first.click()
    one.keys("d")
    one.page.keyboard.type("The scale bar is not that of the scan.")
    one.keys("Control+Enter")
    one.until("document.querySelectorAll('.finding.disputed').length === 1")
    assert "disputed" in one.page.inner_text(".finding.disputed .standing")
    one.page.locator(".sentence").nth(3).click()
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


def test_another_s_decision_is_told(desk: Desk, reader: Callable[..., Reader]) -> None:
    one, two = reader(), reader()
    one.open(f"{desk.url}#/6")
    two.open(f"{desk.url}#/6")
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


def test_two_specimens_are_compared_on_one_ground(desk: Desk, reader: Callable[..., Reader]) -> None:
    one = reader()
    one.open(f"{desk.url}#/1+2?leaf=beside", specimens=2)
    lows = one.page.evaluate("ossicleStage.skulls.map(s => s.shown().low.y + s.offset.y)")
    assert lows[0] == pytest.approx(lows[1], abs=1e-6)
    one.until("document.querySelector('.differences') !== null")
    assert "retains dI2" in one.page.inner_text(".beside .said >> nth=1")

    # A difference is shown in both: the deciduous tooth over its successor here, the successor in place there.
    parts = {}
    for number in (1, 2):
        teeth = _account(one, desk, number)["teeth"]
        parts[number] = {
            t["part"] for t in teeth if (t["side"], t["jaw"]) == ("left", "upper") and t["name"] in ("P4", "dP4")
        }
    assert [len(parts[n]) for n in (1, 2)] == [2, 1]
    one.page.locator(".differences .part-link").get_by_text("left upper P4", exact=True).click()
    chosen = "ossicleStage.skulls.map(s => s.pieces.filter((p, i) => s.looks[i].chosen && !p.enamel).map(p => p.part))"
    one.until(f"{chosen}.every(found => found.length > 0)")
    assert [set(found) for found in one.page.evaluate(chosen)] == [parts[1], parts[2]]
    assert "dP4 in place" in one.page.inner_text(".caption")

    # Counterparts light up together; by homology, so P4 in its crypt answers to P4 in place, and dP4 to nothing.
    one.keys("Escape")
    adult = next(iter(parts[2]))
    slot = one.page.locator(".slot", has=one.page.locator("text", has_text="P4")).first
    slot.focus()
    one.keys("Enter")
    one.until(f"{chosen}[0].length === 1")
    own = one.page.evaluate(chosen)[0][0]
    name = next(t["name"] for t in _account(one, desk, 1)["teeth"] if t["part"] == own)
    assert len(one.page.evaluate(chosen)[1]) == (0 if name.startswith("d") else 1)
    one.page.get_by_label("a deciduous tooth answers to its successor").check()
    one.until(f"{chosen}[1].length === 1")
    assert adult in {t["part"] for t in _account(one, desk, 2)["teeth"] if t["name"] == "P4"}


def test_three_specimens_stand_in_a_series(desk: Desk, reader: Callable[..., Reader]) -> None:
    one = reader()
    one.open(f"{desk.url}#/2+1+3?leaf=beside", specimens=3)
    one.until("document.querySelector('.series') !== null")
    heads = one.page.locator(".series thead th").all_inner_texts()[1:]
    assert [h.split("\n")[0] for h in heads] == ["OTC 11", "OTC 13", "OTC 12"]
    row = one.page.locator(".series tbody tr", has=one.page.get_by_role("rowheader", name="P4", exact=True))
    told = row.locator("td").evaluate_all("cells => cells.map(c => c.title)")
    assert told == ["dP4 in place, P4 in its crypt", "dP4 in place, P4 in its crypt", "P4 in place"]
    # Each its own veil: the first specimen's bone goes, the others keep theirs.
    one.page.get_by_label("each its own veil").check()
    one.page.get_by_label("Bone", exact=False).first.focus()
    one.keys(*["ArrowLeft"] * 10)
    bones = "ossicleStage.skulls.map(s => s.looks.some(look => look.bone && look.presence === 'veiled'))"
    one.until(f"{bones}[0]")
    assert one.page.evaluate(bones) == [True, False, False]


def test_a_length_is_measured_on_the_stage(desk: Desk, reader: Callable[..., Reader]) -> None:
    one = reader()
    one.open(f"{desk.url}#/1")
    one.keys("k")
    one.settled()
    one.page.locator(".measures >> text=Length").first.click()
    ends: list[Any] = []
    for share in (0.45, 0.55):
        # The bone is whole: a little above the middle lies the upper slab.
        spot = one.page.evaluate(
            "share => { const c = document.querySelector('.stage-canvas').getBoundingClientRect();"
            " for (let y = 0.2; y < 0.8; y += 0.02) if (ossicleStage.at(share * c.width, y * c.height))"
            " return [c.x + share * c.width, c.y + (y + 0.01) * c.height, share * c.width, (y + 0.01) * c.height]; }",
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
