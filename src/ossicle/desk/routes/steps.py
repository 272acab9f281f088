"""Steps of a lesson: views kept from the stage, with what is said to them."""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable
from typing import Annotated, Any

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field

from ossicle.collection.steps import Kept, change_steps, steps_of
from ossicle.collection.tables import MOST_ID
from ossicle.errors import OssicleError
from ossicle.publish.following import known_parts
from ossicle.publish.scene import scene_of

from ..workbench import Workbench
from .common import Bench

__all__ = ["known_of", "router"]

router = APIRouter(tags=["lesson"])
Json = dict[str, Any]
_WORDS = 20_000


class Expecting(BaseModel):
    """What the person had seen, and who they are."""

    expected: int | None = Field(default=None, ge=0, le=MOST_ID)
    who: str | None = None


class NewStep(Expecting):
    """A view to keep. ``scene`` as `ossicle.publish.scene` has it; ``address`` opens the same view at the desk."""

    scene: Json
    address: str = Field(default="", max_length=8000)
    title: str = Field(default="", max_length=300)
    narration: str = Field(default="", max_length=_WORDS)
    after: str | None = Field(default=None, description="The step that it follows; the last where left out.")


class Changed(Expecting):
    """What changes of a step; what is left out stays."""

    scene: Json | None = None
    address: str | None = Field(default=None, max_length=8000)
    title: str | None = Field(default=None, max_length=300)
    narration: str | None = Field(default=None, max_length=_WORDS)
    notes: str | None = Field(default=None, max_length=_WORDS)
    travel: bool | None = None


class Ordered(Expecting):
    """The ids of all steps in their new order."""

    order: list[str] = Field(max_length=1000)


def _told(kept: Kept) -> Json:
    steps = [{k: v for k, v in s.items() if k != "known"} for s in kept.steps]
    return {"version": kept.version, "steps": steps}


def known_of(bench: Workbench, specimens: list[str]) -> Json:
    """Return what is kept beside scenes of specimens, by their numbers as text (`known_parts`)."""
    out = {}
    for name in specimens:
        if not name.isdigit() or not 0 < int(name) <= MOST_ID:
            raise OssicleError(f"{name!r} is no specimen's number", where="scene", mend="keep the view again")
        shown = bench.shown(int(name))
        out[name] = known_parts(shown.account, shown.info.uid)
    return out


def _held(bench: Workbench, scene: Json, number: int) -> Json:
    read = scene_of(scene)
    names = [s.specimen for s in read.shown]
    if names[0] != str(number):
        raise OssicleError("this view is of another specimen first", where="scene", mend="keep it there")
    return {"scene": scene, "known": known_of(bench, names)}


def _change(bench: Workbench, number: int, said: Expecting, change: Callable[[list[Json]], list[Json]]) -> Json:
    bench.writable()
    bench.shown(number)
    return _told(change_steps(bench.cabinet.layout, number, change, said.expected))


def _at(steps: list[Json], step: str) -> int:
    found = next((n for n, s in enumerate(steps) if s["id"] == step), None)
    if found is None:
        raise OssicleError(f"there is no step {step!r} in this lesson", mend="look at the lesson again")
    return found


@router.get("/specimens/{number}/steps")
def steps(number: int, bench: Bench) -> Json:
    """The steps of a specimen's lesson, in order."""
    bench.cabinet.specimen(f"#{number}")
    return _told(steps_of(bench.cabinet.layout, number))


@router.post("/specimens/{number}/steps")
def keep(number: int, said: NewStep, bench: Bench) -> Json:
    """Keep a view as a step."""
    bench.writable()
    made = {
        "id": secrets.token_hex(4),
        "title": " ".join(said.title.split()) or "View",
        "narration": said.narration,
        "notes": "",
        "travel": True,
        "who": bench.who(said.who),
        "at": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
        "address": said.address,
        **_held(bench, said.scene, number),
    }

    def put(now: list[Json]) -> list[Json]:
        at = len(now) if said.after is None else _at(now, said.after) + 1
        return [*now[:at], made, *now[at:]]

    return _change(bench, number, said, put)


@router.post("/specimens/{number}/steps/order")
def order(number: int, said: Ordered, bench: Bench) -> Json:
    """Put the steps into another order."""

    def put(now: list[Json]) -> list[Json]:
        if sorted(said.order) != sorted(s["id"] for s in now):
            raise OssicleError("this is no order of the steps that there are", mend="look at the lesson again")
        return [now[_at(now, step)] for step in said.order]

    return _change(bench, number, said, put)


@router.post("/specimens/{number}/steps/{step}")
def change(number: int, step: str, said: Changed, bench: Bench) -> Json:
    """Change a step: its words, or the view that it shows."""
    bench.writable()
    words: Json = {k: v for k in ("narration", "notes", "travel", "address") if (v := getattr(said, k)) is not None}
    if said.title is not None:
        words["title"] = " ".join(said.title.split()) or "View"
    if said.scene is not None:
        words |= _held(bench, said.scene, number)

    def put(now: list[Json]) -> list[Json]:
        at = _at(now, step)
        return [*now[:at], {**now[at], **words}, *now[at + 1 :]]

    return _change(bench, number, said, put)


@router.delete("/specimens/{number}/steps/{step}")
def discard(
    number: int, step: str, bench: Bench, expected: Annotated[int | None, Query(ge=0, le=MOST_ID)] = None
) -> Json:
    """Take a step away."""

    def put(now: list[Json]) -> list[Json]:
        at = _at(now, step)
        return now[:at] + now[at + 1 :]

    return _change(bench, number, Expecting(expected=expected), put)
