"""The commands of the practice specimens."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from .options import set_threads, threads_default

__all__ = ["app"]

app = typer.Typer(
    help="Invented specimens with known truth, to practise and to test on.",
    no_args_is_help=False,
    rich_markup_mode="rich",
)


@app.callback(
    invoke_without_command=True,
    epilog="Example: ossicle practice make carnivore-like-juvenile --out practice/juvenile",
)
def practice(context: typer.Context) -> None:
    """Invented specimens with known truth, to practise and to test on."""
    if context.invoked_subcommand is None:
        print(context.get_help())


@app.command(epilog="Example: ossicle practice make carnivore-like-juvenile --out practice/juvenile --seed 2")
def make(
    preset: Annotated[
        str, typer.Argument(help="Which specimen; `ossicle practice list` names them.", show_default=False)
    ],
    out: Annotated[
        Path,
        typer.Option(help="Folder to write: slices/, scan.json and truth/.", show_default=False),
    ],
    seed: Annotated[int, typer.Option(min=0, help="The same seed makes the same specimen and scan.")] = 1,
    voxel: Annotated[
        float | None,
        typer.Option(help="Voxel edge in mm; left out, the preset's own.", show_default=False),
    ] = None,
    threads: Annotated[
        int, typer.Option(min=1, max=256, help="How many threads may be used.", show_default="all cores")
    ] = threads_default(),
    as_json: Annotated[bool, typer.Option("--json", help="Print what was made as JSON.")] = False,
) -> None:
    """Make an invented specimen: a stack of TIFF slices, metadata, and the truth about its teeth."""
    set_threads(threads)
    from ossicle import practice as specimens

    from .console import telling

    with telling(by_stage=True) as progress:
        folder = specimens.make(preset, out, seed=seed, voxel_mm=voxel, threads=threads, progress=progress)
    slices = folder / "slices"
    if as_json:
        made = {"folder": str(folder), "slices": str(slices), "preset": preset, "seed": seed}
        print(json.dumps(made, ensure_ascii=False))
    else:
        print(f"Made an invented practice specimen in {folder}; read it with: ossicle read {slices}")


@app.command("list", epilog="Example: ossicle practice list --json")
def list_presets(
    as_json: Annotated[bool, typer.Option("--json", help="Print as JSON.")] = False,
) -> None:
    """List the practice specimens that can be made."""
    from ossicle import practice as specimens

    known = specimens.presets().values()
    if as_json:
        rows = [
            {"name": p.name, "animal": p.animal, "stage": p.stage, "title": p.title, "voxel_mm": p.voxel_mm}
            for p in known
        ]
        print(json.dumps(rows, ensure_ascii=False, indent=1))
        return
    width = max(len(p.name) for p in known)
    for p in known:
        print(f"{p.name:{width}}  {p.title}, voxels of {p.voxel_mm:g} mm")
