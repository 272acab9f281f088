"""The application: routes, errors, lifetime. Open ``/api/docs.json`` for its OpenAPI description."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from ossicle import __version__
from ossicle.anatomy.characters import Character
from ossicle.collection import Collection, Conflict
from ossicle.errors import OssicleError

from .beside import Beside
from .board import Board
from .characters import Characters
from .door import Door
from .drawn import Drawn
from .folder import FolderBench, ReadingFolder
from .greys import Greys
from .guard import Guard
from .laid_out import laid_out
from .lines import Lines
from .pages import Page, built_page
from .places import Places
from .routes import beside, characters, decisions, measures, specimens, steps, talks, views, work
from .rows import Rows
from .strips import Strips
from .workbench import NotRead, Workbench

__all__ = ["make_app"]


def make_app(
    cabinet: Collection | ReadingFolder,
    *,
    token: str | None = None,
    key: str | None = None,
    door: Door | None = None,
    page: Path | None = None,
    roots: list[Path] | None = None,
    threads: int = 2,
    scored_by: Mapping[str, Character] | None = None,
) -> Any:
    """Return the desk of a collection as an ASGI application.

    Parameters
    ----------
    cabinet
        An open collection, which the caller closes; or a folder of one reading, to look at.
    token, key
        As `ossicle.desk.door.Door` takes them; left out where ``door`` is given.
    door
        Who may come in; a desk of one's own where left out.
    page, roots, threads, scored_by
        As `ossicle.desk.serve` takes them.
    """
    door = door or Door(token, key)
    drawn = cabinet.layout.root / "drawn"
    bench = FolderBench(cabinet) if isinstance(cabinet, ReadingFolder) else Workbench(cabinet)
    surfaces = Drawn(bench, drawn)
    rows = Rows(drawn)
    board = Board(bench.cabinet, drawn, threads, on_read=lambda number: laid_out(bench, surfaces, rows, number))

    @asynccontextmanager
    async def lifetime(_: FastAPI) -> AsyncIterator[None]:
        if bench.read_only is None:
            board.open()
        try:
            yield
        finally:
            board.close()

    app = FastAPI(
        title="Ossicle desk",
        version=__version__,
        description="Specimens, accounts, surfaces, slices and decisions of one collection. "
        "Not for clinical diagnosis. Lengths in mm; scan and skull coordinates as in the account.",
        openapi_url="/api/openapi.json",
        docs_url=None,
        redoc_url=None,
        lifespan=lifetime,
    )
    greys = Greys()
    app.state.bench, app.state.drawn, app.state.greys = bench, surfaces, greys
    app.state.lines = Lines(bench, drawn / "list.json")
    app.state.rows, app.state.strips = rows, Strips(bench, greys)
    app.state.board, app.state.places = board, Places(roots)
    app.state.beside, app.state.characters = Beside(bench), Characters(scored_by)
    _errors(app)
    for part in (specimens, decisions, characters, views, measures, beside, steps, talks, work):
        app.include_router(part.router, prefix="/api")
    _page(app, Page(page or built_page()))
    return Guard(app, door)


def _page(app: FastAPI, page: Page) -> None:
    @app.get("/", include_in_schema=False)
    def index(request: Request) -> Response:
        return page.index(request.scope["ossicle.session"].token)

    @app.get("/{name:path}", include_in_schema=False)
    def file(name: str) -> Response:
        found = page.file(name)
        if found is None:
            raise HTTPException(404)
        return found


def _told(status: int, what: str, where: str | None = None, mend: str | None = None) -> JSONResponse:
    return JSONResponse({"what": what, "where": where, "mend": mend}, status_code=status)


def _errors(app: FastAPI) -> None:
    @app.exception_handler(OssicleError)
    async def mendable(_: Request, error: OssicleError) -> JSONResponse:
        status = (
            404
            if error.what.startswith(("there is no ", "no specimen"))
            else 409
            if isinstance(error, Conflict | NotRead)
            else 400
        )
        return _told(status, error.what, error.where, error.mend)

    @app.exception_handler(RequestValidationError)
    async def invalid(_: Request, error: RequestValidationError) -> JSONResponse:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"][1:]) or None
        return _told(422, str(first["msg"]).lower(), where, "mend the request")

    @app.exception_handler(HTTPException)
    async def missing(_: Request, error: HTTPException) -> JSONResponse:
        what = "there is nothing here" if error.status_code == 404 else str(error.detail).lower()
        return _told(error.status_code, what)

    @app.exception_handler(Exception)
    async def ours(_: Request, error: Exception) -> JSONResponse:
        return _told(
            500,
            f"this is a fault in Ossicle ({type(error).__name__}: {error})",
            None,
            "nothing that was decided is lost; tell the developers what you did",
        )
