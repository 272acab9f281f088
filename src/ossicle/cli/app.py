"""The commands and their options."""

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from ossicle.errors import OssicleError

from . import (
    collection,
    comparing,
    deciding,
    depositing,
    desk,
    filming,
    practice,
    publishing,
    scoring,
    talking,
    whole,
)
from .completing import dentitions
from .heap import keep_freed
from .helping import ByOccasion
from .options import Memory, Mirrored, Series, Threads, megabytes, set_threads, threads_default

__all__ = ["app"]

app = typer.Typer(
    name="ossicle",
    cls=ByOccasion,
    rich_markup_mode=None,  # plain help comes in half the time, and reads well in a pipe or aloud
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
app.add_typer(practice.app, name="practice")
collection.register(app)
deciding.register(app)
comparing.register(app)
scoring.register(app)
desk.register(app)
publishing.register(app)
talking.register(app)
filming.register(app)
depositing.register(app)


class Form(StrEnum):
    """How an account is put out."""

    text = "text"
    json = "json"
    html = "html"
    csv = "csv"
    pdf = "pdf"


def _version(wanted: bool) -> None:
    if wanted:
        from ossicle import __version__

        print(f"ossicle {__version__}")
        raise typer.Exit


@app.callback(
    invoke_without_command=True,
    epilog="Example: ossicle practice make carnivore-like-juvenile --out practice/juvenile, then "
    "ossicle read practice/juvenile/slices --out reading/juvenile",
)
def start(
    context: typer.Context,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
    debug: Annotated[bool, typer.Option("--debug", help="On an error print the traceback too.")] = False,
) -> None:
    """Read skulls from CT scans: from a stack of slices to an account others can check.

    Not for clinical diagnosis.
    """
    if context.invoked_subcommand is None:
        print(context.get_help())


@app.command(epilog="Example: ossicle read slices/ --spacing 0.05 --out reading/juvenile")
def read(
    source: Annotated[
        Path | None,
        typer.Argument(
            help="A folder of slices (TIFF, PNG, BMP, JPEG, DICOM) or a file (multi-page TIFF, NIfTI, "
            "NRRD, MetaImage, "
            "raw with a sidecar, NumPy, OME-Zarr); with --in a specimen's catalogue number.",
            show_default=False,
        ),
    ] = None,
    inside: Annotated[
        Path | None,
        typer.Option("--in", help="A collection: read a specimen of it, and keep the reading.", show_default=False),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            help="Folder to write: parts.nii.gz, enamel.nii.gz, account.json, account.html, dentition.csv. Left out, "
            "the account is printed and nothing written.",
            show_default=False,
        ),
    ] = None,
    spacing: Annotated[
        str | None,
        typer.Option(
            help="Voxel spacing in mm where the source does not state it: 0.05, or Z,Y,X as 0.1,0.05,0.05.",
            show_default=False,
        ),
    ] = None,
    series: Series = None,
    mirrored: Mirrored = False,
    dentition: Annotated[
        str, typer.Option(help="Name of a dentition to align with, or auto.", autocompletion=dentitions)
    ] = "auto",
    specimen: Annotated[
        int, typer.Option(min=1, help="Which of several heads in the scan, counted from the largest.")
    ] = 1,
    phantom: Annotated[
        str | None,
        typer.Option(
            help="Densities of the rods of a density phantom that stands in the scan, g/cm3 of hydroxyapatite: "
            "0.25,0.5,0.75. Greys are then told as densities.",
            show_default=False,
        ),
    ] = None,
    threads: Threads = threads_default(),
    memory: Memory = None,
    everything: Annotated[
        bool, typer.Option("--all", help="With --in: read every scan that has no current reading.")
    ] = False,
    workers: Annotated[
        int, typer.Option(min=1, max=256, help="With --all: how many specimens are read at a time.")
    ] = 1,
    cluster: Annotated[
        str | None,
        typer.Option(
            help="With --all: a Dask scheduler, tcp://HOST:PORT or its scheduler file, whose workers read.",
            show_default=False,
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print account.json instead of text.")] = False,
) -> None:
    """Read a scan: which teeth are there, what each is called, what replaces what."""
    keep_freed()
    if everything:
        if inside is None or source is not None or out is not None or series is not None:
            raise OssicleError(
                "all scans of a collection are read where they are kept",
                where="--all",
                mend="name the collection with --in, and leave SOURCE, --out and --series out",
            )
        whole.read_all(
            inside,
            dentition=dentition,
            threads=max(1, threads // workers) if cluster is None else threads,
            workers=workers,
            cluster=cluster,
            memory_mb=megabytes(memory),
            as_json=as_json,
        )
        return
    if source is None or cluster is not None or workers != 1:
        raise OssicleError(
            "no scan is named" if source is None else "one scan is read by one process",
            where="ossicle read",
            mend="name a scan, or all of a collection with --all --in COLLECTION; "
            "`ossicle read --help` shows an example",
        )
    set_threads(threads)
    if inside is not None:
        if spacing is not None or mirrored or specimen != 1 or phantom is not None:
            raise OssicleError(
                "the specimen of a collection has its scale and place",
                where="--in",
                mend="leave --spacing, --mirrored, --specimen and --phantom out",
            )
        kept = deciding.read_inside(
            str(source),
            inside,
            dentition=dentition,
            threads=threads,
            memory_mb=megabytes(memory),
            scan=series,
            out=out,
        )
        _print(kept, Form.json if as_json else Form.text)
        if out is not None:
            print(f"Written: {out / 'account.html'} and {out / 'account.json'}", file=sys.stderr)
        return
    from ossicle.account.run import read_to_folder
    from ossicle.scans import parse_spacing

    from .console import telling

    steps = None if spacing is None else parse_spacing(spacing)

    with telling() as progress:
        outcome = read_to_folder(
            source,
            out,
            spacing_mm_zyx=steps,
            series=series,
            mirrored=mirrored,
            dentition=dentition,
            specimen=specimen,
            phantom=None if phantom is None else _densities(phantom),
            threads=threads,
            memory_mb=megabytes(memory),
            progress=progress,
        )
    _print(outcome.account, Form.json if as_json else Form.text)
    if out is not None:
        print(f"Written: {out / 'account.html'} and {out / 'account.json'}", file=sys.stderr)


@app.command(epilog="Example: ossicle account reading/juvenile --format csv --out juvenile.csv")
def account(
    path: Annotated[
        Path,
        typer.Argument(
            help="A folder that `ossicle read --out` wrote; with --in a specimen's catalogue number.",
            show_default=False,
        ),
    ],
    inside: Annotated[
        Path | None,
        typer.Option("--in", help="A collection that holds the specimen.", show_default=False),
    ] = None,
    form: Annotated[Form, typer.Option("--format", help="How to put it out.")] = Form.text,
    out: Annotated[
        Path | None,
        typer.Option(help="File to write; left out, it is printed.", show_default=False),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Short for --format json.")] = False,
) -> None:
    """Print the account of a specimen, or write it to a file."""
    from ossicle.account.folder import load_account, write_text

    form = Form.json if as_json else form
    if form is Form.pdf:
        if out is None:
            raise OssicleError("a PDF is not printed here", where="--format pdf", mend="name a file with --out")
        publishing.report(str(path), out, inside)
        return
    # Text on the screen is looked at; anything else is made to be handed on.
    leaves = out is not None or form is not Form.text
    kept, read_now = (
        (load_account(path), None) if inside is None else deciding.account_inside(str(path), inside, leaves)
    )
    if form is Form.html and read_now is not None:
        from ossicle.account.html import account_html

        text = account_html(kept, read_now)
    elif form is Form.html:
        text = _page(path, kept)
    elif out is None:
        _print(kept, form)
        return
    else:
        text = _text(kept, form)
    if out is None:
        sys.stdout.write(text)
    else:
        write_text(out, text)
        print(f"Written: {out}", file=sys.stderr)


def _densities(text: str) -> list[float]:
    try:
        found = [float(word) for word in text.split(",")]
    except ValueError:
        found = []
    if not found or not all(0 <= d < 25 for d in found):
        raise OssicleError(
            f"{text!r} is no list of densities",
            where="--phantom",
            mend="write them in g/cm3 with commas between, as 0.25,0.5,0.75",
        )
    return found


def _page(path: Path, kept: Any) -> str:
    folder = path if path.is_dir() else path.parent
    page = folder / "account.html"
    if page.is_file():
        try:
            return page.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise OssicleError(
                f"the page cannot be read ({error})",
                where=page,
                mend="write it again with `ossicle read --out`",
            ) from error
    from ossicle.account.html import account_html

    return account_html(kept, None)


def _text(kept: Any, form: Form) -> str:
    if form is Form.json:
        from ossicle.account import account_to_json

        return account_to_json(kept)
    if form is Form.csv:
        from ossicle.account import dentition_csv

        return dentition_csv(kept)
    from ossicle.account import account_text

    return account_text(kept)


def _print(kept: Any, form: Form) -> None:
    if form is Form.text:
        from .console import print_account

        print_account(kept)
    else:
        sys.stdout.write(_text(kept, form))
