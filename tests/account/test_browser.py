"""The page in a real browser: policy and style hold, every picture is drawn, nothing is asked for."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from ossicle.account import Account
from ossicle.account.html import account_html
from ossicle.reading.records import Reading

pytestmark = pytest.mark.browser
CHROMIUM = shutil.which("chromium")


@pytest.mark.skipif(CHROMIUM is None, reason="Debian's chromium is not installed")
def test_page_in_chromium(juvenile_account: Account, juvenile: Reading, tmp_path: Path) -> None:
    sync_api = pytest.importorskip("playwright.sync_api")
    page_file = tmp_path / "account.html"
    page_file.write_text(account_html(juvenile_account, juvenile), encoding="utf-8")
    told: list[str] = []
    asked: list[str] = []
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        page.on("console", lambda message: told.append(message.text))
        page.on("request", lambda request: asked.append(request.url))
        page.goto(page_file.as_uri())
        page.wait_for_load_state("networkidle")
        styled = page.evaluate("getComputedStyle(document.querySelector('.formula')).display")
        wide = page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        boxes = page.evaluate("[...document.querySelectorAll('image')].map(i => i.getBBox().width)")
        labels = page.evaluate(
            "[...document.querySelectorAll('.tooth text')].map(t => {const b = t.getBoundingClientRect();"
            " return [b.left, b.top, b.right, b.bottom]})"
        )
        browser.close()
    assert told == []
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
    assert styled == "flex"
    assert wide
    assert len(boxes) == 2 * 4 + len(juvenile.views)
    assert min(boxes) > 0
    assert not _overlapping(labels)


def _overlapping(boxes: list[list[float]]) -> list[tuple[int, int]]:
    return [
        (i, j)
        for i, a in enumerate(boxes)
        for j, b in enumerate(boxes[:i])
        if a[0] < b[2] - 0.5 and b[0] < a[2] - 0.5 and a[1] < b[3] - 0.5 and b[1] < a[3] - 0.5
    ]
