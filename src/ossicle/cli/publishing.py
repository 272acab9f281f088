"""The commands that hand a specimen on: mesh, plate, report, lesson, spotter."""

from __future__ import annotations

import sys
from contextlib import ExitStack
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .collection import say
from .comparing import AsJson, In, gathered

if TYPE_CHECKING:
    from ossicle.compare import Compared
    from ossicle.publish.lesson_text import LessonText

__all__ = ["lesson_of", "register"]

Specimen = Annotated[
    str,
    typer.Argument(help="A folder that `ossicle read --out` wrote; with --in a catalogue number.", show_default=False),
]


class PlateForm(StrEnum):
    """Formats of plates."""

    png = "png"
    svg = "svg"
    pdf = "pdf"


class Level(StrEnum):
    """How hard a spotter is."""

    easy = "easy"
    middling = "middling"
    hard = "hard"


class MeshForm(StrEnum):
    """Formats of meshes."""

    glb = "glb"
    ply = "ply"
    stl = "stl"


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command(epilog="Example: ossicle mesh reading/juvenile --part teeth --format stl --out print")(mesh)
    app.command(epilog="Example: ossicle plate plate.toml reading/juvenile --format pdf --out plate")(plate)
    app.command(epilog="Example: ossicle report reading/juvenile --out juvenile.pdf")(report)
    app.command(epilog="Example: ossicle lesson reading/juvenile --draft lesson.toml --out lesson.html")(lesson)
    app.command(epilog="Example: ossicle spotter reading/adult --level easy --key key.pdf --out spotter.html")(spotter)


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


def plate(
    description: Annotated[
        Path, typer.Argument(help="A TOML file that says what each panel shows.", show_default=False)
    ],
    specimens: Annotated[
        list[str],
        typer.Argument(
            help="Folders that `ossicle read --out` wrote; with --in catalogue numbers. Panels call them by name.",
            show_default=False,
        ),
    ],
    out: Annotated[Path, typer.Option(help="File to write, without its ending.", show_default=False)],
    inside: In = None,
    form: Annotated[list[PlateForm], typer.Option("--format", help="Format; give it again for more.")] = [  # noqa: B006
        PlateForm.pdf
    ],
    grey: Annotated[bool, typer.Option("--grey", help="In greys, for print in black.")] = False,
    width: Annotated[
        float | None, typer.Option(min=40, max=1000, help="Width in mm, over what the file says.", show_default=False)
    ] = None,
    dpi: Annotated[
        int | None, typer.Option(min=72, max=1200, help="Resolution, over what the file says.", show_default=False)
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Draw a plate: standard views or views of findings at one scale, with labels, orientation and scale bar."""
    from dataclasses import replace

    from ossicle.publish.files import write_bytes
    from ossicle.publish.plate import lay_out, plate_files
    from ossicle.publish.plate_text import plate_text

    from .console import telling

    text = plate_text(description)
    text = replace(
        text,
        colours="grey" if grey else text.colours,
        width_mm=width or text.width_mm,
        dpi=dpi or text.dpi,
    )
    with ExitStack() as stack:
        found = gathered(specimens, inside, stack, export=True)
        if inside is not None and any(p.kept for p in text.panels):
            from ossicle.collection import Collection
            from ossicle.publish.kept import kept_scenes, plate_with

            text = plate_with(text, kept_scenes(stack.enter_context(Collection.open(inside)), specimens, found))
        held = {s.name: s for s in found}
        with telling() as progress:
            laid = lay_out(text, held, progress)
            made = plate_files(laid, [f.value for f in form])
    files = []
    for name, data in made.items():
        file = out.with_name(f"{out.name.removesuffix('.' + name)}.{name}")
        write_bytes(file, data)
        files.append(file)
    if as_json:
        said = {
            "width_px": laid.width,
            "height_px": laid.height,
            "dpi": laid.dpi,
            "px_per_mm": laid.px_per_mm,
            "bar_mm": laid.bar_mm,
            "bar_px": laid.bar_px,
            "remarks": list(laid.remarks),
        }
        say(said)
    else:
        for remark in laid.remarks:
            print(remark)
    for file in files:
        _written(file)


def report(
    specimen: Specimen,
    out: Annotated[Path, typer.Option(help="File to write: its ending says pdf or html.", show_default=False)],
    inside: In = None,
    beside: Annotated[
        list[str] | None,
        typer.Option(help="Another specimen to compare with; give it again for more.", show_default=False),
    ] = None,
    pictures: Annotated[bool, typer.Option("--pictures/--no-pictures", help="Draw findings.")] = True,
) -> None:
    """Write the account as a report, PDF or HTML: data, dentition, findings with pictures, measurements, cautions."""
    from ossicle.errors import OssicleError
    from ossicle.publish.files import write_bytes
    from ossicle.publish.report import report_blocks, report_title
    from ossicle.publish.sheets import sheet_html, sheet_pdf
    from ossicle.publish.stage import stage_of

    from .console import telling

    ending = out.suffix.lower()
    if ending not in (".pdf", ".html"):
        raise OssicleError(f"{out.name!r} is neither .pdf nor .html", where="--out", mend="end the file's name so")
    with ExitStack() as stack, telling() as progress:
        s, *others = gathered([specimen, *(beside or [])], inside, stack, export=True)
        reading, terms = None, {}
        if inside is not None:
            from ossicle.collection import Collection

            held = stack.enter_context(Collection.open(inside))
            reading = held.replayed(specimen).reading
            terms = dict(held.specimen(specimen).terms)
        stage = None
        if pictures and s.parts is not None:
            progress("surfaces", 0.0)
            stage = stage_of(s)
        blocks = report_blocks(s, stage, reading=reading, terms=terms, beside=others, progress=progress)
        title = report_title(s)
        if ending == ".pdf":
            data = sheet_pdf(title, blocks, f"{title}. Not for clinical diagnosis.")
        else:
            data = sheet_html(title, blocks).encode()
    write_bytes(out, data)
    _written(out)


def lesson(
    specimens: Annotated[
        list[str],
        typer.Argument(
            help="Folders that `ossicle read --out` wrote; with --in catalogue numbers. Two stand side by side.",
            show_default=False,
        ),
    ],
    out: Annotated[
        Path | None, typer.Option(help="The page to write, one HTML file that needs nothing else.", show_default=False)
    ] = None,
    inside: In = None,
    description: Annotated[
        Path | None,
        typer.Option(
            "--from",
            help="A TOML or JSON file with the steps.",
            show_default="the views kept at the desk; where there are none, drafted from the account",
        ),
    ] = None,
    draft: Annotated[
        Path | None, typer.Option(help="Write the steps as TOML, to be worked on.", show_default=False)
    ] = None,
    captions: Annotated[
        Path | None, typer.Option(help="Write captions to read aloud by (WebVTT).", show_default=False)
    ] = None,
    handout: Annotated[Path | None, typer.Option(help="Write a handout to print (PDF).", show_default=False)] = None,
    triangles: Annotated[int, typer.Option(min=2000, max=1_000_000, help="Triangles of a specimen, about.")] = 150_000,
) -> None:
    """Make a lesson: steps with view, narration and labels, in one page that opens without any network."""
    from ossicle.errors import OssicleError
    from ossicle.publish import lesson as lessons
    from ossicle.publish.files import write_bytes
    from ossicle.publish.lesson_text import draft as drafted
    from ossicle.publish.lesson_text import lesson_text, lesson_toml
    from ossicle.publish.narration import captions as captioned
    from ossicle.publish.sheets import sheet_pdf

    from .console import telling

    if not any((out, draft, captions, handout)):
        raise OssicleError(
            "nothing is to be written", where="--out", mend="name a page, or --draft, --captions, --handout"
        )
    made: list[tuple[Path, bytes]] = []
    with ExitStack() as stack, telling() as progress:
        text = None if description is None else lesson_text(description)
        held, text = lesson_of(specimens, inside, text, stack)
        text = text or drafted(held)
        if draft is not None:
            made.append((draft, lesson_toml(text).encode()))
        if captions is not None:
            made.append((captions, captioned([(s.title, s.narration) for s in text.steps]).encode()))
        if out is not None or handout is not None:
            stages = lessons.stages_of(held, triangles, progress)
            if out is not None:
                made.append((out, lessons.lesson_page(text, stages).encode()))
            if handout is not None:
                foot = f"{text.title}. Not for clinical diagnosis."
                made.append((handout, sheet_pdf(text.title, lessons.handout(text, stages, progress), foot)))
    for file, data in made:
        write_bytes(file, data)
        _written(file)


def lesson_of(
    handles: list[str], inside: Path | None, text: LessonText | None, stack: ExitStack
) -> tuple[list[Compared], LessonText | None]:
    """Return the specimens and the lesson, with the views kept at the desk of their collection."""
    if inside is None:
        return gathered(handles, None, stack, export=True), text
    from ossicle.collection import Collection
    from ossicle.publish.kept import also_shown, kept_lesson, kept_scenes, lesson_with

    held = stack.enter_context(Collection.open(inside))
    all_of_them = also_shown(held, handles)
    found = gathered(all_of_them, inside, stack, export=True)
    scenes = kept_scenes(held, all_of_them, found)
    return found, lesson_with(text, scenes) if text is not None else kept_lesson(held, handles[0], scenes)


def spotter(
    specimen: Specimen,
    out: Annotated[Path, typer.Option(help="The page to write.", show_default=False)],
    inside: In = None,
    level: Annotated[
        Level, typer.Option(help="easy: bones and tooth classes; middling: loci in place; hard: all, in crypts too.")
    ] = Level.easy,
    questions: Annotated[int, typer.Option(min=1, max=200, help="How many, at most.")] = 12,
    typed: Annotated[bool, typer.Option("--typed", help="Answers are typed and not chosen from four.")] = False,
    seed: Annotated[int, typer.Option(help="Draws the questions.")] = 1,
    key: Annotated[
        Path | None, typer.Option(help="Write the teacher's key (.pdf or .html).", show_default=False)
    ] = None,
    triangles: Annotated[int, typer.Option(min=2000, max=1_000_000, help="Triangles, about.")] = 150_000,
) -> None:
    """Make a naming exercise for students: one page without any network, the teacher's key apart."""
    from ossicle.errors import OssicleError
    from ossicle.publish import spotter as spotters
    from ossicle.publish.files import write_bytes
    from ossicle.publish.sheets import sheet_html, sheet_pdf
    from ossicle.publish.stage import stage_of

    if key is not None and key.suffix.lower() not in (".pdf", ".html"):
        raise OssicleError(f"{key.name!r} is neither .pdf nor .html", where="--key", mend="end the file's name so")
    with ExitStack() as stack:
        (s,) = gathered([specimen], inside, stack, export=True)
        stage = stage_of(s, triangles)
        asked = spotters.questions(stage, level.value, questions, seed, chosen=not typed)
        title = f"Spotter, {level.value}: {spotters.LEVELS[level.value]}"
        page = spotters.spotter_page(stage, asked, title, f"Made from the account of {s.name} by Ossicle.")
        blocks = spotters.key_blocks(s, asked, title)
    write_bytes(out, page.encode())
    _written(out)
    if key is not None:
        pdf = key.suffix.lower() == ".pdf"
        write_bytes(key, sheet_pdf(title, blocks, title) if pdf else sheet_html(title, blocks).encode())
        _written(key)
