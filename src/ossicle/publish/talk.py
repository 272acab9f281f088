"""Talks as one HTML file: the voice together with every change of the stage, which replays and may be taken in hand.

Sections are laid end to end, each from and to where it was trimmed. Where a section begins in mid-recording, the stage
is told in whole at its first moment. Times are cut where packets of the voice are, so that both stay together.
"""

from __future__ import annotations

import base64
import html
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ossicle.collection.talks import Section, Talk, Talks
from ossicle.compare import Compared
from ossicle.errors import OssicleError

from .captions import Caption
from .following import Follower
from .player import clip_data, eye_data, labels_data, page, shown_data, specimen_data
from .stage import Stage
from .talk_events import Event, events_of, followed_events, specimens_of
from .voice import Packet, Voice, joined, taken, voice_of, webm

__all__ = ["MOST_BYTES", "Stretch", "Whole", "recorded", "shown_in", "stretches_of", "talk_page", "whole_talk"]

MOST_BYTES = 20_000_000
Json = dict[str, Any]


@dataclass(frozen=True)
class Stretch:
    """What is taken of a section: from when (ms of the section), how long, where it begins in the whole talk."""

    section: Section
    from_ms: float
    length_ms: float
    at_ms: float
    voice: Voice | None


@dataclass(frozen=True)
class Whole:
    """A talk laid end to end; times in ms from its beginning. Specimens are called by the names that they bear now."""

    title: str
    events: tuple[Event, ...]
    voice: Voice | None
    length_ms: float
    chapters: tuple[tuple[float, str], ...]
    captions: tuple[Caption, ...]


def stretches_of(talks: Talks, talk: Talk) -> list[Stretch]:
    """Return what is taken of each section, in order; sections of which nothing is left are not there."""
    out: list[Stretch] = []
    at = 0.0
    for s in talk.sections:
        data = talks.voice(talk.id, s.id) if s.voice else b""
        voice = voice_of(data, f"section {s.id}") if data else None
        end = max(s.length_ms, 0.0 if voice is None else voice.end_ms)
        end = end if s.to_ms is None else min(end, s.to_ms)
        begin = s.from_ms
        if voice is not None:
            voice = taken(voice, s.from_ms, end)
            begin = voice.packets[0].at_ms if voice.packets and s.from_ms > 0 else s.from_ms
        if end - begin <= 0:
            continue
        out.append(Stretch(s, begin, end - begin, at, voice))
        at += end - begin
    return out


def recorded(talks: Talks, talk: Talk) -> list[str]:
    """Return the specimens that a talk shows, by their numbers in the collection."""
    seen: dict[str, None] = {}
    for s in talk.sections:
        for name in specimens_of(events_of(talks.events(talk.id, s.id))):
            seen[name] = None
    return list(seen)


def whole_talk(talks: Talks, talk: Talk, specimens: Mapping[str, Compared], readings: Mapping[str, str]) -> Whole:
    """Return a talk laid end to end, of the accounts as they stand now.

    Parameters
    ----------
    specimens, readings
        By number in the collection: the specimens, and which reading each account is of.

    Raises
    ------
    OssicleError
        Nothing was recorded, or a specimen of the talk is not among these.
    """
    stretches = stretches_of(talks, talk)
    if not stretches:
        raise OssicleError("nothing is recorded of this talk", where=talk.title, mend="record it at the desk")
    events: list[Event] = []
    for s in stretches:
        follower = Follower(talk.known.get(s.section.id, {}), specimens, readings)
        own = followed_events(events_of(talks.events(talk.id, s.section.id), talk.title), follower)
        events += _cut(own, s)
    length = stretches[-1].at_ms + stretches[-1].length_ms
    parts = [(s.at_ms, s.length_ms, None if s.voice is None else _from(s.voice, s.from_ms)) for s in stretches]
    chapters: list[tuple[float, str]] = []
    for e in events:
        title = e.changed.get("chapter")
        if title and (not chapters or chapters[-1][1] != title):
            chapters.append((e.t_ms, title))
    captions = [
        Caption(
            s.at_ms + max(0.0, float(c["from_ms"]) - s.from_ms),
            s.at_ms + min(s.length_ms, float(c["to_ms"]) - s.from_ms),
            str(c["text"]),
        )
        for s in stretches
        for c in talk.captions
        if c["section"] == s.section.id
        and s.from_ms < float(c["to_ms"])
        and float(c["from_ms"]) < s.from_ms + s.length_ms
    ]
    captions.sort(key=lambda c: c.from_ms)
    return Whole(talk.title, tuple(events), joined(parts), length, tuple(chapters), tuple(captions))


def _from(voice: Voice, from_ms: float) -> Voice:
    return Voice(voice.head, tuple(Packet(p.at_ms - from_ms, p.data) for p in voice.packets))


def _cut(events: Sequence[Event], s: Stretch) -> list[Event]:
    """The events of a stretch in the time of the whole talk; what was shown before is told at its first moment."""
    before: dict[str, Any] = {}
    out = []
    for e in events:
        if e.t_ms <= s.from_ms and s.from_ms > 0:
            before |= e.changed
        elif e.t_ms < s.from_ms + s.length_ms:
            out.append(Event(s.at_ms + e.t_ms - s.from_ms, e.changed))
    before.pop("chapter", None)
    # What no event of this section tells is not what the section before it left behind.
    fresh = {"lift": 0.0, "clip": None, "slice": None, "named": (), "pointer": None}
    told = {} if s.at_ms == 0 and not before else {**fresh, **before}
    return [Event(s.at_ms, told), *out] if told else out


def shown_in(whole: Whole) -> list[str]:
    """Return the names of the specimens that a talk shows, the first leading one first."""
    return specimens_of(whole.events)


def talk_page(whole: Whole, stages: Mapping[str, Stage], note: str = "") -> str:
    """Return the page of a talk.

    Raises
    ------
    OssicleError
        The page would be too large.
    """
    names = shown_in(whole)
    order = {name: n for n, name in enumerate(names)}
    data = {
        "kind": "talk",
        "title": whole.title,
        "note": note,
        "specimens": [specimen_data(stages[name]) for name in names],
        "voice": "" if whole.voice is None else base64.b64encode(webm(whole.voice)).decode(),
        "length": round(whole.length_ms),
        "events": [_event(e, stages, order) for e in whole.events],
        "chapters": [{"t": round(t), "title": title} for t, title in whole.chapters],
        "captions": [{"from": round(c.from_ms), "to": round(c.to_ms), "text": c.text} for c in whole.captions],
    }
    return page(data, _BODY.format(title=html.escape(whole.title)), MOST_BYTES)


def _event(e: Event, stages: Mapping[str, Stage], order: Mapping[str, int]) -> Json:
    out: Json = {"t": round(e.t_ms)}
    for key, value in e.changed.items():
        if key == "eye":
            out["eye"] = eye_data(value)
        elif key == "shown":
            out["shown"] = shown_data(value, stages, order)
        elif key == "named":
            out["labels"] = labels_data(value, stages, order)
        elif key == "clip":
            out["clip"] = clip_data(value)
        elif key in ("lift", "pointer"):
            out[key] = value
    return out


_BODY = """<p id="of">A talk, <span id="clock"></span></p>
<h1 id="title">{title}</h1>
<div id="player"><button id="play" type="button" aria-keyshortcuts="Space">Play</button>
<input id="seek" type="range" min="0" step="100" value="0" aria-label="Where in the talk">
<label id="captioned"><input id="captions" type="checkbox" checked> captions</label></div>
<p id="fault" role="alert" hidden></p>
<h2 id="chapters-head">Chapters</h2><ol id="steps"></ol>
<h2 id="transcript-head">Transcript</h2><ol id="transcript"></ol>
<p id="keys">Keys: space plays and pauses, arrows go 5 s on and back, Shift with arrows turns, + and − bring nearer and
farther, R returns to the talk. Drag to take the skull in hand: the talk waits where you left it.</p>"""
