"""The command that hands a recorded talk on."""

from __future__ import annotations

import sys
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ossicle.errors import OssicleError

from .collection import say
from .comparing import AsJson, gathered

if TYPE_CHECKING:
    from ossicle.compare import Compared
    from ossicle.publish.talk import Whole

__all__ = ["register", "talk_of"]

Inside = Annotated[Path, typer.Option("--in", help="The collection at whose desk it was recorded.", show_default=False)]
Which = Annotated[
    str | None,
    typer.Option("--talk", help="Id of the talk where there are several.", show_default="the last one recorded"),
]


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(epilog='Example: ossicle talk "OTC 1" --in cabinet --out talk.html')(talk)


def talk(
    specimen: Annotated[str, typer.Argument(help="Catalogue number.", show_default=False)],
    inside: Inside,
    out: Annotated[
        Path | None, typer.Option(help="The page to write, one HTML file that needs nothing else.", show_default=False)
    ] = None,
    which: Which = None,
    captions: Annotated[Path | None, typer.Option(help="Write the captions (WebVTT).", show_default=False)] = None,
    triangles: Annotated[int, typer.Option(min=2000, max=1_000_000, help="Triangles of a specimen, about.")] = 150_000,
    as_json: AsJson = False,
) -> None:
    """Make a recorded talk into one page that replays voice and stage, and in which one may take the skull in hand."""
    from ossicle.publish.captions import webvtt_text
    from ossicle.publish.files import write_bytes
    from ossicle.publish.lesson import stages_of
    from ossicle.publish.talk import shown_in, talk_page

    from .console import telling

    if out is None and captions is None:
        raise OssicleError("nothing is to be written", where="--out", mend="name a page, or --captions")
    made: list[tuple[Path, bytes]] = []
    with ExitStack() as stack, telling() as progress:
        whole, found = talk_of(specimen, inside, which, stack)
        if captions is not None:
            made.append((captions, webvtt_text(whole.captions).encode()))
        if out is not None:
            used = set(shown_in(whole))
            stages = stages_of([s for s in found if s.name in used], triangles, progress)
            note = f"Recorded at the desk of Ossicle about {specimen}."
            made.append((out, talk_page(whole, stages, note).encode()))
    for file, data in made:
        write_bytes(file, data)
        print(f"Written: {file}", file=sys.stderr)
    if as_json:
        say(
            {
                "length_s": round(whole.length_ms / 1000, 3),
                "voice": whole.voice is not None,
                "chapters": [{"at_s": round(t / 1000, 3), "title": title} for t, title in whole.chapters],
                "captions": len(whole.captions),
                "events": len(whole.events),
            }
        )


def talk_of(specimen: str, inside: Path, which: str | None, stack: ExitStack) -> tuple[Whole, list[Compared]]:
    """Return a talk about a specimen, and the specimens that it shows."""
    from ossicle.collection import Collection
    from ossicle.collection.talks import Talks
    from ossicle.publish.kept import current
    from ossicle.publish.talk import recorded, whole_talk

    held = stack.enter_context(Collection.open(inside))
    number = held.specimen(specimen).id
    talks = Talks(held.layout, number)
    known = talks.all()
    if not known:
        raise OssicleError(f"no talk about {specimen} was recorded", mend="record one: `ossicle desk`, leaf Talk")
    chosen = known[-1] if which is None else next((t for t in known if t.id == which), None)
    if chosen is None:
        said = ", ".join(f"{t.id} ({t.title})" for t in known)
        raise OssicleError(f"there is no talk {which!r} about {specimen}", where="--talk", mend=f"there are {said}")
    numbers = recorded(talks, chosen)
    handles = [specimen if n == str(number) else held.specimen(f"#{n}").catalog_number for n in numbers]
    found = gathered(handles, inside, stack, export=True)
    by_number, readings = current(held, handles, found)
    return whole_talk(talks, chosen, by_number, readings), found
