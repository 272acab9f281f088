"""The commands that hand a specimen on: mesh, plate, report, lesson, spotter, film."""

from __future__ import annotations

import sys
from contextlib import ExitStack
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from .collection import say
from .comparing import AsJson, In, gathered

__all__ = ["register"]

Specimen = Annotated[
    str,
    typer.Argument(help="A folder that `ossicle read --out` wrote; with --in a catalogue number.", show_default=False),
]


class MeshForm(StrEnum):
    """Formats of meshes."""

    glb = "glb"
    ply = "ply"
    stl = "stl"


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command(epilog="Example: ossicle mesh reading/juvenile --part teeth --format stl --out print")(mesh)


def _written(out: Path) -> None:
    print(f"Written: {out}", file=sys.stderr)


def mesh(
    specimen: Specimen,
    out: Annotated[Path, typer.Option(help="Folder to write to.", show_default=False)],
    inside: In = None,
    part: Annotated[
        list[str] | None,
        typer.Option(
            help="Which parts: teeth, upper teeth, bone, a tooth as 'left upper P4', a term; give it again for more.",
            show_default="all",
        ),
    ] = None,
    form: Annotated[
        list[MeshForm], typer.Option("--format", help="glb (one scene), ply or stl (a file a part); again for more.")
    ] = [MeshForm.glb],  # noqa: B006
    within: Annotated[
        float | None,
        typer.Option(
            min=0.0, help="How far simplifying may move a surface, mm; 0 keeps it.", show_default="a quarter voxel"
        ),
    ] = None,
    wall: Annotated[float, typer.Option(min=0.01, help="Thinnest wall that the printer makes, mm.")] = 0.4,
    enlarge: Annotated[float, typer.Option(min=0.01, max=1000, help="STL and PLY so many times as large.")] = 1.0,
    as_json: AsJson = False,
) -> None:
    """Write parts as closed meshes in mm, with what a printer should know of them."""
    from ossicle.publish.meshes import meshes_of
    from ossicle.publish.meshfiles import write_meshes
    from ossicle.publish.naming import parts_named

    from .console import telling

    with ExitStack() as stack:
        (s,) = gathered([specimen], inside, stack, export=True)
        wanted = parts_named(s.account, part or [], s.name)
        with telling() as progress:
            made = meshes_of(s, wanted, within, progress)
            said = write_meshes(s, made, out, [f.value for f in form], wall_mm=wall, enlarged=enlarge)
    if as_json:
        say(
            [
                {
                    "name": m.name,
                    "part": m.part.part,
                    "triangles": len(m.surface.faces),
                    "label_volume_mm3": round(m.label_mm3, 6),
                    "mesh_volume_mm3": round(m.volume_mm3, 6),
                    "simplified_within_mm": round(m.error_mm, 6),
                }
                for m in made
            ]
        )
    else:
        sys.stdout.write("\n".join(said) + "\n")
    _written(out)
