"""The commands that lay specimens beside one another: compare, series, shape."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from contextlib import ExitStack
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ossicle.errors import OssicleError

from .collection import say

if TYPE_CHECKING:
    from ossicle.compare import Compared, Comparison, Placement

__all__ = ["AsJson", "In", "gathered", "register"]

Specimens = Annotated[
    list[str],
    typer.Argument(help="Folders that `ossicle read --out` wrote; with --in catalogue numbers.", show_default=False),
]
In = Annotated[Path | None, typer.Option("--in", help="A collection that holds them.", show_default=False)]
AsJson = Annotated[bool, typer.Option("--json", help="Print as JSON.")]
Out = Annotated[
    Path | None,
    typer.Option(help="Folder to write text, tables and charts to; else all is printed.", show_default=False),
]


class Picture(StrEnum):
    """Format of charts."""

    svg = "svg"
    pdf = "pdf"
    png = "png"


Pictures = Annotated[list[Picture], typer.Option("--picture", help="Format of charts; give it again for more.")]


class Way(StrEnum):
    """How specimens are laid on one another."""

    pose = "pose"
    landmarks = "landmarks"
    surfaces = "surfaces"


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command(epilog="Example: ossicle compare reading/juvenile reading/adult --part 'left dentary' --out beside")(
        compare
    )
    app.command(epilog="Example: ossicle series reading/newborn reading/juvenile reading/adult --out growth")(series)
    app.command(epilog="Example: ossicle shape landmarks.csv --group sex --out shape")(shape)


def gathered(handles: Sequence[str], inside: Path | None, stack: ExitStack, *, export: bool) -> list[Compared]:
    """Open the specimens; those of a collection stay open until the stack closes."""
    from ossicle.compare import from_collection, from_folder, named_apart

    if inside is None:
        return named_apart([from_folder(Path(h)) for h in handles])
    from ossicle.collection import Collection

    held = stack.enter_context(Collection.open(inside))
    if export:
        for h in handles:
            held.check_export(h)
    return named_apart([from_collection(held, h) for h in handles])


def _write(out: Path, name: str, text: str) -> None:
    from ossicle.account.folder import write_texts

    write_texts(out, {name: text})


def compare(
    specimens: Specimens,
    inside: In = None,
    by: Annotated[Way, typer.Option(help="How the others are laid on the first.")] = Way.pose,
    part: Annotated[
        list[str] | None,
        typer.Option(
            help="A part to lay on each other and to map distances on, as 'left dentary' or 'cranium'; give it again "
            "for more.",
            show_default=False,
        ),
    ] = None,
    scale: Annotated[bool, typer.Option("--scale", help="Enlarge or reduce the others to fit.")] = False,
    crowns: Annotated[
        str | None,
        typer.Option(
            help="A deciduous premolar, as 'left upper dP4', to lay beside its successor and the first molar.",
            show_default=False,
        ),
    ] = None,
    out: Out = None,
    picture: Pictures = [Picture.svg],  # noqa: B006
    as_json: AsJson = False,
) -> None:
    """Compare specimens: what differs, what corresponds, how they lie on one another. The first with each other one.

    One specimen alone, with --part: the left side mirrored onto the right; with --crowns: a deciduous premolar beside
    its own successor and molar.
    """
    from ossicle.compare import (
        compare_two,
        comparison_text,
        comparison_to_dict,
        counterparts_csv,
        differences_csv,
        placement_text,
    )
    from ossicle.scans.paths import file_name

    if len(specimens) < 2 and not part and crowns is None:
        raise OssicleError(
            "one specimen cannot be compared",
            where="SPECIMENS",
            mend="name two or more, a part with --part to lay its left side on its right, or a deciduous premolar with "
            "--crowns",
        )
    if len(specimens) < 2 and (scale or by is not Way.pose):
        raise OssicleError(
            "one side is laid on the other by its surface, at its own size",
            where="--scale" if scale else "--by",
            mend="leave it out, or name two specimens",
        )
    with ExitStack() as stack:
        held = gathered(specimens, inside, stack, export=out is not None)
        if len(held) == 1:
            sides = [_side(held[0], name, out, [p.value for p in picture]) for name in part or []]
            like = [] if crowns is None else [_crowns(held, crowns, out, [p.value for p in picture])]
            if as_json:
                found = [d for _, d in sides]
                say({"sides": found, "crowns": like[0][1]} if like else found)
            else:
                sys.stdout.write("\n".join(text for text, _ in [*sides, *like]))
            if out is not None:
                print(f"Written: {out}", file=sys.stderr)
            return
        first, said, data = held[0], [], []
        folders: set[str] = set()
        if out is not None:
            _write(out, "counterparts.csv", counterparts_csv(held))
        for other in held[1:]:
            c = compare_two(first, other)
            placed = _placed(other, first, by, part or [], scale)
            text = comparison_text(c) + "\n" + placement_text(placed, other.name, first.name) + "\n"
            said.append(text)
            data.append(comparison_to_dict(c, placed))
            if out is not None:
                where = out if len(held) == 2 else out / file_name(other.name, taken=folders)
                _write(where, "comparison.txt", text)
                _write(where, "differences.csv", differences_csv(c))
                _write(where, "comparison.json", _json(data[-1]))
                _charts(c, placed, part or [], where, [p.value for p in picture])
        like = [] if crowns is None else [_crowns(held, crowns, out, [p.value for p in picture])]
        said += [text for text, _ in like]
    if as_json and like:
        say({"comparisons": data, "crowns": like[0][1]})
    elif as_json:
        say(data[0] if len(data) == 1 else data)
    else:
        sys.stdout.write("\n".join(said))
    if out is not None:
        print(f"Written: {out}", file=sys.stderr)


def _side(s: Compared, name: str, out: Path | None, formats: Sequence[str]) -> tuple[str, dict[str, Any]]:
    from dataclasses import replace

    from ossicle.compare import one_side_on_the_other
    from ossicle.compare.charts import distance_chart, write_chart
    from ossicle.scans.paths import file_name

    found = one_side_on_the_other(s, name)
    text, data = found.text(), found.as_dict()
    if out is not None:
        _write(out, f"sides-{file_name(name, 'part')}.txt", text)
        _write(out, f"sides-{file_name(name, 'part')}.json", _json(data))
        title = f"Left {found.name} of {s.name}, mirrored and laid on the right one."
        chart = distance_chart(found.left, found.apart, title)
        write_chart(replace(chart, name=f"sides-{file_name(name, 'part')}"), out, formats)
    return text, data


def _json(value: Any) -> str:
    import json

    return json.dumps(value, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def _placed(moved: Compared, fixed: Compared, by: Way, parts: Sequence[str], scale: bool) -> Placement:
    from ossicle.compare import by_landmarks, by_pose, by_surfaces, part_numbers

    if by is Way.landmarks:
        return by_landmarks(moved, fixed, scale=scale)
    if by is Way.surfaces or parts:
        names = parts or ["cranium"]
        numbers = [[n for name in names for n in part_numbers(s, name)] for s in (moved, fixed)]
        return by_surfaces(moved, fixed, *numbers, scale=scale)
    if scale:
        raise OssicleError("the skull pose has no scale to fit", where="--scale", mend="add --by landmarks or surfaces")
    return by_pose()


def _charts(c: Comparison, placed: Placement, parts: Sequence[str], out: Path, formats: Sequence[str]) -> None:
    from dataclasses import replace

    from ossicle.compare import apart, part_numbers, surface_of
    from ossicle.compare.charts import changes_chart, distance_chart, write_chart
    from ossicle.scans.paths import file_name

    if c.measures:
        write_chart(changes_chart(c), out, formats)
    for name in parts:
        moved = surface_of(c.second, part_numbers(c.second, name)).moved(placed.matrix)
        found = apart(moved, surface_of(c.first, part_numbers(c.first, name)))
        title = f"{name[0].upper()}{name[1:]} of {c.second.name}, laid on that of {c.first.name} by {placed.way}."
        chart = distance_chart(moved, found, title)
        write_chart(replace(chart, name=f"distances-{file_name(name, 'part')}"), out, formats)


def _crowns(
    held: Sequence[Compared], wanted: str, out: Path | None, formats: Sequence[str]
) -> tuple[str, dict[str, Any]]:
    from dataclasses import asdict

    from ossicle.compare import crown_of, molarity
    from ossicle.compare.charts import crowns_chart, write_chart

    words = wanted.split()
    if len(words) != 3 or not words[2].lower().startswith("dp"):
        raise OssicleError(
            f"{wanted!r} is no deciduous premolar",
            where="--crowns",
            mend="write side, jaw and name, as 'left upper dP4'",
        )
    side, jaw, name = words[0].lower(), words[1].lower(), words[2]
    upper = jaw == "upper"
    names = (name, "M1" if upper else "m1", name[1:])
    found = []
    for tooth in names:
        # of several specimens the one in which it stands in place, for a crown in its crypt may not be whole
        some = [
            (t.emergence == "erupted", t.completeness == "complete", -i, s, t)
            for i, s in enumerate(held)
            for t in s.account.teeth
            if (t.side, t.jaw, t.name) == (side, jaw, tooth)
        ]
        if not some:
            if tooth == names[2]:
                continue
            raise OssicleError(f"none of the specimens has {side} {jaw} {tooth}", where="--crowns", mend="name another")
        *_, s, t = max(some, key=lambda x: x[:3])
        found.append(crown_of(s, t))
    m = molarity(found[0], found[1], found[2] if len(found) > 2 else None)
    data = asdict(m)
    if out is not None:
        write_chart(crowns_chart(found, m), out, formats)
        _write(out, "crowns.json", _json(data))
    text = f"{m.crown} against {m.molar}: relief {m.to_molar:.3f} of crown height apart (root mean square)"
    if m.along is not None and m.off is not None:
        text += f"; {m.along:.2f} of the way from {m.successor} (0) to {m.molar} (1), {m.off:.2f} of it off the line"
    return f"{text}.{' ' + m.note[0].upper() + m.note[1:] + '.' if m.note else ''}\n", data


def series(
    specimens: Specimens,
    inside: In = None,
    place: Annotated[
        list[str] | None,
        typer.Option(help="A specimen to place in the series; give it again for more.", show_default=False),
    ] = None,
    age: Annotated[
        list[str] | None,
        typer.Option(help="A known age, as NAME=VALUE, all in one unit; give it again for more.", show_default=False),
    ] = None,
    out: Out = None,
    picture: Pictures = [Picture.svg],  # noqa: B006
    as_json: AsJson = False,
) -> None:
    """Order specimens by eruption; place others among them, tell their age from those known, and what erupts next."""
    from ossicle.compare import arrange, placed_text, series_text, series_to_dict
    from ossicle.compare import place as place_in

    from .collection import listed

    if len(specimens) < 3:
        raise OssicleError(
            f"{len(specimens)} specimens are no series", mend="name three or more; for two use ossicle compare"
        )
    with ExitStack() as stack:
        held = gathered(specimens, inside, stack, export=out is not None)
        known = _ages(listed(age, "--age"), held)
        found = arrange(held, [known.get(s.name) for s in held])
        others = gathered(place, inside, stack, export=out is not None) if place else []
        placed = [place_in(found, s) for s in others]
        data = series_to_dict(found, placed)
    text = "\n".join([series_text(found), *(placed_text(p) + _by_order(p.specimen) for p in placed)])
    if as_json:
        say(data)
    else:
        sys.stdout.write(text)
    if out is not None:
        from ossicle.compare.charts import series_chart, write_chart

        _write(out, "series.json", _json(data))
        _write(out, "order.txt", text)
        write_chart(series_chart(found, placed[0] if placed else None), out, [p.value for p in picture])
        print(f"Written: {out}", file=sys.stderr)


def _by_order(s: Compared) -> str:
    """What the known order of eruption of the matched dentition expects next; nothing where none is known."""
    from ossicle.anatomy import dentition
    from ossicle.compare import next_by_order

    try:
        names, basis = next_by_order(s, dentition(s.account.formula.dentition or ""))
    except OssicleError:
        return ""
    return f"Next by the {basis}: {', '.join(names)}.\n" if names else ""


def _ages(said: dict[str, str], held: Sequence[Compared]) -> dict[str, float]:
    ages = {}
    for name, value in said.items():
        if name not in {s.name for s in held}:
            raise OssicleError(
                f"no specimen of the series is called {name!r}",
                where="--age",
                mend=f"choose from {', '.join(s.name for s in held)}",
            )
        try:
            ages[name] = float(value)
        except ValueError:
            raise OssicleError(f"{value!r} is no number", where="--age", mend="write NAME=VALUE") from None
    return ages


def shape(
    source: Annotated[
        list[str],
        typer.Argument(
            help="A CSV of landmarks, or specimens whose accounts have landmarks (folders; with --in catalogue "
            "numbers).",
            show_default=False,
        ),
    ],
    inside: In = None,
    group: Annotated[
        str | None, typer.Option(help="A column with two groups to test against each other.", show_default=False)
    ] = None,
    symmetry: Annotated[
        bool, typer.Option("--symmetry", help="Part left and right of each specimen; needs sided landmarks.")
    ] = False,
    draws: Annotated[int, typer.Option(min=99, max=100_000, help="Permutations.")] = 999,
    seed: Annotated[int, typer.Option(min=0, help="Of the permutations.")] = 1,
    out: Out = None,
    picture: Pictures = [Picture.svg],  # noqa: B006
    as_json: AsJson = False,
) -> None:
    """Shape statistics on landmarks: size, components, allometry, two groups, symmetry."""
    from ossicle.compare import landmarks_of
    from ossicle.compare.analysis import analyse, analysis_charts, analysis_text
    from ossicle.compare.shape import landmarks_csv, read_landmarks

    if len(source) == 1 and source[0].lower().endswith(".csv"):
        marks = read_landmarks(Path(source[0]))
    else:
        with ExitStack() as stack:
            marks = landmarks_of(gathered(source, inside, stack, export=out is not None))
    found = analyse(marks, group=group, symmetric=symmetry, draws=draws, seed=seed)
    text = analysis_text(found)
    if as_json:
        say(found.to_dict())
    else:
        sys.stdout.write(text)
    if out is not None:
        from ossicle.compare.charts import write_chart

        _write(out, "shape.txt", text)
        _write(out, "shape.json", _json(found.to_dict()))
        _write(out, "landmarks.csv", landmarks_csv(marks))
        _write(out, "procrustes.csv", landmarks_csv(found.coordinates()))
        for chart in analysis_charts(found):
            write_chart(chart, out, [p.value for p in picture])
        print(f"Written: {out}", file=sys.stderr)
