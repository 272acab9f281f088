"""The commands of the practice specimens."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

import typer

from ossicle.errors import Cancelled, OssicleError

from .completing import presets
from .helping import InFull
from .options import Threads, set_threads, threads_default

__all__ = ["app"]

app = typer.Typer(
    help="Invented specimens with known truth, to practise and to test on.",
    no_args_is_help=False,
    cls=InFull,
    rich_markup_mode=None,
)


@app.callback(
    invoke_without_command=True,
    epilog="Example: ossicle practice make carnivore-like-juvenile --out practice/juvenile",
)
def practice(context: typer.Context) -> None:
    """Invented specimens with known truth, to practise and to test on."""
    if context.invoked_subcommand is None:
        print(context.get_help())


@app.command(
    epilog="Example: ossicle practice make carnivore-like-juvenile --out practice/juvenile --seed 2 "
    "--fault missing-teeth --fault foam"
)
def make(
    preset: Annotated[
        str,
        typer.Argument(
            help="Which specimen; `ossicle practice list` names them.", show_default=False, autocompletion=presets
        ),
    ],
    out: Annotated[
        Path,
        typer.Option(help="Folder to write: slices/, scan.json and truth/.", show_default=False),
    ],
    seed: Annotated[int, typer.Option(min=0, help="The same seed makes the same specimen and scan.")] = 1,
    voxel: Annotated[
        str | None,
        typer.Option(help="Voxel edge in mm, or Z,Y,X as 0.2,0.1,0.1; left out, the preset's own.", show_default=False),
    ] = None,
    fault: Annotated[
        list[str] | None,
        typer.Option(
            help="What is wrong with it; give it again for more. `ossicle practice list --faults` names them.",
            show_default=False,
        ),
    ] = None,
    scanner: Annotated[str, typer.Option(help="How good the scan is: perfect, clean, typical, noisy, ..")] = "typical",
    worse: Annotated[
        list[str] | None,
        typer.Option(help="Make the scan worse, as 'double noise'; give it again for more.", show_default=False),
    ] = None,
    projections: Annotated[
        bool,
        typer.Option("--projections", help="Compute projections and reconstruct them: slow, for small volumes."),
    ] = False,
    phantom: Annotated[
        bool, typer.Option("--phantom", help="Hydroxyapatite rods of known density stand in the field of view.")
    ] = False,
    mirrored: Annotated[bool, typer.Option("--mirrored", help="Store the columns in reverse.")] = False,
    bits: Annotated[
        int | None, typer.Option(help="8 or 16 bits a voxel.", show_default="as the scanner has it")
    ] = None,
    threads: Threads = threads_default(),
    as_json: Annotated[bool, typer.Option("--json", help="Print what was made as JSON.")] = False,
) -> None:
    """Make an invented specimen: a stack of TIFF slices, metadata, and the truth about its teeth."""
    set_threads(threads)
    from ossicle import practice as specimens

    from .console import telling

    known = specimens.presets()
    edges = _edges(voxel)
    own = known[preset].voxel_mm if preset in known else None
    settings, factor = _settings(scanner, worse or [], min(edges) if edges else own)
    changes: dict[str, Any] = {"mode": "projections"} if projections else {}
    if phantom:
        changes["phantom"] = True
    if mirrored:
        changes["mirrored"] = True
    if bits is not None:
        changes["bits"] = bits
    if factor != 1.0 and (edges or own):
        edges = tuple(factor * e for e in (edges or (own,) * 3))  # type: ignore[assignment,operator]
    with telling(by_stage=True) as progress:
        folder = specimens.make(
            preset,
            out,
            seed=seed,
            voxel_mm=edges,
            settings=replace(settings, **changes),
            faults=fault or (),
            threads=threads,
            progress=progress,
        )
    slices = folder / "slices"
    if as_json:
        made = {"folder": str(folder), "slices": str(slices), "preset": preset, "seed": seed}
        print(json.dumps(made, ensure_ascii=False))
    else:
        print(f"Made an invented practice specimen in {folder}; read it with: ossicle read {slices}")


def _edges(text: str | None) -> tuple[float, float, float] | None:
    """Voxel edges (z, y, x) in mm from one or three numbers."""
    if text is None:
        return None
    try:
        numbers = [float(piece) for piece in text.split(",")]
    except ValueError:
        numbers = []
    if len(numbers) not in (1, 3):
        raise OssicleError(f"{text!r} is no voxel size", where="--voxel", mend="give one or three lengths in mm")
    z, y, x = numbers * 3 if len(numbers) == 1 else numbers
    return z, y, x


def _settings(scanner: str, worse: list[str], voxel_mm: float | None) -> tuple[Any, float]:
    from ossicle.practice.scanner import degraded
    from ossicle.practice.scanner import preset as scanner_preset

    usable = voxel_mm is not None and voxel_mm > 0
    settings = scanner_preset(scanner, voxel_mm) if usable and voxel_mm is not None else scanner_preset(scanner)
    factor = 1.0
    for way in worse:
        settings, more = degraded(settings, way)
        factor *= more
    return settings, factor


@app.command("set", epilog="Example: ossicle practice set class --out practice/class --each 3 --seed 7")
def make_set(
    kind: Annotated[
        str,
        typer.Argument(
            help="class: graded exercises; series: one animal at each growth stage; bench: every animal and stage.",
            show_default=False,
        ),
    ],
    out: Annotated[
        Path,
        typer.Option(
            help="Folder to write: exercises/ to hand out and key/ with the answers; for a bench, a folder a specimen.",
            show_default=False,
        ),
    ],
    seed: Annotated[int, typer.Option(min=0, help="The same seed makes the same set.")] = 1,
    each: Annotated[int, typer.Option(min=1, max=99, help="How many of each grade, or of each preset.")] = 4,
    animal: Annotated[
        list[str] | None, typer.Option(help="Only this animal; give it again for more.", show_default=False)
    ] = None,
    grade: Annotated[
        list[int] | None,
        typer.Option(help="Only this grade of a class set, 1 to 5; give it again for more.", show_default=False),
    ] = None,
    voxel: Annotated[
        float | None, typer.Option(help="Voxel edge in mm; left out, the presets' own.", show_default=False)
    ] = None,
    threads: Threads = threads_default(),
    as_json: Annotated[bool, typer.Option("--json", help="Print what was made as JSON.")] = False,
) -> None:
    """Make a whole set of invented specimens. Stopped, the same command goes on where it was."""
    set_threads(threads)
    from ossicle import practice as specimens

    from .console import telling

    try:
        with telling() as progress:
            made = specimens.make_set(
                kind,
                out,
                seed=seed,
                each=each,
                only=animal or (),
                grades=grade or (),
                voxel_mm=voxel,
                threads=threads,
                progress=progress,
            )
    except (KeyboardInterrupt, Cancelled):
        raise Cancelled("Stopped; finished specimens are kept, and the same command goes on from there.") from None
    if as_json:
        print(json.dumps(made, ensure_ascii=False))
        return
    where = out if kind == "bench" else out / "exercises"
    print(f"Made {made['made']} of {made['specimens']} invented practice specimens, the others were there.")
    print(f"Scans: {where}; answers: {out if kind == 'bench' else out / 'key'}; table: {out / 'key' / 'key.csv'}")


@app.command("list", epilog="Example: ossicle practice list rodent-like --pictures practice/pictures")
def list_presets(
    words: Annotated[
        list[str] | None,
        typer.Argument(help="Only presets whose name holds one of these words.", show_default=False),
    ] = None,
    pictures: Annotated[
        Path | None,
        typer.Option(help="Folder to write a portrait of each to, and a page with all of them.", show_default=False),
    ] = None,
    faults: Annotated[bool, typer.Option("--faults", help="List the faults that a specimen can have.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print as JSON.")] = False,
) -> None:
    """List the practice specimens that can be made, with pictures if asked for."""
    from ossicle import practice as specimens

    if faults:
        _print_table(dict(specimens.FAULTS), as_json)
        return
    known = [p for p in specimens.presets().values() if not words or any(w in p.name for w in words)]
    if not known:
        raise OssicleError(
            f"no practice preset is called anything like {' or '.join(words or [])}",
            mend="`ossicle practice list` names all",
        )
    if as_json:
        rows = [
            {"name": p.name, "animal": p.animal, "stage": p.stage, "title": p.title, "voxel_mm": p.voxel_mm}
            for p in known
        ]
        print(json.dumps(rows, ensure_ascii=False, indent=1))
    else:
        _print_table({p.name: f"{p.title}, voxels of {p.voxel_mm:g} mm" for p in known}, False)
    if pictures is not None:
        from .console import telling

        with telling() as progress:
            page = specimens.write_sheet(known, pictures, progress=progress)
        print(f"Pictures: {page}", file=sys.stderr)


def _print_table(rows: dict[str, str], as_json: bool) -> None:
    if as_json:
        print(json.dumps([{"name": k, "what": v} for k, v in rows.items()], ensure_ascii=False, indent=1))
        return
    width = max(map(len, rows))
    for name, what in rows.items():
        print(f"{name:{width}}  {what}")
