"""The command that makes films."""

from __future__ import annotations

import sys
from contextlib import ExitStack
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from ossicle.errors import OssicleError

from .comparing import In, gathered
from .options import Threads, set_threads, threads_default
from .publishing import lesson_of
from .talking import Which, talk_of

__all__ = ["register"]


class What(StrEnum):
    """What a film is of."""

    turn = "turn"
    lesson = "lesson"
    talk = "talk"


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(epilog="Example: ossicle film reading/adult --seconds 10 --out turn.mp4")(film)


def film(
    specimens: Annotated[
        list[str],
        typer.Argument(
            help="Folders that `ossicle read --out` wrote; with --in catalogue numbers. A turn and a talk take one.",
            show_default=False,
        ),
    ],
    out: Annotated[Path, typer.Option(help="The film: its ending says mp4 or webm.", show_default=False)],
    inside: In = None,
    what: Annotated[
        What, typer.Option("--of", help="One turn about the vertical, the steps of a lesson, or a recorded talk.")
    ] = What.turn,
    description: Annotated[
        Path | None, typer.Option("--from", help="Of a lesson: a TOML or JSON file with the steps.", show_default=False)
    ] = None,
    which: Which = None,
    view: Annotated[str, typer.Option(help="Of a turn: the standard view that it begins with.")] = "lateral left",
    bone: Annotated[str, typer.Option(help="Of a turn: solid, veiled or absent.")] = "solid",
    seconds: Annotated[float, typer.Option(min=0.1, max=600, help="Of a turn: its length, s.")] = 10.0,
    rate: Annotated[int, typer.Option(min=1, max=60, help="Pictures a second.")] = 25,
    size: Annotated[str, typer.Option(help="Width and height, pixels.")] = "1280x720",
    captioned: Annotated[
        bool, typer.Option("--captioned", help="Of a talk: draw the captions into the pictures, too.")
    ] = False,
    threads: Threads = threads_default(),
) -> None:
    """Make a film of a turn, a lesson or a talk; stopped, it goes on where it was. Needs ffmpeg."""
    set_threads(1)  # one a process
    from ossicle.publish import film as films
    from ossicle.publish import frames
    from ossicle.publish.captions import Caption
    from ossicle.publish.lesson import stages_of
    from ossicle.publish.lesson_text import draft, lesson_text
    from ossicle.publish.stage import standard_view
    from ossicle.publish.talk import shown_in
    from ossicle.publish.voice import webm

    from .console import telling

    width, height = _size(size)
    if bone not in ("solid", "veiled", "absent"):
        raise OssicleError(f"{bone!r} is no presence", where="--bone", mend="say solid, veiled or absent")
    if what is not What.lesson and len(specimens) != 1:
        raise OssicleError(f"a {what.value} is of one specimen", where="SPECIMENS", mend="name one")
    films.needs_ffmpeg()
    voice, captions = b"", tuple[Caption, ...]()
    with ExitStack() as stack, telling(by_stage=True) as progress:
        if what is What.talk:
            if inside is None:
                raise OssicleError("talks are kept in a collection", where="--in", mend="name the collection")
            whole, found = talk_of(specimens[0], inside, which, stack)
            used = set(shown_in(whole))
            stages = stages_of([s for s in found if s.name in used], progress=progress)
            shown = frames.frames_of_talk(whole, rate, captioned=captioned)
            voice, captions = b"" if whole.voice is None else webm(whole.voice), whole.captions
        elif what is What.lesson:
            text = None if description is None else lesson_text(description)
            held, text = lesson_of(specimens, inside, text, stack)
            stages = stages_of(held, progress=progress)
            shown, _ = frames.frames_of_lesson(text or draft(held), stages, rate, width, height)
        else:
            (s,) = gathered(specimens, inside, stack, export=True)
            stages = stages_of([s], progress=progress)
            first = standard_view(view, s, bone=bone)  # type: ignore[arg-type]
            shown = frames.frames_of_turn(stages[s.name], first, seconds, rate, width, height)
        films.make_film(
            stages,
            shown,
            out,
            rate=rate,
            width=width,
            height=height,
            workers=threads,
            voice=voice,
            captions=captions,
            progress=progress,
        )
    print(f"Written: {out}", file=sys.stderr)


def _size(size: str) -> tuple[int, int]:
    wide, _, high = size.partition("x")
    if not (wide.isdigit() and high.isdigit() and 16 <= int(wide) <= 7680 and 16 <= int(high) <= 4320):
        raise OssicleError(f"{size!r} is no size", where="--size", mend="write it as 1280x720")
    if int(wide) % 2 or int(high) % 2:
        raise OssicleError(f"{size!r} has an odd side", where="--size", mend="films have even ones, as 1280x720")
    return int(wide), int(high)
