"""Talks: recorded live at the desk, in pieces; sections taken again, trimmed and put in order; captions."""

from __future__ import annotations

import base64
import binascii
from typing import Annotated, Any

from fastapi import APIRouter, Request, Response
from pydantic import BaseModel, Field

from ossicle.collection.tables import MOST_ID
from ossicle.collection.talks import MOST_PIECES, MOST_SECTIONS, Talk, Talks
from ossicle.errors import OssicleError
from ossicle.publish.captions import Caption, captions_of, webvtt_text
from ossicle.publish.following import known_parts
from ossicle.publish.talk_events import events_of, specimens_of

from ..workbench import Workbench
from .common import Bench, kept_bytes

__all__ = ["router"]

router = APIRouter(tags=["talk"])
Json = dict[str, Any]
_LONGEST_MS = 4 * 3600 * 1000.0
Ms = Annotated[float, Field(ge=0, le=_LONGEST_MS, allow_inf_nan=False)]
Id = Annotated[str, Field(pattern="^[0-9a-f]{8}$")]


class NewTalk(BaseModel):
    """A talk to begin."""

    title: str = Field(default="", max_length=300)
    who: str | None = Field(default=None, max_length=200)


class NewSection(BaseModel):
    """A section to record: in the place of another, after another, or at the end."""

    voice: bool
    instead: Id | None = None
    after: Id | None = None


class Piece(BaseModel):
    """What was recorded since the piece before: the voice as base64, and the changes of the stage."""

    number: int = Field(ge=0, lt=MOST_PIECES)
    upto_ms: Ms
    events: list[Json] = Field(max_length=2000)
    voice: str = ""
    last: bool = False


class TakenSection(BaseModel):
    """A section as it is taken: from when to when, ms of its own time."""

    id: Id
    from_ms: Ms = 0.0
    to_ms: Ms | None = None


class ChangedTalk(BaseModel):
    """What changes of a talk; what is left out stays. ``captions`` is WebVTT, or plain text to be spread."""

    expected: int | None = Field(default=None, ge=0, le=MOST_ID)
    title: str | None = Field(default=None, max_length=300)
    sections: list[TakenSection] | None = Field(default=None, max_length=MOST_SECTIONS)
    captions: str | None = Field(default=None, max_length=500_000)


def _talks(bench: Workbench, number: int) -> Talks:
    bench.cabinet.specimen(f"#{number}")
    return Talks(bench.cabinet.layout, number)


def _told(talk: Talk) -> Json:
    return {
        "id": talk.id,
        "title": talk.title,
        "who": talk.who,
        "at": talk.at,
        "version": talk.version,
        "interrupted": bool(talk.sections) and not all(s.ended for s in talk.sections),
        "sections": [
            {
                "id": s.id,
                "voice": s.voice,
                "ended": s.ended,
                "from_ms": s.from_ms,
                "to_ms": s.to_ms,
                "length_ms": s.length_ms,
            }
            for s in talk.sections
        ],
        "left_out": len(talk.left_out),
        "captions": len(talk.captions),
    }  # fmt: skip


@router.get("/specimens/{number}/talks")
def talks(number: int, bench: Bench) -> list[Json]:
    """The talks about a specimen, oldest first."""
    return [_told(t) for t in _talks(bench, number).all()]


@router.post("/specimens/{number}/talks")
def begin(number: int, said: NewTalk, bench: Bench) -> Json:
    """Begin a talk."""
    bench.writable()
    shown = bench.shown(number)
    title = " ".join(said.title.split()) or f"The skull of {shown.specimen.catalog_number}"
    return _told(_talks(bench, number).begin(title, bench.who(said.who)))


@router.delete("/specimens/{number}/talks/{talk}")
def discard(number: int, talk: str, bench: Bench) -> list[Json]:
    """Take a talk away, with all that was recorded."""
    bench.writable()
    _talks(bench, number).remove(talk)
    return talks(number, bench)


@router.post("/specimens/{number}/talks/{talk}")
def change(number: int, talk: str, said: ChangedTalk, bench: Bench) -> Json:
    """Change title, captions, or which sections are taken, from and to when, in which order."""
    bench.writable()
    held = _talks(bench, number)
    now = held.get(talk)

    def put(data: Json) -> None:
        if said.title is not None:
            data["title"] = " ".join(said.title.split()) or data["title"]
        if said.sections is not None:
            _take(data, said.sections)

    if said.title is not None or said.sections is not None:
        now = held.change(talk, put, said.expected)
    if said.captions is not None:
        told = _by_section(held, now, said.captions)
        now = held.change(talk, lambda data: data.update(captions=told))
    return _told(now)


def _take(data: Json, wanted: list[TakenSection]) -> None:
    known = {s["id"]: s for s in data["sections"]}
    ids = [w.id for w in wanted]
    if len(set(ids)) != len(ids) or not set(ids) <= set(known):
        raise OssicleError("these are not the sections of this talk", where="sections", mend="look at the talk again")
    for w in wanted:
        if w.to_ms is not None and not w.from_ms < w.to_ms:
            raise OssicleError("a section ends after it begins", where=f"section {w.id}", mend="change from or to")
    data["left_out"] += [i for i in known if i not in ids]
    data["sections"] = [{**known[w.id], "from_ms": w.from_ms, "to_ms": w.to_ms} for w in wanted]


def _by_section(held: Talks, talk: Talk, text: str) -> list[Json]:
    """Captions of the whole talk by section, so that they stay with what they say when sections are moved."""
    from ossicle.publish.talk import stretches_of

    stretches = stretches_of(held, talk)
    length = stretches[-1].at_ms + stretches[-1].length_ms if stretches else 0.0
    out = []
    for c in captions_of(text, length):
        s = next((s for s in reversed(stretches) if s.at_ms <= c.from_ms), None)
        if s is None or c.from_ms >= s.at_ms + s.length_ms:
            continue
        shift = s.from_ms - s.at_ms
        out.append({"section": s.section.id, "from_ms": c.from_ms + shift, "to_ms": c.to_ms + shift, "text": c.text})
    return out


@router.get("/specimens/{number}/talks/{talk}/captions.vtt", response_class=Response)
def captions(number: int, talk: str, bench: Bench) -> Response:
    """The captions of a talk as WebVTT, in the time of the whole."""
    from ossicle.publish.talk import stretches_of

    held = _talks(bench, number)
    now = held.get(talk)
    out = []
    for s in stretches_of(held, now):
        for c in now.captions:
            if c["section"] == s.section.id:
                shift = s.at_ms - s.from_ms
                begin, end = max(s.at_ms, c["from_ms"] + shift), min(s.at_ms + s.length_ms, c["to_ms"] + shift)
                if begin < end:
                    out.append(Caption(begin, end, c["text"]))
    text = webvtt_text(sorted(out, key=lambda c: c.from_ms))
    return Response(text, media_type="text/vtt; charset=utf-8", headers={"cache-control": "no-store"})


@router.post("/specimens/{number}/talks/{talk}/sections")
def record(number: int, talk: str, said: NewSection, bench: Bench) -> Json:
    """Begin to record a section; return its id and the talk."""
    bench.writable()
    held = _talks(bench, number)
    section = held.add_section(talk, voice=said.voice, instead=said.instead, after=said.after)
    return {"section": section, "talk": _told(held.get(talk))}


@router.post("/specimens/{number}/talks/{talk}/sections/{section}/pieces")
def keep(number: int, talk: str, section: str, said: Piece, bench: Bench) -> Json:
    """Keep a piece of a section; it is on disk when the answer goes out. A piece sent twice is kept once."""
    bench.writable()
    held = _talks(bench, number)
    try:
        voice = base64.b64decode(said.voice, validate=True)
    except (binascii.Error, ValueError) as error:
        raise OssicleError("the voice is no base64", where="voice", mend="load the page again") from error
    names = specimens_of(events_of(said.events))
    known = held.get(talk).known.get(section, {})
    fresh = {}
    for name in names:
        if name not in known:
            if not name.isdigit() or not 0 < int(name) <= MOST_ID:
                raise OssicleError(f"{name!r} is no specimen's number", where="events", mend="load the page again")
            shown = bench.shown(int(name))
            fresh[name] = known_parts(shown.account, shown.info.uid)
    count = held.add_piece(talk, section, said.number, said.upto_ms, said.events, voice, last=said.last)
    if fresh:
        held.change(talk, lambda data: data["known"].setdefault(section, {}).update(fresh))
    return {"pieces": count}


@router.get("/specimens/{number}/talks/{talk}/sections/{section}/voice.webm", response_class=Response)
def voice(number: int, talk: str, section: str, request: Request, bench: Bench) -> Response:
    """The voice of a section with an index, to listen to and to find where to trim."""
    from ossicle.publish.voice import voice_of, webm

    data = _talks(bench, number).voice(talk, section)
    if not data:
        raise OssicleError("there is no voice in this section", mend="it was recorded without a microphone")
    return kept_bytes(request, webm(voice_of(data)), "audio/webm", immutable=False)
