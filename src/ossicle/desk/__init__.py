"""The desk: the workbench in the browser. `serve` starts it; `make_app` is the application without a server."""

from __future__ import annotations

from .app import make_app
from .server import serve

__all__ = ["make_app", "serve"]
