"""Serving the built page: files that lie in one folder, and nothing else."""

from __future__ import annotations

import html
import mimetypes
from importlib.resources import files
from pathlib import Path

from starlette.responses import Response

__all__ = ["Page", "built_page"]

PLACE = "{{desk-token}}"
"""What stands in ``index.html`` where the token goes."""
_TYPES = {".js": "text/javascript", ".css": "text/css", ".html": "text/html", ".json": "application/json",
          ".svg": "image/svg+xml", ".woff2": "font/woff2", ".png": "image/png", ".wasm": "application/wasm",
          ".webmanifest": "application/manifest+json", ".txt": "text/plain"}  # fmt: skip
_NONE = (
    "<!doctype html><html lang='en'><meta charset='utf-8'><title>Ossicle</title><meta name='desk-token' content='{}'>"
    "<p>The page of the desk was not built into this copy of Ossicle. Build it with <code>npm run build</code> in "
    "<code>web/</code>, or install a release.</p></html>"
)


def built_page() -> Path:
    """Return the folder of the page that ships with the package."""
    return Path(str(files("ossicle.desk"))) / "page"


class Page:
    """The files of a built page, listed when the server starts: what is asked for is looked up, never opened by name.

    Parameters
    ----------
    folder
        Where ``index.html`` and ``assets/`` lie.
    """

    def __init__(self, folder: Path) -> None:
        root = folder.resolve()
        self.files = {
            path.relative_to(root).as_posix(): path
            for path in (sorted(root.rglob("*")) if root.is_dir() else [])
            if path.is_file() and root in path.resolve().parents and not path.name.startswith(".")
        }

    def index(self, token: str) -> Response:
        """Return the page itself with a token in place of `PLACE`, never cached."""
        file = self.files.get("index.html")
        text = _NONE.format(html.escape(token))
        if file is not None:
            text = file.read_text(encoding="utf-8").replace(PLACE, html.escape(token))
        return Response(text, media_type="text/html; charset=utf-8", headers={"cache-control": "no-store"})

    def file(self, name: str) -> Response | None:
        """Return a file of the page; None where there is none of that name.

        Names in ``assets/`` carry a digest of what they hold, so a browser may keep them for good.
        """
        found = self.files.get(name)
        if found is None:
            return None
        kind = _TYPES.get(found.suffix) or mimetypes.guess_type(found.name)[0] or "application/octet-stream"
        if kind.startswith("text/") or kind == "application/json":
            kind += "; charset=utf-8"
        kept = "public, max-age=31536000, immutable" if name.startswith("assets/") else "no-cache"
        return Response(found.read_bytes(), media_type=kind, headers={"cache-control": kept})
