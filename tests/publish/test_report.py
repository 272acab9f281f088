"""Reports: all that the account holds is in them, text is escaped, PDF is text and the same bytes each time."""

from __future__ import annotations

import html
import re
from dataclasses import replace
from pathlib import Path

import pypdfium2
import pytest

from ossicle.account.prose import CAUTIONS
from ossicle.cli import main
from ossicle.compare import Compared
from ossicle.publish.report import report_blocks
from ossicle.publish.sheets import Block, Figure, Heading, Para, Table, sheet_html, sheet_pdf
from ossicle.publish.stage import Stage, stage_of
from ossicle.reading.records import Reading


@pytest.fixture(scope="session")
def stage(specimen: Compared) -> Stage:
    return stage_of(specimen, 12_000)


@pytest.fixture(scope="session")
def blocks(specimen: Compared, stage: Stage, sketched: Reading) -> list[Block]:
    terms = {"scientificName": "Fictus <sketchi> & Co.", "catalogNumber": "OTC 1"}
    patch = pytest.MonkeyPatch()
    patch.setattr("ossicle.publish.report.PICTURES", {"dentition": 1})
    try:
        return report_blocks(specimen, stage, reading=sketched, terms=terms, beside=[replace(specimen, name="twin")])
    finally:
        patch.undo()


def words(data: bytes) -> str:
    document = pypdfium2.PdfDocument(data)
    text = " ".join(document[n].get_textpage().get_text_range() for n in range(len(document)))
    return " ".join(text.split())


def test_every_finding_and_caution_is_in_it(specimen: Compared, blocks: list[Block]) -> None:
    page = sheet_html("t", blocks)
    said = html.unescape(re.sub(r"<[^>]+>", " ", page)).replace("\u00a0", " ")
    missing = [f.id for f in specimen.account.findings if f.region != "teeth" and f.statement not in said]
    assert missing == []
    assert all(text in said for text in CAUTIONS)
    headings = [b.text for b in blocks if isinstance(b, Heading)]
    assert "Beside twin" in headings
    assert "Row strips" in headings
    teeth = next(b for b in blocks if isinstance(b, Table) and b.head[0] == "quadrant")
    assert len(teeth.rows) == len(specimen.account.teeth)
    pictures = [b for b in blocks if isinstance(b, Figure)]
    assert len(pictures) == 4 + 1  # a strip a row, a finding


def test_text_is_escaped_and_the_policy_holds(blocks: list[Block]) -> None:
    page = sheet_html("<script>alert(1)</script>", [*blocks, Para("<img src=x onerror=alert(1)>")])
    assert "<script" not in page
    assert "<img src=x" not in page
    assert "Fictus &lt;sketchi&gt; &amp; Co." in page
    assert "default-src 'none'" in page


def test_the_pdf_is_text_and_always_the_same(blocks: list[Block]) -> None:
    data = sheet_pdf("Account", blocks, "foot <1>")
    assert sheet_pdf("Account", blocks, "foot <1>") == data
    said = words(data)
    assert "Fictus <sketchi> & Co." in said
    assert "mm³" in said
    assert "Not for clinical diagnosis." in said
    width, height = pypdfium2.PdfDocument(data)[0].get_size()
    assert (round(width), round(height)) == (595, 842)  # ISO 216 A4 in points


def test_a_picture_has_its_scale(stage: Stage, specimen: Compared) -> None:
    from ossicle.publish.pictures import camera_of, shot
    from ossicle.publish.stage import standard_view

    view = standard_view("lateral left", specimen)
    camera = camera_of(stage, view, 300, 200)
    taken = shot(stage, view, 300, 200, fine=1)
    assert taken.rgb.shape == (200, 300, 3)
    dark = (taken.rgb < 250).any(axis=2)
    columns = [int(c) for c in dark.any(axis=0).nonzero()[0]]
    low, high = stage.bounds(view)[0], stage.bounds(view)[3]
    assert (columns[-1] - columns[0]) * camera.mm_per_px == pytest.approx(high - low, abs=3 * camera.mm_per_px)


def test_the_command(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", str(folder), "--no-pictures", "--out", str(tmp_path / "r.pdf")]) == 0
    assert "Dentition" in words((tmp_path / "r.pdf").read_bytes())
    assert main(["report", str(folder), "--no-pictures", "--out", str(tmp_path / "r.html")]) == 0
    capsys.readouterr()
    assert main(["report", str(folder), "--out", str(tmp_path / "r.doc")]) == 2
    assert "neither .pdf nor .html" in capsys.readouterr().err


def test_an_account_as_pdf_is_the_report(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("ossicle.publish.report.PICTURES", {})
    assert main(["account", str(folder), "--format", "pdf", "--out", str(tmp_path / "a.pdf")]) == 0
    assert "How each finding is made" in words((tmp_path / "a.pdf").read_bytes())
    capsys.readouterr()
    assert main(["account", str(folder), "--format", "pdf"]) == 2
    assert "name a file with --out" in capsys.readouterr().err
