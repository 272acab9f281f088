"""The page of an account: self-contained, escaped, with pictures to scale."""

from __future__ import annotations

import base64
import hashlib
import html.parser
import io
import json
import re
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from sketch import MADE_BY, SPACING, curve, scan_facts, sketch_reading

from ossicle.account import Account, Source, account_from_json, account_to_json, build_account
from ossicle.account.html import account_html
from ossicle.account.pictures import grey_picture, scale_bar, spread
from ossicle.account.rowchart import row_chart
from ossicle.account.silhouettes import silhouettes, unrolled
from ossicle.errors import OssicleError
from ossicle.reading.records import Reading, Row


@pytest.fixture(scope="module")
def page(juvenile_account: Account, juvenile: Reading) -> str:
    return account_html(juvenile_account, juvenile)


class _Tags(html.parser.HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "link", "br", "img", "image", "path", "rect", "circle", "polyline"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if self.open and self.open[-1] == tag:
            self.open.pop()


def test_a_method_of_another_version_does_not_end_the_page(juvenile_account: Account) -> None:
    first, *rest = juvenile_account.findings
    later = replace(juvenile_account, findings=(replace(first, method="teeth.of-a-later-version"), *rest))
    assert account_html(later, None).count("<section") == account_html(juvenile_account, None).count("<section")
    told = json.loads(account_to_json(later))
    assert told["findings"][0]["method"] == "teeth.of-a-later-version"
    assert set(told["methods"]) == {f.method for f in rest}


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e999", "1e308", "1" + "0" * 30])
def test_what_json_does_not_know_as_a_number_is_refused(juvenile_account: Account, number: str) -> None:
    """RFC 8259, section 6: Infinity and NaN are not permitted, and size may be limited."""
    text = account_to_json(juvenile_account)
    bad = re.sub(r'"confidence": [0-9.]+', f'"confidence": {number}', text, count=1)
    assert bad != text
    with pytest.raises(OssicleError, match="not JSON"):
        account_from_json(bad)


def test_nothing_is_fetched_and_nothing_runs(page: str) -> None:
    tags = _Tags(page)
    assert not {"script", "link", "iframe", "object", "embed", "base", "form"} & {t for t, _ in tags.tags}
    for tag, attributes in tags.tags:
        for name, value in attributes.items():
            assert not name.startswith("on"), (tag, name)
            assert name != "style", tag
            if name in ("href", "src", "xlink:href"):
                assert value is not None
                assert value.startswith(("#", "data:image/png;base64,")), value
    assert not re.search(r"https?://|@import|url\((?!#)", page)


def test_the_policy_admits_the_style_and_nothing_else(page: str) -> None:
    style = page[page.index("<style>") + 7 : page.index("</style>")]
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert f"default-src 'none'; img-src data:; style-src 'sha256-{digest}'" in page


def test_every_tag_is_closed(page: str) -> None:
    assert _Tags(page).open == []


def test_ids_are_unique_and_links_lead_somewhere(page: str) -> None:
    tags = _Tags(page).tags
    ids = [a["id"] for _, a in tags if "id" in a]
    assert len(ids) == len(set(ids))
    for _, attributes in tags:
        href = attributes.get("href") or ""
        if href.startswith("#"):
            assert href[1:] in ids
        for name in (attributes.get("aria-labelledby") or "").split():
            assert name in ids


def test_every_picture_has_words_and_a_scale(page: str, juvenile: Reading) -> None:
    pictures = [a for t, a in _Tags(page).tags if t in ("svg", "g") and a.get("role") == "img"]
    assert len(pictures) == 1 + 2 * 4 + len(juvenile.views)
    assert all(a.get("aria-labelledby") for a in pictures)
    assert page.count('class="bar"') == 1 + 2 * 4 + 1


def test_names_are_text(juvenile: Reading) -> None:
    bad = "<script>alert(1)</script>\"'&"
    reading = replace(
        juvenile,
        dentition=bad,
        warnings=(bad,),
        views={bad: next(iter(juvenile.views.values()))},
        teeth=tuple(replace(t, remarks=(bad,)) for t in juvenile.teeth),
    )
    made_by = replace(MADE_BY, settings={"source": bad})
    facts = scan_facts(sources=(Source(bad, None),), grey_unit=bad)
    text = account_html(build_account(reading, facts, made_by), reading)
    assert "<script" not in text
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in text
    assert _Tags(text).open == []


def test_a_page_without_pictures_and_one_without_teeth(
    juvenile_account: Account, nothing_account: Account, nothing: Reading
) -> None:
    assert "<image" not in account_html(juvenile_account, None)
    empty = account_html(nothing_account, nothing)
    assert "No tooth row was found in this scan" in empty
    assert "<table" not in empty
    assert 'class="formula"' not in empty


def test_every_tooth_stands_in_the_table(page: str, juvenile: Reading) -> None:
    assert len(re.findall(r'<th scope="row">', page)) == len(juvenile.teeth)


class TestChart:
    def test_every_tooth_is_drawn_at_its_true_size(self, juvenile: Reading) -> None:
        chart = row_chart(juvenile, (SPACING,) * 3, {})
        assert chart is not None
        drawn = {t.part: t for row in chart.rows for t in row.teeth}
        assert drawn.keys() == {t.part for t in juvenile.teeth}
        tooth = next(t for t in juvenile.teeth if (t.name, t.jaw, t.side) == ("P1", "upper", "left"))
        pairs = re.findall(r"[\d.]+,[\d.]+", drawn[tooth.part].path)
        width, height = np.ptp([[float(v) for v in pair.split(",")] for pair in pairs], axis=0)
        assert width == pytest.approx(2.6, abs=2 * SPACING)
        assert height == pytest.approx(2 * 0.7 * 2.2, abs=2 * SPACING)

    def test_right_stands_left_of_the_midline_and_crowns_face_each_other(self, juvenile: Reading) -> None:
        chart = row_chart(juvenile, (SPACING,) * 3, {})
        assert chart is not None
        for row in chart.rows:
            by_name = {t.name: t for t in row.teeth}
            assert (by_name["M1"].x < chart.middle) == (row.side == "right")
            assert abs(by_name["I1"].x - chart.middle) < abs(by_name["M1"].x - chart.middle)
            deeper = by_name["P3"].y - by_name["dP3"].y
            assert deeper < 0 if row.jaw == "upper" else deeper > 0

    def test_labels_of_a_row_keep_apart(self, juvenile: Reading) -> None:
        chart = row_chart(juvenile, (SPACING,) * 3, {})
        assert chart is not None
        for row in chart.rows:
            for deep in (True, False):
                xs = sorted(t.label_x for t in row.teeth if (t.emergence == "in_crypt") == deep)
                assert np.diff(xs).min() >= 1.9 * chart.letter

    def test_no_pose_no_chart(self, juvenile: Reading) -> None:
        lost = replace(juvenile, pose=replace(juvenile.pose, found=False))
        assert row_chart(lost, (SPACING,) * 3, {}) is None

    def test_the_margin_lies_where_the_emergence_says(self, juvenile: Reading) -> None:
        for s in silhouettes(juvenile, (SPACING,) * 3):
            if s.margin is None:
                assert s.tooth.emergence == "in_crypt"
            else:
                shown = (s.high - s.margin) / s.tooth.crown_height_mm
                assert shown == pytest.approx(s.tooth.emergence_fraction)

    def test_unrolling_keeps_lengths_on_and_beyond_the_row(self) -> None:
        line = curve("upper", "left")
        row = Row("upper", "left", line, ())
        run = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
        assert unrolled(row, line + np.array([0, 4, 0])) == pytest.approx(run, abs=0.05)
        beyond = line[-1] + 3 * (line[-1] - line[-2]) / np.linalg.norm(line[-1] - line[-2])
        assert unrolled(row, beyond[None])[0] == pytest.approx(run[-1] + 3, abs=0.05)


class TestPictures:
    def test_greys_are_windowed(self) -> None:
        uri = grey_picture(np.array([[0, 50, 100, np.nan]]), 0, 100)
        image = Image.open(io.BytesIO(base64.b64decode(uri.split(",")[1])))
        assert np.asarray(image).tolist() == [[0, 128, 255, 0]]

    def test_a_large_projection_is_made_smaller(self) -> None:
        uri = grey_picture(np.zeros((100, 3000)), 0, 1)
        image = Image.open(io.BytesIO(base64.b64decode(uri.split(",")[1])))
        assert image.size == (900, 30)

    @given(st.floats(0.01, 1e4))
    def test_a_scale_bar_is_round_and_fits(self, width: float) -> None:
        bar = scale_bar(width)
        assert width / 10.001 <= bar <= width / 4 * (1 + 1e-9)
        assert f"{bar:e}"[0] in "125"

    @given(st.lists(st.floats(0, 100), max_size=30).map(sorted))
    def test_spread_keeps_order_and_distance(self, places: list[float]) -> None:
        moved = spread(places, 2.0, 0.0, 100.0)
        assert len(moved) == len(places)
        assert all(b - a >= 2.0 - 1e-6 for a, b in pairwise(moved))
        assert all(-1e-6 <= x <= 100 + 1e-6 for x in moved)

    def test_spread_leaves_what_has_room(self) -> None:
        assert spread([5.0, 10.0, 20.0], 2.0, 0.0, 100.0) == pytest.approx([5, 10, 20])


def test_a_reading_of_one_side_is_drawn() -> None:
    reading = sketch_reading("I1 C P1 M1", "I1 C P1 M1", sides=("right",))
    account = build_account(reading, scan_facts(), MADE_BY)
    assert "No tooth was found in place in the left upper row." in account_html(account, reading)
