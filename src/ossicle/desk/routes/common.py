"""What all routes share: the workbench, and answers that may be kept by the browser."""

from __future__ import annotations

import hashlib
from typing import Annotated, Any

from fastapi import Depends, Request, Response

from ..drawn import Drawn
from ..workbench import Workbench

__all__ = ["Bench", "Drawings", "kept_bytes"]


def _bench(request: Request) -> Workbench:
    bench: Workbench = request.app.state.bench
    return bench


def _drawn(request: Request) -> Drawn:
    drawn: Drawn = request.app.state.drawn
    return drawn


Bench = Annotated[Workbench, Depends(_bench)]
Drawings = Annotated[Drawn, Depends(_drawn)]


def kept_bytes(request: Request, data: bytes, kind: str, *, immutable: bool) -> Response:
    """Return bytes with their digest as ETag: nothing but that where the browser has them already.

    ``immutable`` says that the address carries a key of what it holds, so that the browser need not ask again.
    """
    tag = f'"{hashlib.sha256(data).hexdigest()[:32]}"'
    kept = "private, max-age=31536000, immutable" if immutable else "private, no-cache"
    headers: dict[str, Any] = {"etag": tag, "cache-control": kept}
    if tag in request.headers.get("if-none-match", ""):
        return Response(status_code=304, headers=headers)
    return Response(data, media_type=kind, headers=headers)
