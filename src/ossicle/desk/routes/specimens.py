"""Specimens: the list, one with its account, its surfaces."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Query, Request, Response

from ossicle.errors import OssicleError

from ..lines import Lines
from ..specimen import history_rows, specimen_json
from .common import Bench, Drawings, kept_bytes

__all__ = ["router"]

router = APIRouter(tags=["specimens"])
Json = dict[str, Any]
AFTER_S = 3.0
"""When what a first decision needs is made ready: the page has set its stage by then."""


@router.get("/specimens")
def specimens(request: Request, bench: Bench, words: str = "", page: int = 1, per_page: int = 50) -> list[Json]:
    """A page of the specimens; each of ``words`` must occur in their data."""
    found = bench.cabinet.specimens(words, page=page, per_page=per_page).items
    reading = {j.specimen_id for j in bench.cabinet.jobs(unfinished=True)}
    lines: Lines = request.app.state.lines
    return lines.of(found, reading)


@router.get("/specimens/{number}", response_model=Json)
def specimen(number: int, bench: Bench, who: str | None = None) -> Response:
    """A specimen with its account, decisions applied. ``who`` is whose decisions may be undone."""
    shown = bench.shown(number)
    bench.prepare(shown, AFTER_S)
    return Response(specimen_json(shown, bench.who(who)), media_type="application/json")


@router.get("/specimens/{number}/surfaces.glb", response_class=Response)
def surfaces(
    number: int,
    request: Request,
    bench: Bench,
    drawn: Drawings,
    shape: str | None = None,
    parts: str | None = Query(None, description="Numbers of parts, as 3,17; all where left out."),
) -> Response:
    """Surfaces of parts in skull mm (glTF 2.0, KHR_mesh_quantization): nodes ``part-<n>`` and ``enamel-<n>``."""
    try:
        wanted = None if parts is None else {int(p) for p in parts.split(",") if p.strip()}
    except ValueError as error:
        raise OssicleError("parts are told by number", where="parts", mend="write 3,17") from error
    data = drawn.glb(bench.shown(number), wanted)
    return kept_bytes(request, data, "model/gltf-binary", immutable=shape is not None)


@router.get("/specimens/{number}/history")
def history(number: int, bench: Bench) -> list[Json]:
    """All decisions of a specimen, oldest first."""
    return history_rows(bench.shown(number))
