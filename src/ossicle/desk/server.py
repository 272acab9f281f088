"""Starting the desk: a server on loopback, and the browser."""

from __future__ import annotations

import secrets
import socket
import sys
import threading
import time
import webbrowser
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from ossicle.errors import OssicleError

__all__ = ["PORT", "serve", "taken_socket"]

PORT = 7041
"""Port asked for where none is named; where it is in use, any free one."""


def taken_socket(port: int | None) -> socket.socket:
    """Return a socket bound to loopback: to ``port``, or where None to `PORT` or else any free one.

    Raises
    ------
    OssicleError
        The port named is in use, or may not be used.
    """
    for wanted in [PORT, 0] if port is None else [port]:
        bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            bound.bind(("127.0.0.1", wanted))
        except OSError as error:
            bound.close()
            if port is not None:
                raise OssicleError(
                    f"port {port} cannot be used ({error.strerror})", where="--port", mend="name another, or none"
                ) from error
            continue
        return bound
    raise OssicleError("no port of this machine is free", mend="close some programs and try again")


def serve(
    folder: Path,
    *,
    port: int | None = None,
    open_browser: bool = True,
    page: Path | None = None,
    token: str | None = None,
    roots: list[Path] | None = None,
    new: bool = False,
    threads: int = 2,
    told: Callable[[str], None] | None = None,
) -> None:
    """Serve the desk of a collection until it is stopped.

    Parameters
    ----------
    folder
        A collection, or a folder that ``ossicle read --out`` wrote.
    port
        As `taken_socket` takes it.
    open_browser
        Whether to open the page in the person's browser.
    page
        The built page; the one that ships with the package where left out.
    token
        Taken for requests that change something; a new one where left out.
    roots
        Folders below which scans may be chosen in the page; the person's home and the working folder where left out.
    new
        Whether to make the collection where the folder is new or empty.
    threads
        How many threads long work may use.
    told
        Called with the address once the server answers.
    """
    import uvicorn

    from .opening import Opening
    from .pages import Page, built_page

    token = token or secrets.token_urlsafe(24)
    bound = taken_socket(port)
    address = f"http://127.0.0.1:{bound.getsockname()[1]}/"
    with ExitStack() as held:

        def make() -> Any:
            from ossicle.collection import Collection

            from .app import make_app
            from .folder import ReadingFolder, is_reading_folder

            if is_reading_folder(folder):
                cabinet: Collection | ReadingFolder = ReadingFolder(folder)
            else:
                cabinet = held.enter_context(Collection.open_or_create(folder) if new else Collection.open(folder))
            return make_app(cabinet, token=token, page=page, roots=roots, threads=threads)

        def failed() -> None:
            server.should_exit = True

        app = Opening(make, Page(page or built_page(), token), token, failed)
        config = uvicorn.Config(
            app, log_level="warning", access_log=False, server_header=False, date_header=False, lifespan="on",
            timeout_graceful_shutdown=2, ws="none",
        )  # fmt: skip
        server = uvicorn.Server(config)

        def announce() -> None:
            while not server.started:
                if server.should_exit:
                    return
                time.sleep(0.01)
            if app.error is None:
                (told or (lambda text: print(text, file=sys.stderr, flush=True)))(address)
                if open_browser:
                    webbrowser.open(address)

        _check(folder, new)
        threading.Thread(target=announce, daemon=True).start()
        try:
            server.run(sockets=[bound])
        finally:
            server.should_exit = True
            bound.close()
        if app.error is not None:
            raise app.error


def _check(folder: Path, new: bool) -> None:
    """Raise `OssicleError` for what can be told before anything is loaded."""
    if (folder / "collection.toml").is_file() or (folder / "account.json").is_file():
        return
    if not new:
        what = "this is no collection" if folder.exists() else "there is no such folder"
        raise OssicleError(what, where=folder.name, mend="make one with `ossicle intake`, or with --new")
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise OssicleError("this folder holds something else", where=folder.name, mend="name a new or empty folder")
