"""Characters of a specimen: states, evidence, what persons say. A score is said as any other decision."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request

from ..characters import Characters
from .common import Bench

__all__ = ["Scored", "router"]

router = APIRouter(tags=["characters"])
Json = dict[str, Any]


def _characters(request: Request) -> Characters:
    characters: Characters = request.app.state.characters
    return characters


Scored = Annotated[Characters, Depends(_characters)]


@router.get("/specimens/{number}/characters")
def characters(number: int, bench: Bench, scored: Scored) -> Json:
    """How a specimen is scored: each character with its state, evidence and standing, and what persons say of it."""
    return scored.told(bench.shown(number))
