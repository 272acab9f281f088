"""Captions of talks: typed or imported, as WebVTT (W3C) by webvtt-py; plain text is spread over the talk by words."""

from __future__ import annotations

import html
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from ossicle.errors import OssicleError

from .narration import WORDS_A_MINUTE, clock_text, safe_text, sentences_of

__all__ = ["Caption", "captions_of", "webvtt_text"]

_MOST = 5000
_TAG = re.compile(r"</?[^>]*>")


@dataclass(frozen=True)
class Caption:
    """What is said from when to when, ms; plain text, lines parted by line feeds."""

    from_ms: float
    to_ms: float
    text: str


def captions_of(text: str, length_ms: float) -> list[Caption]:
    """Return captions from WebVTT, or from plain text, whose sentences are spread over ``length_ms`` by their words.

    Raises
    ------
    OssicleError
        It begins as WebVTT and is none.
    """
    plain = text.lstrip("\ufeff").strip()
    if not plain:
        return []
    if plain.startswith("WEBVTT"):
        return _from_webvtt(plain)
    said = sentences_of(plain)[:_MOST]
    words = [max(1, len(s.split())) for s in said]
    each = length_ms / max(1, sum(words)) if length_ms > 0 else 60_000 / WORDS_A_MINUTE
    out, now = [], 0.0
    for sentence, count in zip(said, words, strict=True):
        out.append(Caption(now, now + each * count, sentence))
        now += each * count
    return out


def _from_webvtt(text: str) -> list[Caption]:
    import webvtt
    from webvtt.errors import MalformedCaptionError, MalformedFileError

    try:
        cues: Any = webvtt.from_buffer(io.StringIO(text + "\n"))
        out = [
            Caption(1000 * c.start_in_seconds + _ms(c.start), 1000 * c.end_in_seconds + _ms(c.end), _plain(c.text))
            for c in cues
        ]
    except (MalformedCaptionError, MalformedFileError, ValueError, AttributeError) as error:
        raise OssicleError(f"these captions are no WebVTT ({error})", where="captions", mend="mend that cue") from error
    if not out:
        raise OssicleError("these captions have no cue", where="captions", mend="write cues, or plain text")
    if len(out) > _MOST:
        raise OssicleError(f"there are more than {_MOST} cues", where="captions", mend="take fewer")
    for c in out:
        if not c.from_ms < c.to_ms:
            raise OssicleError(
                f"a caption ends before it begins ({clock_text(c.from_ms / 1000)})", where="captions", mend="mend it"
            )
    return sorted((c for c in out if c.text), key=lambda c: c.from_ms)


def _ms(stamp: str) -> float:
    """The fraction of a second of a time stamp, ms: the library tells whole seconds."""
    return float(f"0.{stamp.rpartition('.')[2]}") * 1000 if "." in stamp else 0.0


def _plain(text: str) -> str:
    return html.unescape(_TAG.sub("", text)).strip()


def webvtt_text(captions: Sequence[Caption]) -> str:
    """Return captions as WebVTT."""
    lines = ["WEBVTT", ""]
    for c in captions:
        said = [safe_text(line) for line in c.text.splitlines() if line.strip()]
        lines += [f"{clock_text(c.from_ms / 1000)} --> {clock_text(c.to_ms / 1000)}", *said, ""]
    return "\n".join(lines)
