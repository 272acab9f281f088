"""Taking scans in, reading them, and watching both."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import StreamingResponse
from pydantic import BaseModel, Field

from ossicle import __version__
from ossicle.account import CAUTIONS
from ossicle.anatomy.dentitions import dentition_names
from ossicle.collection import KINDS
from ossicle.collection.terms import TERMS
from ossicle.publish.groups import GROUPS

from ..board import Board
from ..guard import ACTING
from ..places import Places
from .common import Bench, kept_bytes

__all__ = ["router"]

router = APIRouter(tags=["work"])
Json = dict[str, Any]
_EVERY_S = 0.4


def _board(request: Request) -> Board:
    board: Board = request.app.state.board
    return board


def _places(request: Request) -> Places:
    places: Places = request.app.state.places
    return places


OnBoard = Annotated[Board, Depends(_board)]
Allowed = Annotated[Places, Depends(_places)]


class Intake(BaseModel):
    """A scan to take in: where it lies, its spacing where it states none, catalogue data (Darwin Core)."""

    source: str
    spacing_mm: float | list[float] | str | None = Field(default=None, description="0.05, or [z, y, x].")
    series: str | None = None
    mirrored: bool = False
    terms: dict[str, str] = {}
    read: bool = True
    dentition: str = "auto"
    who: str | None = None


class Again(BaseModel):
    """A job to begin again, with the spacing that it lacked."""

    spacing_mm: float | list[float] | str | None = None


class Reading(BaseModel):
    """A reading to queue."""

    dentition: str = "auto"
    scan: str | None = None
    who: str | None = None


@router.get("/about")
def about(bench: Bench) -> Json:
    """What this is, and what it is not for."""
    acting = ACTING.get()
    return {
        "version": __version__,
        "not_clinical": CAUTIONS[0],
        "cautions": list(CAUTIONS),
        "collection": bench.cabinet.layout.root.name,
        "read_only": bench.read_only,
        "person": bench.who(None),
        "role": "manage" if acting is None else acting.role,
        "shared": acting is not None,
        "kinds": [k for k in KINDS if k not in ("undo", "redo")],
        "groups": list(GROUPS),
        "terms": list(TERMS),
        "dentitions": ["auto", *dentition_names()],
    }


@router.get("/places")
def places(allowed: Allowed, path: str | None = None) -> Json:
    """Folders and scans in a folder on the desk's machine, below those that may be chosen."""
    return allowed.listed(path)


@router.get("/places/scan")
def place(allowed: Allowed, path: str) -> Json:
    """What a scan's headers say: shape, spacing or that it is lacking, series to choose from."""
    return allowed.looked_at(path)


@router.post("/intake", status_code=202)
def intake(said: Intake, allowed: Allowed, board: OnBoard, bench: Bench) -> Json:
    """Queue a scan to take in."""
    bench.writable()
    return board.take_in(
        allowed.resolved(said.source),
        said.terms,
        spacing=_spacing(said.spacing_mm),
        series=said.series,
        mirrored=said.mirrored,
        read=said.read,
        who=bench.who(said.who),
        dentition=said.dentition,
    )


@router.post("/specimens/{number}/read", status_code=202)
def read(number: int, said: Reading, board: OnBoard, bench: Bench) -> Json:
    """Queue a reading of a specimen with all decisions."""
    bench.writable()
    return board.read(bench.cabinet.specimen(f"#{number}").id, bench.who(said.who), said.dentition, said.scan)


@router.get("/jobs")
def jobs(board: OnBoard) -> list[Json]:
    """All jobs: unfinished ones first, the newest first."""
    return board.listed()


@router.get("/jobs/events")
async def events(request: Request, board: OnBoard) -> StreamingResponse:
    """Server-sent events: a job's row each time that it changes; a comment now and then."""
    return StreamingResponse(
        _events(request, board), media_type="text/event-stream", headers={"cache-control": "no-store"}
    )


async def _events(request: Request, board: Board) -> AsyncIterator[str]:
    known: dict[str, Json] = {}
    quiet = 0.0
    yield "retry: 1000\n\n"
    while not board.ending and not await request.is_disconnected():
        rows = await run_in_threadpool(board.listed)
        for row in reversed(rows):
            if known.get(row["id"]) != row:
                known[row["id"]] = row
                quiet = 0.0
                yield f"event: job\ndata: {json.dumps(row, ensure_ascii=False)}\n\n"
        quiet += _EVERY_S
        if quiet > 10:
            quiet = 0.0
            yield ": still here\n\n"
        await asyncio.sleep(_EVERY_S)


@router.get("/jobs/{name}")
def job(name: str, board: OnBoard) -> Json:
    """One job."""
    return board.job(name)


@router.get("/jobs/{name}/found.png", response_class=Response)
def found(name: str, request: Request, board: OnBoard) -> Response:
    """What a reading under way has found so far: bones and teeth, to lay over the picture of its scan."""
    return kept_bytes(request, board.found(name), "image/png", immutable="at" in request.query_params)


@router.delete("/jobs/{name}")
def cancel(name: str, board: OnBoard) -> Json:
    """Ask a job to stop; nothing half-made is kept."""
    return board.cancel(name)


@router.post("/jobs/{name}/again", status_code=202)
def again(name: str, said: Again, board: OnBoard, bench: Bench) -> Json:
    """Begin a job again that failed, was cancelled, or was cut off when the desk ended."""
    bench.writable()
    return board.again(name, _spacing(said.spacing_mm))


def _spacing(said: float | list[float] | str | None) -> str | None:
    if said is None or said == "":
        return None
    return ",".join(f"{v:g}" for v in said) if isinstance(said, list) else str(said)
