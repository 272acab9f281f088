"""The commands that hand specimens to an archive and take them from one: tables, deposit, receive."""

from __future__ import annotations

import sys
from contextlib import ExitStack
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from ossicle.errors import OssicleError

from .collection import AsJson, Who, say
from .comparing import In, gathered
from .options import Threads, set_threads, threads_default

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command(epilog="Example: ossicle tables OTC-1 OTC-2 --in cabinet --out tables")(tables)
    app.command(
        epilog="Example: ossicle deposit OTC-1 --in cabinet --out OTC-1.zip --license CC-BY-4.0 --rights-holder "
        "'Teaching cabinet' --embargo none --author 'Reader, Anna'"
    )(deposit)
    app.command(epilog="Example: ossicle receive OTC-1.zip --into cabinet")(receive)


def tables(
    specimens: Annotated[
        list[str],
        typer.Argument(
            help="Folders that `ossicle read --out` wrote; with --in catalogue numbers.", show_default=False
        ),
    ],
    out: Annotated[Path, typer.Option(help="Folder to write to.", show_default=False)],
    inside: In = None,
    licence: Annotated[str, typer.Option("--license", help="SPDX identifier, told in the package.")] = "",
) -> None:
    """Write teeth, measurements and openings as CSV and Parquet, with a data dictionary (Frictionless Data Package)."""
    from ossicle.publish.tables import write_tables

    with ExitStack() as stack:
        accounts = {s.name: s.account for s in gathered(specimens, inside, stack, export=True)}
        written = write_tables(out, accounts, licence=licence)
    print(f"Written: {', '.join(str(p) for p in written)}", file=sys.stderr)


def deposit(
    specimens: Annotated[
        list[str] | None, typer.Argument(help="Catalogue numbers of a collection.", show_default=False)
    ] = None,
    inside: Annotated[
        Path | None,
        typer.Option("--in", envvar="OSSICLE_COLLECTION", help="The collection's folder.", show_default=False),
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="A new folder, or a file that ends in .zip.", show_default=False)
    ] = None,
    licence: Annotated[
        str, typer.Option("--license", help="SPDX identifier or https address.", show_default=False)
    ] = "",
    holder: Annotated[str, typer.Option("--rights-holder", help="Who holds the rights.", show_default=False)] = "",
    embargo: Annotated[
        str, typer.Option(help="Until when it is not to be made public: 2031-05-01, or none.", show_default=False)
    ] = "",
    author: Annotated[
        list[str] | None,
        typer.Option(help="'Family, Given' or 'Family, Given, ORCID'; again for more.", show_default=False),
    ] = None,
    title: Annotated[str, typer.Option(help="What the deposit is called.", show_default=False)] = "",
    no_scan: Annotated[bool, typer.Option("--no-scan", help="Name the scans by their checksums alone.")] = False,
    no_meshes: Annotated[bool, typer.Option("--no-meshes", help="Make no surfaces.")] = False,
    added: Annotated[
        list[Path] | None,
        typer.Option("--with", help="A lesson, plate or other file to put in; again for more.", show_default=False),
    ] = None,
    day: Annotated[str, typer.Option("--date", help="The day that is told.", show_default="today")] = "",
    verify: Annotated[
        Path | None, typer.Option(help="Check this deposit instead of making one.", show_default=False)
    ] = None,
    reread: Annotated[bool, typer.Option("--reread", help="With --verify: read the scans anew as well.")] = False,
    threads: Threads = threads_default(),
    as_json: AsJson = False,
) -> None:
    """Put specimens into one package that others can verify: scans, accounts, decisions, evidence, metadata."""
    from .console import telling

    if verify is not None:
        if specimens:
            raise OssicleError(
                "a deposit is either made or checked", where="--verify", mend="name no specimens with it"
            )
        set_threads(threads)
        _verified(verify, reread, threads, as_json)
        return
    if out is None or inside is None:
        raise OssicleError(
            "a deposit needs a collection and a place", mend="give --in COLLECTION and --out FOLDER or FILE.zip"
        )
    from ossicle.collection import Collection
    from ossicle.publish.deposit import rights, write_deposit

    said = rights(licence, holder, embargo, author or [])
    with Collection.open(inside) as held, telling() as progress:
        made = write_deposit(
            held,
            specimens or [],
            out,
            said,
            title=title,
            scans=not no_scan,
            meshes=not no_meshes,
            added=added or [],
            made=_day(day),
            progress=progress,
        )
    if as_json:
        say({"written": str(made)})
    else:
        print(f"Written: {made}. Check it anywhere with: ossicle deposit --verify {made}")


def _day(text: str) -> date | None:
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise OssicleError(f"{text!r} is no date", where="--date", mend="write it as 2031-05-01") from None


def _verified(path: Path, reread: bool, threads: int, as_json: bool) -> None:
    from ossicle.publish.deposit import verify

    from .console import telling

    with telling(by_stage=True) as progress:
        found = verify(path, reread=reread, threads=threads, progress=progress)
    if as_json:
        say({**asdict(found), "sound": found.sound})
    else:
        for line in (*found.specimens, *found.faults):
            print(line)
    if not found.sound:
        count = len(found.faults)
        raise OssicleError(
            f"{count} fault{'' if count == 1 else 's'} found", where=path, mend="fetch it again from where it lies"
        )
    if not as_json:
        print(f"The deposit is sound: {found.files} files.")


def receive(
    path: Annotated[Path, typer.Argument(help="A deposit: folder or .zip.", show_default=False)],
    into: Annotated[
        Path,
        typer.Option(
            envvar="OSSICLE_COLLECTION", help="The collection's folder; made where there is none.", show_default=False
        ),
    ],
    who: Who = None,
    threads: Threads = threads_default(),
    as_json: AsJson = False,
) -> None:
    """Put the specimens of a deposit into a collection: scans, readings and decisions as they were."""
    set_threads(threads)
    from ossicle.collection import Collection
    from ossicle.publish.deposit import receive as receive_deposit

    from .console import telling

    with Collection.open_or_create(into) as held, telling(by_stage=True) as progress:
        numbers = receive_deposit(path, held, who=who, threads=threads, progress=progress)
    if as_json:
        say({"received": numbers})
        return
    for number in numbers:
        print(f"{number}: received")
