"""The commands of the desk: the workbench in the browser, and the persons with whom it is shared."""

from __future__ import annotations

import json
import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from ossicle.errors import OssicleError

from .collection import AsJson
from .options import Threads, set_threads, threads_default
from .scoring import CharacterFile, known_characters

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command(epilog="Example: ossicle desk cabinet")(desk)
    app.command(epilog="Example: ossicle persons cabinet --add 'A. Curator' --role manage")(persons)


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
    share: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="Share the desk with the collection's persons (`ossicle persons`), who reach it by this host name.",
            show_default=False,
        ),
    ] = None,
    certificate: Annotated[
        Path | None, typer.Option(help="Certificate of a shared desk, PEM, for TLS.", show_default=False)
    ] = None,
    key: Annotated[Path | None, typer.Option(help="The certificate's key, PEM.", show_default=False)] = None,
    behind_proxy: Annotated[
        bool,
        typer.Option(
            "--behind-proxy",
            help="A proxy before the shared desk speaks TLS, sets X-Forwarded-For and X-Forwarded-Proto, and hands on "
            "the Host.",
        ),
    ] = False,
    address: Annotated[
        str | None,
        typer.Option(
            help="Address of this machine that a shared desk listens on.",
            show_default="all with --certificate, loopback with --behind-proxy",
        ),
    ] = None,
    characters: CharacterFile = None,
    threads: Threads = threads_default(),
) -> None:
    """Open the workbench in the browser: see a skull part by part, follow each finding, overrule it.

    It answers on this machine alone, unless --share is given. Stop it with Ctrl-C; what was decided is kept at once.
    """
    set_threads(threads)
    from ossicle.desk import serve
    from ossicle.desk.sharing import Sharing

    sharing = None
    if share is not None:
        sharing = Sharing(share, certificate, key, behind_proxy)
    elif certificate or key or behind_proxy or address:
        raise OssicleError(
            "a certificate, a proxy or an address is for a shared desk", where="--share", mend="give its host name"
        )

    def told(address: str) -> None:
        print(f"The desk is open at {address} (stop it with Ctrl-C)", file=sys.stderr, flush=True)

    serve(
        collection, port=port, open_browser=browser, roots=below, new=new, threads=threads, told=told, sharing=sharing,
        address=address, scored_by=None if characters is None else known_characters(characters),
    )  # fmt: skip


class Role(StrEnum):
    """What a person may do at a shared desk."""

    read = "read"
    decide = "decide"
    manage = "manage"


def persons(
    collection: Annotated[
        Path, typer.Argument(envvar="OSSICLE_COLLECTION", help="The collection.", show_default=False)
    ],
    add: Annotated[
        str | None, typer.Option(metavar="NAME", help="Add a person, or change one.", show_default=False)
    ] = None,
    role: Annotated[
        Role, typer.Option(help="read: look and measure; decide: and decide; manage: and take in, read, cancel.")
    ] = Role.read,
    remove: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Remove a person; what they decided stays.", show_default=False),
    ] = None,
    keep_password: Annotated[
        bool, typer.Option("--keep-password", help="Change the role alone of somebody who is there.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Say who may come in to a shared desk of a collection, and what each may do.

    The password is asked for; where the input is no terminal, it is its first line. A running desk heeds changes at
    once.
    """
    if not (collection / "collection.toml").is_file():
        raise OssicleError(
            "this is no collection",
            where=collection.name,
            mend="make one with `ossicle intake`, or `ossicle desk --new`",
        )
    if add is not None and remove is not None:
        raise OssicleError("--add and --remove exclude each other", where="--remove", mend="give one of the two")
    from ossicle.desk.persons import Persons

    known = Persons(collection)
    if add is not None:
        said = None if keep_password else _password()
        known.put(add, role.value, said)
    if remove is not None:
        known.remove(remove)
    rows = [{"name": p.name, "role": p.role} for _, p in sorted(known.all().items())]
    if as_json:
        print(json.dumps(rows, ensure_ascii=False, indent=1))
        return
    for row in rows:
        print(f"{row['role']:<8}{row['name']}")
    if not rows:
        print("Nobody may come in yet.", file=sys.stderr)


def _password() -> str:
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    return str(typer.prompt("Password", hide_input=True, confirmation_prompt=True))
