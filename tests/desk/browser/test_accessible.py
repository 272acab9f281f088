"""Accessible by the rules of axe-core (WCAG 2.2, levels A and AA), in light and dark, and all of it by keyboard."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from browsing import Desk, Reader

pytestmark = pytest.mark.browser
AXE = (Path(__file__).parent / "vendor" / "axe.min.js").read_text(encoding="utf-8")
FOCUS = """(() => {
  const e = document.activeElement;
  if (e === document.body) return 'page';
  const near = [e, e.nextElementSibling, e.querySelector('.body')].filter(Boolean);
  const seen = near.some(n => {
    const s = getComputedStyle(n);
    const drawn = s.outlineStyle !== 'none' && s.outlineWidth !== '0px';
    return drawn || (n.matches('.body') && parseFloat(s.strokeWidth) > 3);
  });
  return (seen ? '' : 'NOT SEEN ') + e.outerHTML.slice(0, 90);
})()"""
"""What has the focus, and whether one can see that it has."""
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


def _faults(reader: Reader) -> list[str]:
    reader.page.evaluate(AXE)
    found = reader.page.evaluate("tags => axe.run(document, {runOnly: {type: 'tag', values: tags}})", TAGS)
    return [
        f"{v['id']}: {v['help']}: {node['html'][:160]} {node['failureSummary'][-200:]}"
        for v in found["violations"]
        for node in v["nodes"]
    ]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_no_fault(desk: Desk, reader: Callable[..., Reader], scheme: str) -> None:
    one = reader(color_scheme=scheme)
    one.page.goto(desk.url)
    one.until("document.querySelectorAll('.specimens li').length >= 2")
    assert _faults(one) == []
    one.open(f"{desk.url}#/1")
    assert _faults(one) == []
    one.page.locator(".sentence").nth(4).click()
    one.page.locator(".slot .body").first.click()
    for leaf in ("s", "p", "h", "k", "b", "y", "t", "T"):
        one.keys(leaf)
        one.until(
            "document.querySelector('.leaf') !== null && !document.querySelector('.leaf').textContent.includes('…')"
        )
        assert _faults(one) == [], leaf
    one.page.goto(f"{desk.url}#/1+3+2?leaf=beside")
    one.settled(3)
    one.until("document.querySelector('.series') !== null")
    assert _faults(one) == []
    one.open(f"{desk.url}#/1")
    one.keys("q")
    one.until("document.querySelectorAll('.strip svg').length === 4")
    assert _faults(one) == []
    one.keys("Shift+?")
    one.until("document.querySelector('dialog[open]') !== null")
    assert _faults(one) == []
    one.page.goto(f"{desk.url}#/intake")
    one.until("document.querySelector('.chooser li') !== null")
    assert _faults(one) == []


def test_every_place_is_reached_by_keys_and_shows_its_focus(desk: Desk, reader: Callable[..., Reader]) -> None:
    one = reader()
    one.open(f"{desk.url}#/1")
    places = []
    for _ in range(3):
        one.keys("F6")
        places.append(one.page.evaluate("document.activeElement.closest('[data-place]')?.dataset.place"))
    assert sorted(places) == ["account", "rows", "stage"]
    seen = set()
    for _ in range(60):
        one.keys("Tab")
        mark = one.page.evaluate(FOCUS)
        seen.add(mark)
    assert [m for m in seen if m.startswith("NOT SEEN")] == []
    assert len(seen) > 20


def test_letters_can_be_turned_off(desk: Desk, reader: Callable[..., Reader]) -> None:
    one = reader()
    one.open(f"{desk.url}#/1")
    one.keys("Shift+?")
    one.page.get_by_label("single letters and digits act as keys").uncheck()
    one.keys("Escape", "s")
    assert one.page.locator(".leaf").count() == 0
    one.page.evaluate("localStorage.setItem('ossicle-letters', 'on')")
