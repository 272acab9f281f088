"""The command of the desk: the workbench in the browser."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from .options import Threads, set_threads, threads_default

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(epilog="Example: ossicle desk cabinet")(desk)


def desk(
    collection: Annotated[
        Path,
        typer.Argument(
            envvar="OSSICLE_COLLECTION",
            help="A collection, or a folder that `ossicle read --out` wrote.",
            show_default=False,
        ),
    ],
    port: Annotated[
        int | None,
        typer.Option(min=1, max=65535, help="Port on loopback.", show_default="7041, or any that is free"),
    ] = None,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the page in the browser.")] = True,
    new: Annotated[bool, typer.Option("--new", help="Make the collection, in a new or empty folder.")] = False,
    below: Annotated[
        list[Path] | None,
        typer.Option(
            help="Folder below which scans may be chosen in the page; give it again for more.",
            show_default="your home and this folder",
        ),
    ] = None,
    threads: Threads = threads_default(),
) -> None:
    """Open the workbench in the browser: see a skull part by part, follow each finding, overrule it.

    It answers on this machine alone. Stop it with Ctrl-C; what was decided is kept at once.
    """
    set_threads(threads)
    from ossicle.desk import serve

    def told(address: str) -> None:
        print(f"The desk is open at {address} (stop it with Ctrl-C)", file=sys.stderr, flush=True)

    serve(collection, port=port, open_browser=browser, roots=below, new=new, threads=threads, told=told)
