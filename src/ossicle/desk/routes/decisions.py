"""Decisions: said, undone, redone, and what a renaming would bring with it."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Response
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from ossicle.collection import Conflict, Redo, Request, Undo, words_of
from ossicle.collection.tables import MOST_ID
from ossicle.errors import OssicleError

from ..deciding import act_of, requests_of, suggested
from ..specimen import specimen_json, specimen_view
from ..workbench import Workbench
from .characters import Scored
from .common import Bench

__all__ = ["router"]

router = APIRouter(tags=["decisions"])
Json = dict[str, Any]


class Said(BaseModel):
    """What a person says; besides these, what the kind needs (see `ossicle.desk.deciding.requests_of`)."""

    model_config = ConfigDict(extra="allow")
    kind: str = Field(description="agree, amend, dispute, rename, generation, side, join, cut, discard, add, landmark, "
                      "midplane, score (of `character`: `state`)")  # fmt: skip
    expected: int | None = Field(
        default=None, ge=0, le=MOST_ID, description="`version` of the specimen that the person saw."
    )
    who: str | None = None
    why: str = ""


class Expecting(BaseModel):
    """Who takes a decision back, and what they had seen."""

    expected: int | None = Field(default=None, ge=0, le=MOST_ID)
    who: str | None = None
    why: str = ""
    number: int | None = Field(
        default=None, ge=1, le=MOST_ID, description="Which decision; the person's own last where left out."
    )


@router.post("/specimens/{number}/decisions", responses={409: {"description": "Others have decided since."}})
def decide(number: int, said: Said, bench: Bench, scored: Scored) -> Any:
    """Keep a decision. It is in the catalogue before the answer goes out, which is the specimen as it stands then."""
    who = bench.who(said.who)
    if said.kind in ("undo", "redo"):
        return _back(bench, number, said.kind, Expecting(expected=said.expected, who=said.who, why=said.why))
    shown, more = bench.shown(number), said.model_extra or {}
    asked: list[Request] = (
        [scored.score(shown, more)] if said.kind == "score" else requests_of(shown, {"kind": said.kind, **more})
    )
    return _decided(bench, number, asked, who, said.why, said.expected)


@router.post("/specimens/{number}/undo", responses={409: {"description": "Others have decided since."}})
def undo(number: int, asked: Expecting, bench: Bench) -> Any:
    """Take back the person's own last decision in force: all of it, where a row was renumbered."""
    return _back(bench, number, "undo", asked)


@router.post("/specimens/{number}/redo", responses={409: {"description": "Others have decided since."}})
def redo(number: int, asked: Expecting, bench: Bench) -> Any:
    """Let what the person undid last hold again."""
    return _back(bench, number, "redo", asked)


def _back(bench: Workbench, number: int, kind: str, asked: Expecting) -> Any:
    who = bench.who(asked.who)
    make = Undo if kind == "undo" else Redo
    if asked.number is not None:
        requests: list[Request] = [make(asked.number)]
    else:
        act = act_of(bench.shown(number).decisions, who, kind)
        if not act:
            raise OssicleError(f"there is nothing of {who} to {kind}", mend="the history lists all decisions")
        requests = [make(d.number) for d in act]
    return _decided(bench, number, requests, who, asked.why, asked.expected)


def _decided(bench: Workbench, number: int, asked: list[Request], who: str, why: str, expected: int | None) -> Any:
    try:
        now = bench.decide(number, asked, who=who, why=why, expected=expected)
        return Response(specimen_json(now, who), media_type="application/json")
    except Conflict as conflict:
        now = bench.shown(number)
        theirs = [
            {"number": d.number, "kind": d.kind, "who": d.who, "at": d.at, "words": words_of(d), "reason": d.why}
            for d in now.decisions
            if expected is None or d.number > expected
        ]
        return JSONResponse(
            {
                "what": conflict.what,
                "where": conflict.where,
                "mend": conflict.mend,
                "theirs": theirs,
                "now": specimen_view(now, who),
            },
            status_code=409,
        )


@router.get("/specimens/{number}/suggest")
def suggest(number: int, part: int, locus: str, bench: Bench) -> list[Json]:
    """How the row of a tooth would be numbered if it stood at ``locus``; nothing is kept."""
    return suggested(bench.shown(number), part, locus)
