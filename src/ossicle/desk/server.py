"""Starting the desk: a server on loopback, and the browser; or one that a department shares."""

from __future__ import annotations

import socket
import sys
import threading
import time
import webbrowser
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ossicle.errors import OssicleError

if TYPE_CHECKING:
    from ossicle.anatomy.characters import Character

    from .persons import Persons
    from .sharing import Sharing

__all__ = ["PORT", "serve", "taken_socket"]

_MOST_AT_ONCE = 500
"""Connections and requests at a time; more are told to come again."""

PORT = 7041
"""Port asked for where none is named; where it is in use, any free one."""


def taken_socket(port: int | None, address: str = "127.0.0.1") -> socket.socket:
    """Return a socket bound to loopback or another ``address``: to ``port``, or where None to `PORT` or any free one.

    Raises
    ------
    OssicleError
        The port named is in use, or may not be used.
    """
    for wanted in [PORT, 0] if port is None else [port]:
        bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            bound.bind((address, wanted))
        except OSError as error:
            bound.close()
            if port is not None:
                raise OssicleError(
                    f"port {port} cannot be used ({error.strerror or error})",
                    where="--port",
                    mend="name another, or none",
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
    key: str | None = None,
    sharing: Sharing | None = None,
    address: str | None = None,
    roots: list[Path] | None = None,
    new: bool = False,
    threads: int = 2,
    scored_by: Mapping[str, Character] | None = None,
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
    key
        Secret of the first link; a new one where left out.
    sharing
        How the desk is shared with the persons of the collection; for oneself, on loopback, where left out.
    address
        Which of this machine's addresses a shared desk listens on: all where it speaks TLS itself, loopback where a
        proxy does.
    roots
        Folders below which scans may be chosen in the page; the person's home and the working folder where left out.
    new
        Whether to make the collection where the folder is new or empty.
    threads
        How many threads long work may use.
    scored_by
        Characters by id; the packaged ones where left out.
    told
        Called with the address once the server answers.

    Raises
    ------
    OssicleError
        The folder, the port or the way of sharing cannot be used, or a desk is to be shared with nobody.
    """
    import uvicorn

    from .door import Door
    from .opening import Opening
    from .pages import Page, built_page

    _check(folder, new)
    door = Door(key=key, sharing=sharing, persons=None if sharing is None else _persons(folder))
    tls = sharing is not None and not sharing.behind_proxy
    bound = taken_socket(port, "127.0.0.1" if sharing is None else address or ("0.0.0.0" if tls else "127.0.0.1"))
    shown = f"http://127.0.0.1:{bound.getsockname()[1]}/?key={door.key}"
    if sharing is not None:
        shown = f"https://{sharing.name}{f':{bound.getsockname()[1]}' if tls else ''}/"
    with ExitStack() as held:

        def make() -> Any:
            from ossicle.collection import Collection

            from .app import make_app
            from .folder import ReadingFolder, is_reading_folder

            if is_reading_folder(folder):
                cabinet: Collection | ReadingFolder = ReadingFolder(folder)
            else:
                cabinet = held.enter_context(Collection.open_or_create(folder) if new else Collection.open(folder))
            return make_app(cabinet, door=door, page=page, roots=roots, threads=threads, scored_by=scored_by)

        def failed() -> None:
            server.should_exit = True

        app = Opening(make, Page(page or built_page()), door, failed)
        config = uvicorn.Config(
            app, log_level="warning", access_log=False, server_header=False, date_header=False, lifespan="on",
            timeout_graceful_shutdown=2, ws="none", http="h11", h11_max_incomplete_event_size=32_768,
            proxy_headers=False, limit_concurrency=_MOST_AT_ONCE,
            ssl_certfile=sharing.certificate if sharing else None,
            ssl_keyfile=str(sharing.key) if sharing and sharing.key else None,
        )  # fmt: skip
        server = uvicorn.Server(config)

        def announce() -> None:
            while not server.started:
                if server.should_exit:
                    return
                time.sleep(0.01)
            if app.error is None:
                (told or (lambda text: print(text, file=sys.stderr, flush=True)))(shown)
                if open_browser and sharing is None:
                    webbrowser.open(shown)

        threading.Thread(target=announce, daemon=True).start()
        try:
            server.run(sockets=[bound])
        finally:
            server.should_exit = True
            bound.close()
        if app.error is not None:
            raise app.error


def _persons(folder: Path) -> Persons:
    from .persons import Persons

    if (folder / "account.json").is_file() and not (folder / "collection.toml").exists():
        raise OssicleError(
            "a folder of one reading is not shared", where="--share", mend="take the scan into a collection"
        )
    persons = Persons(folder)
    if not persons.all():
        raise OssicleError(
            "nobody may come in yet", where="--share", mend="add persons with `ossicle persons COLLECTION --add NAME`"
        )
    return persons


def _check(folder: Path, new: bool) -> None:
    """Raise `OssicleError` for what can be told before anything is loaded."""
    if (folder / "collection.toml").is_file() or (folder / "account.json").is_file():
        return
    if not new:
        what = "this is no collection" if folder.exists() else "there is no such folder"
        raise OssicleError(what, where=folder.name, mend="make one with `ossicle intake`, or with --new")
    if folder.exists() and not folder.is_dir():
        raise OssicleError("this is a file, not a folder", where=folder.name, mend="name a new or empty folder")
    if folder.exists() and any(folder.iterdir()):
        raise OssicleError("this folder holds something else", where=folder.name, mend="name a new or empty folder")
