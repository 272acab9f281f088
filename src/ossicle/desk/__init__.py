"""The desk: the workbench in the browser. `serve` starts it; `make_app` is the application without a server."""

from __future__ import annotations

from typing import Any

from .server import serve

__all__ = ["make_app", "serve"]


def make_app(*words: Any, **named: Any) -> Any:
    """Return the desk of a collection as an ASGI application; see `ossicle.desk.app.make_app`."""
    from .app import make_app as made

    return made(*words, **named)
