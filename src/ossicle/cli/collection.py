"""The commands of the collection: intake, list, show, describe, jobs, check."""

from __future__ import annotations

import json
import shlex
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from ossicle.errors import Cancelled, OssicleError

from .options import Mirrored, Series, Threads, set_threads, threads_default

__all__ = ["Inside", "Who", "listed", "register", "say"]

Inside = Annotated[
    Path,
    typer.Option("--in", envvar="OSSICLE_COLLECTION", help="The collection's folder.", show_default=False),
]
Who = Annotated[
    str | None,
    typer.Option(envvar="OSSICLE_PERSON", help="Who says it.", show_default="the name of the user"),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print as JSON.")]


class Keeping(StrEnum):
    """Whether the source files are copied."""

    reference = "reference"
    copy = "copy"


def say(value: Any) -> None:
    """Print a value as JSON."""
    print(json.dumps(value, ensure_ascii=False, indent=1))


def listed(pairs: list[str] | None, option: str) -> dict[str, str]:
    """Return ``NAME=VALUE`` texts as a table."""
    out = {}
    for pair in pairs or []:
        name, sign, value = pair.partition("=")
        if not sign or not name.strip():
            raise OssicleError(f"{pair!r} is no name and value", where=option, mend="write NAME=VALUE")
        out[name.strip()] = value.strip()
    return out


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command(epilog="Example: ossicle intake practice/juvenile --into cabinet --term scientificName='Fictus minor'")(
        intake
    )
    app.command("list", epilog="Example: ossicle list cabinet juvenile --page 2")(list_specimens)
    app.command(epilog="Example: ossicle show juvenile --in cabinet")(show)
    app.command(epilog="Example: ossicle describe juvenile --in cabinet --term sex=female --version 1")(describe)
    app.command("jobs", epilog="Example: ossicle jobs cabinet --cancel 3")(list_jobs)
    app.command(epilog="Example: ossicle check cabinet")(check)


def intake(
    source: Annotated[
        Path,
        typer.Argument(help="A scan, as `ossicle read` takes it; with --table a folder of scans.", show_default=False),
    ],
    into: Annotated[
        Path,
        typer.Option(
            envvar="OSSICLE_COLLECTION",
            help="The collection's folder; made where there is none.",
            show_default=False,
        ),
    ],
    term: Annotated[
        list[str] | None,
        typer.Option(
            help="Catalogue data, as catalogNumber='OTC 12' (Darwin Core); give it again for more.", show_default=False
        ),
    ] = None,
    table: Annotated[
        Path | None,
        typer.Option(
            help="CSV of catalogue data: a column `source` names each scan below SOURCE, the others are terms.",
            show_default=False,
        ),
    ] = None,
    column: Annotated[
        list[str] | None,
        typer.Option(
            help="What a column means, as 'Museum no.=catalogNumber'; '=-' leaves it out. Give it again for more.",
            show_default=False,
        ),
    ] = None,
    spacing: Annotated[
        str | None,
        typer.Option(
            help="Voxel spacing in mm where the source does not state it: 0.05, or Z,Y,X.", show_default=False
        ),
    ] = None,
    series: Series = None,
    mirrored: Mirrored = False,
    box: Annotated[
        str | None,
        typer.Option(
            help="Where the specimen lies, if the scan holds several: voxels z0:z1,y0:y1,x0:x1.", show_default=False
        ),
    ] = None,
    keep: Annotated[
        Keeping, typer.Option(help="Copy the source files into the collection, or only say where they lie.")
    ] = Keeping.reference,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what would be taken in; keep nothing. Makes no collection.")
    ] = False,
    again: Annotated[
        bool, typer.Option("--again", help="Take in anew what is there, in place of a damaged store.")
    ] = False,
    catalogue: Annotated[
        str | None,
        typer.Option(
            help="postgresql://user@host/name for the catalogue of a new collection.",
            show_default="SQLite in the folder",
        ),
    ] = None,
    who: Who = None,
    threads: Threads = threads_default(),
    as_json: AsJson = False,
) -> None:
    """Take a scan, or a folder of scans, into a collection. Stopped, the same command goes on where it was."""
    set_threads(threads)
    from ossicle.collection import Collection, box_from, read_table

    from .console import telling

    if table is None and column:
        raise OssicleError("columns are given, but no table", where="--column", mend="give the CSV with --table")
    if table is not None and (term or box):
        raise OssicleError("one value cannot hold for all rows of a table", where="--term", mend="add a column to it")
    new = not (into / "collection.toml").is_file()
    if not source.exists():
        from ossicle.scans.paths import missing

        raise OssicleError("there is no such file or folder", where=source, mend=missing(source))
    if not new and catalogue is not None:
        raise OssicleError("this collection has its catalogue already", where="--catalogue", mend="leave it out")
    if table is not None:
        read_table(table, listed(column, "--column"))  # before a collection is made
    given = {"said": listed(term, "--term"), "table": table, "columns": listed(column, "--column")}
    options = {"spacing": spacing, "series": series, "mirrored": mirrored, "again": again}
    try:
        with Collection.for_intake(into, catalogue=catalogue, dry_run=dry_run) as held, telling() as progress:
            taken = held.take_in(
                source,
                **given,  # type: ignore[arg-type]
                **options,  # type: ignore[arg-type]
                box_zyx=None if box is None else box_from(box),
                keep=keep.value,
                dry_run=dry_run,
                who=who,
                threads=threads,
                progress=progress,
            )
    except (KeyboardInterrupt, Cancelled):
        raise Cancelled("Stopped; what was taken in is kept, and the same command goes on from there.") from None
    if as_json:
        rows = [
            {"source": str(t.item.source), "specimen": t.specimen, "scan": t.scan_key, "what": t.what, "notes": t.notes}
            for t in taken
        ]
        say({"dry_run": dry_run, "scans": rows})
        return
    verbs = {"taken": "taken in", "linked": "scan known, specimen added", "there": "there already"}
    for t in taken:
        would = "would be " if dry_run and t.what == "taken" else ""
        print(f"{t.specimen}: {would}{verbs[t.what]} ({t.item.source.name})")
        for note in t.notes:
            print(f"  {note}", file=sys.stderr)


def list_specimens(
    collection: Annotated[
        Path, typer.Argument(envvar="OSSICLE_COLLECTION", help="The collection's folder.", show_default=False)
    ],
    words: Annotated[
        list[str] | None, typer.Argument(help="Only specimens whose data hold all these words.", show_default=False)
    ] = None,
    page: Annotated[int, typer.Option(min=1, help="Which page.")] = 1,
    per_page: Annotated[int, typer.Option(min=1, max=1000, help="How many on a page.")] = 50,
    as_json: AsJson = False,
) -> None:
    """List the specimens of a collection, by catalogue number."""
    from ossicle.collection import Collection

    with Collection.open(collection) as held:
        found = held.specimens(" ".join(words or []), page=page, per_page=per_page)
    if as_json:
        say(
            {
                "page": found.number,
                "pages": found.pages,
                "total": found.total,
                "items": [asdict(s) for s in found.items],
            }
        )
        return
    headings = ("catalogue number", "name", "stage", "sex", "scans", "readings", "decisions")
    rows = [
        (s.catalog_number, s.scientific_name, s.life_stage, s.sex, str(s.scans), str(s.readings), str(s.decisions))
        for s in found.items
    ]
    columns(headings, rows)
    shown = f"page {found.number} of {found.pages}, " if found.pages > 1 else ""
    print(f"{shown}{found.total} specimen{'' if found.total == 1 else 's'}")


def columns(headings: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> None:
    """Print rows under headings, aligned."""
    widths = [max(len(row[i]) for row in [headings, *rows]) for i in range(len(headings))]
    for row in [headings, *rows]:
        print("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())


def show(
    specimen: Annotated[
        str, typer.Argument(help="Its catalogue number, or # and its number in the collection.", show_default=False)
    ],
    inside: Inside,
    exact: Annotated[
        bool, typer.Option("--exact", help="Show a sensitive locality as held. For the keeper's eyes only.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Show a specimen: catalogue data, scans, readings, decisions. A sensitive locality is generalised."""
    from ossicle.collection import Collection

    with Collection.open(inside) as held:
        found = held.specimen(specimen)
        terms = held.exact_terms(specimen) if exact else dict(found.terms)
        scans, readings, files = held.scans(specimen), held.readings(specimen), held.attachments(specimen)
        decisions = held.decisions(specimen)
    if as_json:
        say(
            {
                **asdict(found),
                "terms": terms,
                "scan_list": [asdict(s) for s in scans],
                "reading_list": [asdict(r) for r in readings],
                "attachment_list": [asdict(a) for a in files],
            }
        )
        return
    print(f"{found.catalog_number}  (#{found.id}, version {found.version} of its catalogue data)")
    own = {"scientificName": found.scientific_name, "sex": found.sex, "lifeStage": found.life_stage}
    for name, value in {**own, **terms}.items():
        if value not in ("", None):
            print(f"  {name}: {value}")
    if found.human_remains:
        print("  human remains: follow the policy of the institution that holds them; export is off by default")
    for s in scans:
        size = " x ".join(str(n) for n in s.shape_zyx)
        step = " x ".join(f"{v:g}" for v in s.spacing_mm_zyx)
        where = "" if s.box_zyx is None else ", in the box " + ",".join(f"{a}:{b}" for a, b in s.box_zyx)
        whole = " x ".join(f"{n * v:.1f}" for n, v in zip(s.shape_zyx, s.spacing_mm_zyx, strict=True))
        print(f"Scan {s.key[:8]}: {s.name}, {size} voxels of {step} mm (z, y, x){where}: {whole} mm in all")
        if s.scanner:
            print("  " + ", ".join(f"{k} {v}" for k, v in s.scanner.items()))
    for r in readings:
        print(
            f"Reading {r.number}: {r.at[:16].replace('T', ' ')} UTC, Ossicle {r.code_version}, {r.seconds:g} s, "
            f"{r.peak_mb:g} MB, {len(r.heeded)} decisions heeded"
        )
    if scans and not readings:
        print(f"Not read yet: ossicle read {shlex.quote(found.catalog_number)} --in {shlex.quote(str(inside))}")
    for a in files:
        print(f"File {a.name}, {a.bytes} bytes" + (f": {a.note}" if a.note else ""))
    people = sorted({d.who for d in decisions})
    print(f"{len(decisions)} decisions" + (f" by {', '.join(people)}" if people else ""))


def describe(
    specimen: Annotated[str, typer.Argument(help="Its catalogue number, or # and its number.", show_default=False)],
    inside: Inside,
    term: Annotated[
        list[str] | None,
        typer.Option(help="Catalogue data, as sex=female; an empty value takes it away.", show_default=False),
    ] = None,
    file: Annotated[
        list[Path] | None, typer.Option(help="Keep a copy of this file with the specimen.", show_default=False)
    ] = None,
    allow_export: Annotated[
        bool | None,
        typer.Option(
            "--allow-export/--forbid-export", help="Whether human remains may be exported.", show_default=False
        ),
    ] = None,
    version: Annotated[
        int | None,
        typer.Option(help="The version that you looked at; refused if somebody changed it since.", show_default=False),
    ] = None,
    who: Who = None,
) -> None:
    """Change a specimen's catalogue data, or keep files with it. What was before stays in its history."""
    from ossicle.collection import Collection

    said = listed(term, "--term")
    if not said and not file and allow_export is None:
        raise OssicleError("nothing is given to change", where=specimen, mend="give --term, --file or --allow-export")
    with Collection.open(inside) as held:
        if said:
            changed = held.describe(specimen, said, who=who, version=version)
            specimen = f"#{changed.id}"
        for one in file or []:
            held.attach(specimen, one)
        if allow_export is not None:
            held.allow_export(specimen, allow_export, who=who)
        now = held.specimen(specimen)
    print(f"{now.catalog_number} is now at version {now.version}.")


def list_jobs(
    collection: Annotated[
        Path, typer.Argument(envvar="OSSICLE_COLLECTION", help="The collection's folder.", show_default=False)
    ],
    cancel: Annotated[int | None, typer.Option(help="Ask this job to stop.", show_default=False)] = None,
    resume: Annotated[
        bool, typer.Option("--run", help="Do all waiting jobs, those cut off before among them, one by one.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """List the jobs of a collection, cancel one, or do those that wait."""
    from ossicle.collection import Collection

    from .console import telling

    with Collection.open(collection) as held:
        if cancel is not None:
            held.cancel(cancel)
        if resume:
            for job in reversed(held.jobs(unfinished=True)):
                if job.state == "waiting":
                    with telling() as progress:
                        held.run(job.id, progress=progress)
        known = held.jobs()
        called = {n: held.specimen(n).catalog_number for n in {j.specimen_id for j in known}}
    if as_json:
        say([asdict(j) for j in known])
        return
    stages = {j.id: j.stage if j.state == "running" else "" for j in known}
    rows = [
        (str(j.id), j.kind, called[j.specimen_id], j.state, stages[j.id], f"{j.share:.0%}", j.message) for j in known
    ]
    columns(("job", "kind", "specimen", "state", "stage", "done", "message"), rows)
    states = Counter(str(j.state) for j in known)
    print(f"{len(known)} job{'' if len(known) == 1 else 's'}" + "".join(f", {n} {s}" for s, n in states.items()))


def check(
    collection: Annotated[
        Path, typer.Argument(envvar="OSSICLE_COLLECTION", help="The collection's folder.", show_default=False)
    ],
    quick: Annotated[
        bool, typer.Option("--quick", help="Only see whether everything is there; compute no checksums.")
    ] = False,
    mend: Annotated[
        bool,
        typer.Option("--mend", help="Remove what stopped work left behind. Nothing that is catalogued is removed."),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Verify a collection: stores, checksums, references, histories; and say how to mend what is wrong."""
    from ossicle.collection import Collection

    from .console import telling

    with Collection.open(collection) as held, telling() as progress:
        report = held.check(quick=quick, mend=mend, progress=progress)
    if as_json:
        say({**asdict(report), "sound": report.sound})
    else:
        print(
            f"{report.specimens} specimens, {report.scans} scans, {report.readings} readings, "
            f"{report.decisions} decisions, {report.attachments} files"
        )
        for line in report.mended:
            print(f"mended: {line}")
        for fault in report.faults:
            print(f"{fault.kind}: {fault.sentence()}")
    count = sum(f.kind == "fault" for f in report.faults)
    if count:
        found = f"{count} fault{'' if count == 1 else 's'} found"
        raise OssicleError(found, where=collection, mend="each line above says how to mend it")
    if not as_json:
        print("The collection is sound.")
