"""Specimens side by side: comparison and growth series."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request

from ossicle.errors import OssicleError

from ..beside import Beside, Way

__all__ = ["router"]

router = APIRouter(tags=["side by side"])
Json = dict[str, Any]


def _beside(request: Request) -> Beside:
    beside: Beside = request.app.state.beside
    return beside


Kept = Annotated[Beside, Depends(_beside)]
Numbers = Annotated[str, Query(description="Numbers of specimens, as 3,17; the first is the one compared with.")]


def _numbers(text: str) -> list[int]:
    try:
        return [int(n) for n in text.split(",") if n.strip()]
    except ValueError as error:
        raise OssicleError("specimens are told by number", where="specimens", mend="write 3,17") from error


@router.get("/compare")
def compare(beside: Kept, specimens: Numbers, by: Way = "pose", scale: bool = False, across: bool = False) -> Json:
    """The first specimen against each of the others: differences with evidence in both, counterparts, placement."""
    return beside.compared(_numbers(specimens), by, scale=scale, across=across)


@router.get("/series")
def series(beside: Kept, specimens: Numbers) -> Json:
    """Specimens ordered by eruption, and what each locus shows in each."""
    return beside.series(_numbers(specimens))
