"""Characters scored by keyboard: shown by what they rest on, confirmed, told otherwise, undone, reopened."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from browsing import Desk, Reader

pytestmark = pytest.mark.browser
INCISORS = "upper_incisor_number"


def _said(reader: Reader, desk: Desk, character: str) -> Any:
    found = reader.page.evaluate("u => fetch(u).then(r => r.json())", f"{desk.url}api/specimens/4/characters")
    return next(c for c in found["characters"] if c["id"] == character)


def test_characters_are_scored_by_keyboard(desk: Desk, reader: Callable[..., Reader]) -> None:
    one = reader()
    page = one.page
    one.open(f"{desk.url}#/4")
    one.keys("y")
    one.until("document.querySelectorAll('.character').length > 40")

    # The first: the stage turns to the incisors, and says what it shows.
    one.keys("F6", "F6", "F6")
    assert page.evaluate("document.activeElement.closest('[data-place]').dataset.place") == "leaf"
    one.keys("Enter")
    one.until(f"location.hash.includes('character={INCISORS}')")
    one.settled()
    told = _said(one, desk, INCISORS)
    assert page.evaluate("ossicleStage.eye.look.toArray()") == pytest.approx(told["evidence"]["view"]["look"], abs=1e-3)
    assert page.inner_text(".caption") == told["evidence"]["view"]["caption"]
    solid = page.evaluate(
        "(s => s.pieces.filter((p, i) => s.looks[i].presence === 'solid' && !p.enamel).map(p => p.part))"
        "(ossicleStage.skulls[0])"
    )
    assert sorted(solid) == sorted(told["evidence"]["parts"])

    # A screen reader is told the state in words, not by its sign alone.
    name = page.locator(f"#character-{INCISORS} .sentence").inner_text()
    assert "three" in name
    assert "computed" in name
    assert page.locator(f"#character-{INCISORS} .cell-sign").first.get_attribute("aria-hidden") == "true"

    # Confirmed by a key; the next that awaits somebody is chosen.
    one.keys("a")
    one.until(f"document.querySelector('#character-{INCISORS}').classList.contains('agreed')")
    one.until(f"!location.hash.includes('character={INCISORS}')")
    assert _said(one, desk, INCISORS)["cell"]["standing"] == "agreed"

    # Told otherwise, with a reason; what the rule says is kept beside it.
    page.locator(f"#character-{INCISORS} .sentence").focus()
    one.keys("Enter", "m")
    page.locator(".scoring").get_by_label("two", exact=False).check()
    assert page.locator(".scoring textarea").get_attribute("required") is not None
    page.locator(".scoring textarea").fill("the left third was lost in life")
    one.keys("Control+Enter")
    one.until(f"document.querySelector('#character-{INCISORS}').classList.contains('amended')")
    told = _said(one, desk, INCISORS)
    assert (told["cell"]["text"], told["rule"]["text"]) == ("(23)", "3")
    row = page.inner_text(f"#character-{INCISORS}")
    assert "both two and three" in row
    assert "the rule says three" in row
    assert "lost in life" in row

    # Undone, done again, and another page opened by the address finds it.
    one.keys("u")
    one.until(f"document.querySelector('#character-{INCISORS}').classList.contains('agreed')")
    one.keys("Shift+U")
    one.until(f"document.querySelector('#character-{INCISORS}').classList.contains('amended')")
    two = reader(color_scheme="dark")
    two.open(page.url)
    two.until(f"document.querySelector('#character-{INCISORS}.chosen.amended') !== null")
    two.until("document.querySelector('.caption').textContent.startsWith('Upper incisors')")
