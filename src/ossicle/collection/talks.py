"""Recorded talks: voice and changes of the stage in ``talks/<specimen>/<id>/``, in the pieces in which they came.

``talk.json`` says which sections the talk has, in order, and from when to when each is taken; a section's pieces lie in
``<section>/000000.json`` (what changed on the stage, and until when) and ``000000.webm`` (the voice). Every piece is
written whole or not at all, so that a browser or a machine that dies loses what had not come yet and no more.
"""

from __future__ import annotations

import json
import re
import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ossicle.errors import OssicleError
from ossicle.scans.removal import remove_folder

from .catalogue import Conflict
from .files import FileLock, Layout, plain, read_json, unwritable, write_file
from .specimens import now

__all__ = ["MOST_PIECES", "MOST_SECTIONS", "Section", "Talk", "Talks"]

FORMAT = "ossicle-talk/1"
MOST_SECTIONS = 100
MOST_PIECES = 7200
"""Of a section: four hours of pieces of two seconds."""
_ID = re.compile(r"[0-9a-f]{8}")
Json = dict[str, Any]


@dataclass(frozen=True)
class Section:
    """What was recorded at a stretch. ``from_ms`` and ``to_ms`` say what of it is taken, None to its end; ``length_ms``
    is how long it is, ``ended`` whether it was ended and not cut off."""

    id: str
    voice: bool
    ended: bool
    from_ms: float
    to_ms: float | None
    length_ms: float
    pieces: int


@dataclass(frozen=True)
class Talk:
    """A talk. ``left_out`` are sections that were recorded and are not taken; ``captions`` are by section, ms from its
    beginning; ``known`` is what finds its parts again, by section and specimen (`ossicle.publish.following`)."""

    id: str
    title: str
    who: str
    at: str
    version: int
    sections: tuple[Section, ...]
    left_out: tuple[str, ...]
    captions: tuple[Mapping[str, Any], ...]
    known: Mapping[str, Mapping[str, Any]]


class Talks:
    """The talks about a specimen.

    Parameters
    ----------
    layout
        Of the collection.
    specimen
        Its number in the collection.
    """

    def __init__(self, layout: Layout, specimen: int) -> None:
        self.layout, self.specimen = layout, specimen
        self.folder = layout.root / "talks" / str(specimen)

    def all(self) -> list[Talk]:
        """Return the talks, oldest first."""
        names = sorted(self.folder.iterdir()) if self.folder.is_dir() else []
        found = [self.get(p.name) for p in names if _ID.fullmatch(p.name) and (p / "talk.json").is_file()]
        return sorted(found, key=lambda t: (t.at, t.id))

    def get(self, talk: str) -> Talk:
        """Return a talk; raises `OssicleError` where there is none, or it is damaged."""
        data = self._data(talk)
        sections = tuple(self._section(talk, s) for s in data["sections"])
        return Talk(
            talk, str(data["title"]), str(data["who"]), str(data["at"]), int(data["version"]), sections,
            tuple(data["left_out"]), tuple(data["captions"]), data["known"],
        )  # fmt: skip

    def begin(self, title: str, who: str) -> Talk:
        """Begin a talk, without a section yet."""
        talk = secrets.token_hex(4)
        try:
            (self.folder / talk).mkdir(parents=True)
        except OSError as error:
            raise unwritable(self.folder, error) from error
        empty: Json = {"sections": [], "left_out": [], "captions": [], "known": {}}
        self._write(talk, {"format": FORMAT, "title": title, "who": who, "at": now(), "version": 0, **empty})
        return self.get(talk)

    def remove(self, talk: str) -> None:
        """Take a talk away, with all that was recorded."""
        self._data(talk)
        remove_folder(self.folder / talk)

    def change(self, talk: str, change: Callable[[Json], None], expected: int | None = None) -> Talk:
        """Change what ``talk.json`` says, in place in the data given; whole or not at all.

        Raises
        ------
        Conflict
            It was changed since the version ``expected``.
        """
        with FileLock(self.layout.work / f"talk-{talk}.lock"):
            data = self._data(talk)
            if expected is not None and expected != data["version"]:
                raise Conflict("the talk was changed elsewhere in the meantime", mend="look at it as it is, and go on")
            change(data)
            data["version"] += 1
            self._write(talk, data)
        return self.get(talk)

    def add_section(self, talk: str, *, voice: bool, instead: str | None = None, after: str | None = None) -> str:
        """Begin a section: ``instead`` of another, ``after`` another, else the last; return its id."""
        section = secrets.token_hex(4)

        def put(data: Json) -> None:
            if len(data["sections"]) >= MOST_SECTIONS:
                raise OssicleError(f"a talk has {MOST_SECTIONS} sections at most", mend="begin another talk")
            ids = [s["id"] for s in data["sections"]]
            named = instead or after
            if named is not None and named not in ids:
                raise OssicleError(f"there is no section {named!r} in this talk", mend="look at the talk again")
            at = len(ids) if named is None else ids.index(named) + (1 if instead is None else 0)
            if instead is not None:
                data["left_out"].append(data["sections"].pop(at)["id"])
                data["captions"] = [c for c in data["captions"] if c["section"] != instead]
            made = {"id": section, "voice": voice, "ended": False, "from_ms": 0.0, "to_ms": None}
            data["sections"].insert(at, made)

        self._data(talk)  # a talk that is not there is told as such
        folder = self._place(talk) / section
        try:
            folder.mkdir()
        except OSError as error:
            raise unwritable(self.folder, error) from error
        try:
            self.change(talk, put)
        except OssicleError:
            folder.rmdir()
            raise
        return section

    def add_piece(
        self, talk: str, section: str, number: int, upto_ms: float, events: list[Json], voice: bytes, *, last: bool
    ) -> int:
        """Keep a piece; on disk when this returns. A piece that is there already is let be. Return how many there are.

        Raises
        ------
        OssicleError
            There is no such section, or pieces before it have not come.
        """
        folder = self._place(talk) / _named(section)
        if not folder.is_dir():
            raise OssicleError(f"there is no section {section!r} in this talk", mend="look at the talk again")
        there = _count(folder)
        if number > there or number >= MOST_PIECES:
            raise OssicleError(f"piece {there} has not come yet", where=f"piece {number}", mend="send it first")
        if number == there:
            # The voice first: a piece counts when what changed on the stage lies there.
            if voice:
                write_file(folder / f"{number:06d}.webm", voice)
            text = json.dumps(plain({"upto_ms": upto_ms, "events": events}), ensure_ascii=False, allow_nan=False)
            write_file(folder / f"{number:06d}.json", text.encode())
        if last:

            def end(data: Json) -> None:
                for s in data["sections"]:
                    if s["id"] == section:
                        s["ended"] = True

            self.change(talk, end)
        return max(there, number + 1)

    def events(self, talk: str, section: str) -> list[Json]:
        """Return all that changed on the stage in a section, in order of time."""
        folder = self._place(talk) / _named(section)
        out = [e for n in range(_count(folder)) for e in read_json(folder / f"{n:06d}.json")["events"]]
        return sorted(out, key=lambda e: float(e["t"]))

    def voice(self, talk: str, section: str) -> bytes:
        """Return the voice of a section, a WebM stream as the browser recorded it; empty where there is none."""
        folder = self._place(talk) / _named(section)
        files = (folder / f"{n:06d}.webm" for n in range(_count(folder)))
        return b"".join(f.read_bytes() for f in files if f.is_file())

    def _section(self, talk: str, said: Mapping[str, Any]) -> Section:
        folder = self._place(talk) / _named(str(said["id"]))
        pieces = _count(folder)
        length = float(read_json(folder / f"{pieces - 1:06d}.json")["upto_ms"]) if pieces else 0.0
        to = said["to_ms"]
        return Section(
            str(said["id"]), bool(said["voice"]), bool(said["ended"]), float(said["from_ms"]),
            None if to is None else float(to), length, pieces,
        )  # fmt: skip

    def _place(self, talk: str) -> Path:
        return self.folder / _named(talk)

    def _data(self, talk: str) -> Json:
        file = self._place(talk) / "talk.json"
        if not file.is_file():
            raise OssicleError(f"there is no talk {talk!r} about this specimen", mend="look at the list of talks again")
        data = read_json(file)
        if data.get("format") != FORMAT:
            raise OssicleError("this talk is damaged or of a later Ossicle", where=talk, mend="restore its files")
        return data

    def _write(self, talk: str, data: Json) -> None:
        text = json.dumps(plain(data), ensure_ascii=False, allow_nan=False)
        write_file(self._place(talk) / "talk.json", text.encode())


def _named(name: str) -> str:
    if not _ID.fullmatch(name):
        raise OssicleError(f"there is no talk or section {name[:40]!r}", mend="look at the list of talks again")
    return name


def _count(folder: Path) -> int:
    """How many pieces there are: those whose numbers run on from 0."""
    names = {p.name for p in folder.iterdir()} if folder.is_dir() else set()
    n = 0
    while f"{n:06d}.json" in names:
        n += 1
    return n
