"""Narration in Markdown: as HTML for the page, as plain paragraphs for the handout, as captions to read aloud.

Markdown is CommonMark (markdown-it-py) without raw HTML and without pictures: whatever is typed is text.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache
from typing import Any

from ossicle.account.words import tied

__all__ = [
    "WORDS_A_MINUTE",
    "as_text",
    "captions",
    "clock_text",
    "markdown_html",
    "paragraphs",
    "safe_text",
    "sentences_of",
]

WORDS_A_MINUTE = 140
"""Pace of reading aloud (common practice, no source)."""
_SPECIAL = re.compile(r"([\\`*_\[\]<&])")
_AT_START = re.compile(r"^(\s*)([#>+=~-])|^(\s*[0-9]{1,9})([.)])", re.MULTILINE)
_SENTENCE = re.compile(r"(?<=[.!?…])\s+(?=\S)")


@lru_cache(maxsize=1)
def _markdown() -> Any:
    from markdown_it import MarkdownIt

    return MarkdownIt("commonmark", {"html": False}).disable("image")


def markdown_html(text: str) -> str:
    """Return narration as HTML; tags that were typed come out as text, and links lead only to the web or to mail."""
    return str(_markdown().render(tied(text)))


def as_text(text: str) -> str:
    """Return plain text so written that Markdown shows it as it is, with no more marks than that takes: people edit it.

    Headings, lists, quotations and fences begin a line; brackets and stars count anywhere (CommonMark 0.31).
    """
    return _AT_START.sub(lambda m: f"{m[1] or m[3] or ''}\\{m[2] or m[4]}", _SPECIAL.sub(r"\\\1", text))


def paragraphs(text: str) -> list[str]:
    """Return narration as plain paragraphs, without marks."""
    out = []
    for token in _markdown().parse(text):
        if token.type == "inline":
            words = "".join(
                " " if child.type in ("softbreak", "hardbreak") else child.content for child in token.children or ()
            )
            out.append(words)
        elif token.type in ("code_block", "fence"):
            out.append(token.content.rstrip())
    return [p for p in out if p.strip()]


def sentences_of(text: str) -> list[str]:
    """Return the sentences of a narration, without marks."""
    return [s for p in paragraphs(text) for s in _SENTENCE.split(" ".join(p.split()))]


def captions(steps: Sequence[tuple[str, str]]) -> str:
    """Return captions to read steps aloud by, as WebVTT (W3C), a sentence a cue, at the pace of reading.

    Parameters
    ----------
    steps
        Title and narration of each.
    """
    lines = ["WEBVTT", ""]
    now = 0.0
    for number, (title, text) in enumerate(steps, start=1):
        lines += [f"NOTE Step {number}: {safe_text(title)}", ""]
        for sentence in sentences_of(text):
            length = max(1.5, 60 * len(sentence.split()) / WORDS_A_MINUTE)
            lines += [f"{clock_text(now)} --> {clock_text(now + length)}", safe_text(sentence), ""]
            now += length
        now += 1.0
    return "\n".join(lines)


def safe_text(text: str) -> str:
    """Return text on one line as it may stand in a cue of WebVTT."""
    text = " ".join(text.split())
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def clock_text(seconds: float) -> str:
    """Return a time as WebVTT has it: 00:01:02.345."""
    ms = round(1000 * seconds)
    return f"{ms // 3600000:02d}:{ms // 60000 % 60:02d}:{ms // 1000 % 60:02d}.{ms % 1000:03d}"
