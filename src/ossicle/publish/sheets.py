"""Sheets of headings, sentences, tables and pictures, set once as HTML and once as PDF.

Both come from the same blocks, so that they say the same. PDF is set by ReportLab, without date or chance, so that the
same input gives the same bytes; its letters are DejaVu, which ship with matplotlib.
"""

from __future__ import annotations

import base64
import html
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ossicle.account.page import content_hash
from ossicle.account.pictures import bar_words, scale_bar
from ossicle.account.words import tied

__all__ = ["Block", "Figure", "Heading", "Items", "Para", "Table", "sheet_html", "sheet_pdf"]


@dataclass(frozen=True)
class Heading:
    """A heading; ``level`` 1 to 3."""

    text: str
    level: int = 2


@dataclass(frozen=True)
class Para:
    """A paragraph; ``small`` for what stands beneath or beside."""

    text: str
    small: bool = False
    strong: bool = False


@dataclass(frozen=True)
class Items:
    """A list of sentences, each with what is said in small beneath it."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Table:
    """A table; columns named in ``right`` are set to the right. Heads carry units."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: frozenset[int] = frozenset()


@dataclass(frozen=True)
class Figure:
    """A picture with its caption; ``width_mm`` is its true width in the specimen, None where it has no scale."""

    data: bytes
    kind: str
    alt: str
    caption: str
    pixels: tuple[int, int]
    width_mm: float | None = None


Block = Heading | Para | Items | Table | Figure

_CSS = """
:root{color-scheme:light}
*{box-sizing:border-box}
body{margin:0;background:#fff;color:#222;font:1rem/1.5 Georgia,"DejaVu Serif",serif}
main{max-width:62rem;margin:0 auto;padding:2rem 1.2rem 4rem}
h1{font-size:2rem;font-weight:500;line-height:1.15;margin:.2rem 0 1rem;overflow-wrap:anywhere}
h2{font-size:1.35rem;font-weight:500;border-top:1px solid #ccc;padding-top:.9rem;margin:2rem 0 .6rem}
h3{font-size:1.05rem;margin:1.2rem 0 .4rem}
p{max-width:46rem;margin:.5rem 0}
.small,figcaption,table,.under{font-family:"DejaVu Sans","Noto Sans",sans-serif}
.small,.under{font-size:.82rem;color:#555}
.strong{font-weight:600}
ul{list-style:none;margin:0;padding:0;max-width:46rem}
li{margin:0 0 .7rem}
.under{display:block}
.scroll{overflow-x:auto}
table{border-collapse:collapse;font-size:.82rem;font-variant-numeric:tabular-nums}
th,td{padding:.2rem .6rem;text-align:left;vertical-align:top;border-bottom:1px solid #ddd}
th{border-bottom:1.5px solid #222;vertical-align:bottom}
.n{text-align:right}
figure{margin:1rem 0}
img{max-width:100%;height:auto;display:block}
figcaption{font-size:.82rem;color:#555;margin-top:.3rem}
.bar{display:block;margin-top:.3rem;height:auto}
@media print{main{max-width:none;padding:0}figure,li,tr{break-inside:avoid}h2,h3{break-after:avoid}body{font-size:10pt}}
"""


def sheet_html(title: str, blocks: Sequence[Block]) -> str:
    """Return blocks as one page that needs nothing else: no script, nothing from outside, all text escaped."""
    digest = content_hash(_CSS)
    body = "\n".join(_html(b, n) for n, b in enumerate(blocks))
    policy = f"default-src 'none'; img-src data:; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{html.escape(title)}</title>\n<style>{_CSS}</style>\n</head>\n<body>\n<main>\n{body}\n</main>\n"
        "</body>\n</html>\n"
    )


def _html(block: Block, number: int) -> str:
    e = html.escape
    if isinstance(block, Heading):
        return f"<h{block.level}>{e(block.text)}</h{block.level}>"
    if isinstance(block, Para):
        kind = " ".join(w for w, on in (("small", block.small), ("strong", block.strong)) if on)
        return f"<p{f' class={chr(34)}{kind}{chr(34)}' if kind else ''}>{e(tied(block.text))}</p>"
    if isinstance(block, Items):
        under = ("", *(f'<span class="under">{e(b)}</span>' for _, b in block.rows))
        rows = (f"<li>{e(tied(a))}{under[n] if b else ''}</li>" for n, (a, b) in enumerate(block.rows, start=1))
        return f"<ul>{''.join(rows)}</ul>"
    if isinstance(block, Table):
        side = [' class="n"' if k in block.right else "" for k in range(len(block.head))]
        head = "".join(f'<th scope="col"{s}>{e(w)}</th>' for w, s in zip(block.head, side, strict=True))
        rows = ("".join(f"<td{s}>{e(w)}</td>" for w, s in zip(r, side, strict=True)) for r in block.rows)
        return (
            f'<div class="scroll" tabindex="0" role="region" aria-label="Table {number}"><table><thead><tr>{head}</tr>'
            f"</thead><tbody>{''.join(f'<tr>{r}</tr>' for r in rows)}</tbody></table></div>"
        )
    width, height = block.pixels
    data = base64.b64encode(block.data).decode()
    bar = ""
    if block.width_mm:
        mm = scale_bar(block.width_mm)
        share = 100 * mm / block.width_mm
        bar = (
            f'<svg class="bar" viewBox="0 0 {width} 30" width="{width}" role="img" '
            f'aria-label="Scale bar: {bar_words(mm)}">'
            f'<rect x="0" y="4" width="{share * width / 100:.2f}" height="5"/>'
            f'<text x="0" y="26" font-size="15" font-family="DejaVu Sans,sans-serif">{bar_words(mm)}</text></svg>'
        )
    return (
        f'<figure><img src="data:image/{block.kind};base64,{data}" width="{width}" height="{height}" '
        f'alt="{e(block.alt)}">{bar}<figcaption>{e(tied(block.caption))}</figcaption></figure>'
    )


def _fonts() -> None:
    import matplotlib
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name in ("DejaVuSans", "DejaVuSans-Bold", "DejaVuSerif", "DejaVuSerif-Bold", "DejaVuSerif-Italic"):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, folder / f"{name}.ttf"))


def sheet_pdf(title: str, blocks: Sequence[Block], foot: str) -> bytes:
    """Return blocks as PDF on A4, with ``foot`` and the page's number beneath each page."""
    from reportlab.lib.pagesizes import A4
    from reportlab.lib.units import mm
    from reportlab.platypus import SimpleDocTemplate

    _fonts()
    buffer = io.BytesIO()
    document = SimpleDocTemplate(
        buffer,
        pagesize=A4,
        leftMargin=18 * mm,
        rightMargin=18 * mm,
        topMargin=16 * mm,
        bottomMargin=18 * mm,
        title=title,
        author="",
        creator="Ossicle",
        invariant=1,
    )

    def below(canvas: Any, doc: Any) -> None:
        canvas.saveState()
        canvas.setFont("DejaVuSans", 6.5)
        canvas.drawString(18 * mm, 10 * mm, foot)
        canvas.drawRightString(A4[0] - 18 * mm, 10 * mm, str(doc.page))
        canvas.restoreState()

    story: list[Any] = []
    for block in blocks:
        story += _flow(block, document.width)
    document.build(story, onFirstPage=below, onLaterPages=below)
    return buffer.getvalue()


def _flow(block: Block, width: float) -> list[Any]:
    from reportlab.lib import colors
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.lib.units import mm
    from reportlab.platypus import CondPageBreak, Image, KeepTogether, Paragraph, Spacer, TableStyle
    from reportlab.platypus import Table as Grid

    e = html.escape
    prose = ParagraphStyle("prose", fontName="DejaVuSerif", fontSize=9, leading=12.5, spaceAfter=4)
    soft = colors.HexColor(0x444444)
    small = ParagraphStyle("small", fontName="DejaVuSans", fontSize=7, leading=9.4, textColor=soft, spaceAfter=3)
    if isinstance(block, Heading):
        size = {1: 18, 2: 13, 3: 10.5}[block.level]
        style = ParagraphStyle(
            f"h{block.level}", fontName="DejaVuSerif-Bold" if block.level == 3 else "DejaVuSerif", fontSize=size,
            leading=size * 1.25, spaceBefore=size * 0.8, spaceAfter=size * 0.35,
        )  # fmt: skip
        return [CondPageBreak(30 * mm), Paragraph(e(block.text), style)]
    if isinstance(block, Para):
        text = e(tied(block.text))
        text = f"<font name='DejaVuSerif-Bold'>{text}</font>" if block.strong else text
        return [Paragraph(text, small if block.small else prose)]
    if isinstance(block, Items):
        under = ParagraphStyle("under", parent=small, spaceAfter=6)
        return [
            KeepTogether([Paragraph(e(tied(a)), prose), *([Paragraph(e(b), under)] if b else [])])
            for a, b in block.rows
        ]
    if isinstance(block, Table):
        cell = ParagraphStyle("cell", fontName="DejaVuSans", fontSize=6.4, leading=8)
        right = ParagraphStyle("right", parent=cell, alignment=2)
        head = ParagraphStyle("head", parent=cell, fontName="DejaVuSans-Bold")
        last = ParagraphStyle("last", parent=head, alignment=2)
        rows = [[Paragraph(e(w), last if k in block.right else head) for k, w in enumerate(block.head)]]
        rows += [[Paragraph(e(w), right if k in block.right else cell) for k, w in enumerate(r)] for r in block.rows]
        words = [1.3 * max(len(w) for w in head.split()) for head in block.head]
        lengths = [max(6, words[k], *(min(len(r[k]), 46) for r in block.rows)) for k in range(len(block.head))]
        grid = Grid(rows, colWidths=[width * n / sum(lengths) for n in lengths], repeatRows=1)
        grid.setStyle(
            TableStyle(
                [
                    ("LINEBELOW", (0, 0), (-1, 0), 0.8, colors.black),
                    ("LINEBELOW", (0, 1), (-1, -1), 0.25, colors.lightgrey),
                    ("VALIGN", (0, 0), (-1, -1), "TOP"),
                    ("LEFTPADDING", (0, 0), (-1, -1), 2),
                    ("RIGHTPADDING", (0, 0), (-1, -1), 3),
                    ("TOPPADDING", (0, 0), (-1, -1), 1.2),
                    ("BOTTOMPADDING", (0, 0), (-1, -1), 1.2),
                ]
            )
        )
        return [grid, Spacer(1, 4 * mm)]
    across, down = block.pixels
    shown = min(width, across * 72 / 150)
    shown *= min(1.0, 105 * mm / (shown * down / across))
    parts: list[Any] = [Image(io.BytesIO(block.data), shown, shown * down / across, hAlign="LEFT")]
    if block.width_mm:
        bar = scale_bar(block.width_mm)
        parts.append(_bar(shown * bar / block.width_mm, bar_words(bar)))
    return [KeepTogether([*parts, Paragraph(e(tied(block.caption)), small), Spacer(1, 3 * mm)])]


def _bar(length: float, words: str) -> Any:
    """A scale bar of a length in points, as something that flows."""
    from reportlab.graphics.shapes import Drawing, Rect, String
    from reportlab.lib import colors

    drawing = Drawing(length + 60, 12)
    bar: Any = Rect(0, 7, length, 1.6)
    bar.fillColor, bar.strokeColor, bar.strokeWidth = colors.black, None, 0
    drawing.add(bar)
    drawing.add(String(0, 0, words, fontName="DejaVuSans", fontSize=6.2))
    return drawing
