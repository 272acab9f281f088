"""The commands of decisions: decide, history; and reading and accounts of a specimen in a collection."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ossicle.errors import Cancelled, OssicleError

from .collection import AsJson, Inside, Who, columns, say

if TYPE_CHECKING:
    from ossicle.collection import Collection, DataChange
    from ossicle.scans.loading import Progress

__all__ = ["account_inside", "read_inside", "register"]

KIND_HELP = (
    "agree, amend, dispute (a finding); rename, generation, side, discard, cut (a tooth); join (several); "
    "add, landmark, midplane (points); undo, redo (a decision). Characters are scored with `ossicle score`."
)


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command(
        epilog="Example: ossicle decide juvenile rename --in cabinet --tooth upper-left/dP3 --name dP4 "
        "--why 'last of its row'"
    )(decide)
    app.command(epilog="Example: ossicle history juvenile --in cabinet --since 12")(history)


def decide(
    specimen: Annotated[str, typer.Argument(help="Its catalogue number, or # and its number.", show_default=False)],
    kind: Annotated[str, typer.Argument(help=KIND_HELP, show_default=False)],
    inside: Inside,
    finding: Annotated[
        str | None, typer.Option(help="Id of the finding, as the account has it.", show_default=False)
    ] = None,
    tooth: Annotated[
        list[str] | None,
        typer.Option(help="Which tooth: upper-left/dP3. Give it again to join.", show_default=False),
    ] = None,
    point: Annotated[
        list[str] | None,
        typer.Option(
            help="x,y,z in mm, scan coordinates: in a tooth, or a seed of a cut; give it again for more.",
            show_default=False,
        ),
    ] = None,
    name: Annotated[str | None, typer.Option(help="The tooth's name, or the landmark's.", show_default=False)] = None,
    generation: Annotated[
        str | None, typer.Option(help="deciduous, permanent or unreplaced.", show_default=False)
    ] = None,
    side: Annotated[str | None, typer.Option(help="left or right, of the animal.", show_default=False)] = None,
    value: Annotated[str | None, typer.Option(help="The amended value (JSON, or a text).", show_default=False)] = None,
    statement: Annotated[
        str | None, typer.Option(help="The amended finding as a sentence.", show_default=False)
    ] = None,
    stroke: Annotated[
        list[str] | None, typer.Option(help="A point of a drawn cut; give it again for more.", show_default=False)
    ] = None,
    view: Annotated[
        str | None, typer.Option(help="Direction in which a drawn cut was looked at.", show_default=False)
    ] = None,
    up: Annotated[
        str | None, typer.Option(help="Dorsal, as a direction x,y,z in the scan.", show_default=False)
    ] = None,
    front: Annotated[
        str | None, typer.Option(help="Rostral, as a direction x,y,z in the scan.", show_default=False)
    ] = None,
    decision: Annotated[
        int | None,
        typer.Option(help="Which decision to undo or redo; left out, your own last.", show_default=False),
    ] = None,
    why: Annotated[str, typer.Option(help="The reason, for those who come after.", show_default=False)] = "",
    expect: Annotated[
        int | None,
        typer.Option(
            help="Number of the last decision that you have seen; refused if others decided since.",
            show_default=False,
        ),
    ] = None,
    who: Who = None,
    as_json: AsJson = False,
) -> None:
    """Say what is right, wrong or missing in an account. Kept for good, and replayed on every later reading."""
    from ossicle.collection import Collection, request, words_of

    points = [_vector(p) for p in point or []]
    teeth: list[Any] = list(tooth or [])
    said: dict[str, Any] = {
        "finding": finding,
        "name": name,
        "generation": generation,
        "side": side,
        "value": None if value is None else _value(value),
        "statement": statement,
        "number": decision,
        "stroke": tuple(_vector(p) for p in stroke or []),
        "view": None if view is None else _vector(view),
        "up": None if up is None else _vector(up),
        "front": None if front is None else _vector(front),
    }
    if kind == "join":
        said["at"] = tuple(teeth + points)
    elif kind == "cut":
        said["at"] = teeth[0] if teeth else points[0] if points else None
        said["seeds"] = tuple(points)
    elif kind in ("add", "landmark"):
        said["point"] = points[0] if points else None
    elif kind == "midplane":
        said["points"] = tuple(points)
    elif teeth or points:
        said["at"] = (teeth + points)[0]
    asked = request(kind, **said)
    with Collection.open(inside) as held:
        made = held.decide(specimen, asked, who=who, why=why, expected=expect)
        replayed = held.replayed(specimen) if held.readings(specimen) else None
    fates = {} if replayed is None else {f.number: f for f in replayed.fates}
    fate = fates.get(made.number)
    if as_json:
        say({**asdict(made), "holds": None if fate is None else fate.holds, "note": "" if fate is None else fate.why})
        return
    print(f"Decision {made.number}: {made.who} {words_of(made)}.")
    if fate is not None and fate.holds == "awaits a new reading":
        print(f"It awaits a new reading: ossicle read {specimen!r} --in {inside}")
    elif fate is not None and fate.holds == "no longer fits":
        print(f"It does not fit this reading: {fate.why}.")
    for other in replayed.unfit if replayed is not None else ():
        if other.number != made.number:
            print(f"Decision {other.number} does not fit: {other.why}.", file=sys.stderr)


def _vector(text: str) -> tuple[float, ...]:
    try:
        numbers = tuple(float(piece) for piece in text.split(","))
    except ValueError:
        numbers = ()
    if len(numbers) != 3:
        raise OssicleError(f"{text!r} is no point", where="--point", mend="write x,y,z in mm")
    return numbers


def _value(text: str) -> Any:
    try:
        return json.loads(text)
    except ValueError:
        return text


def history(
    specimen: Annotated[str, typer.Argument(help="Its catalogue number, or # and its number.", show_default=False)],
    inside: Inside,
    since: Annotated[int, typer.Option(min=0, help="Only decisions after this one.")] = 0,
    by: Annotated[str | None, typer.Option(help="Only this person's decisions.", show_default=False)] = None,
    readings: Annotated[
        tuple[int, int] | None,
        typer.Option(help="What changed between two readings, by their numbers.", show_default=False),
    ] = None,
    between: Annotated[
        tuple[str, str] | None,
        typer.Option(help="Two persons' opinions side by side, with kappa.", show_default=False),
    ] = None,
    catalogue_data: Annotated[
        bool, typer.Option("--catalogue-data", help="Who changed the catalogue data, and what they were before.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Show who decided what, when and why, and whether it holds; compare two readings or two persons."""
    from ossicle.collection import Collection, words_of

    with Collection.open(inside) as held:
        if catalogue_data:
            _data_changes(held.changes_of(specimen), as_json)
            return
        if readings is not None:
            _changes(held.changes(specimen, *readings), as_json)
            return
        if between is not None:
            _opinions(held.opinions(specimen, *between), as_json)
            return
        decisions = [d for d in held.decisions(specimen) if d.number > since and by in (None, d.who)]
        fates = {f.number: f for f in held.replayed(specimen).fates} if held.readings(specimen) else {}
    if as_json:
        rows = []
        for d in decisions:
            fate = fates.get(d.number)
            rows.append({**asdict(d), "words": words_of(d), "holds": fate and fate.holds, "note": fate and fate.why})
        say(rows)
        return
    for d in decisions:
        fate = fates.get(d.number)
        holds = (
            "" if fate is None or fate.holds == "in force" else f" [{fate.holds}{': ' + fate.why if fate.why else ''}]"
        )
        reason = f" ({d.why})" if d.why else ""
        print(f"{d.number:4}  {d.at[:16].replace('T', ' ')}  {d.who} {words_of(d)}{reason}{holds}")
    print(f"{len(decisions)} decision{'' if len(decisions) == 1 else 's'}")


def _data_changes(found: Sequence[DataChange], as_json: bool) -> None:
    if as_json:
        say([asdict(c) for c in found])
        return
    for c in found:
        told = "; ".join(f"{name} was {_or_none(old)}, is {_or_none(new)}" for name, (old, new) in c.fields.items())
        print(f"version {c.version:3}  {c.at[:16].replace('T', ' ')}  {c.who}: {told}")
    print(f"{len(found)} change{'' if len(found) == 1 else 's'} of catalogue data")


def _or_none(value: Any) -> str:
    return "nothing" if value in (None, "") else str(value)


def _changes(found: Any, as_json: bool) -> None:
    if as_json:
        say(asdict(found))
        return
    rows = [(c.subject, c.what, str(c.before), str(c.after)) for c in (*found.teeth, *found.findings)]
    columns(("of", "what", "before", "after"), rows)
    print(f"{len(rows)} change{'' if len(rows) == 1 else 's'}")


def _opinions(found: Any, as_json: bool) -> None:
    if as_json:
        say(asdict(found))
        return
    rows = [
        (r.subject, r.what, *("" if v is None else str(v) for v in (r.first, r.second)), "differ" if r.differ else "")
        for r in found.rows
    ]
    columns(("of", "what", found.first, found.second, ""), rows)
    for a in found.agreement:
        share = "" if a.share is None else f", {a.share:.0%} alike"
        unit = f" {a.unit}" if a.unit else ""
        value = "not defined" if a.value is None else f"{a.value:.3f}{unit}"
        print(f"{a.what}: {a.count} judged by both{share}; {a.statistic} {value}")


def read_inside(
    specimen: str,
    inside: Path,
    *,
    dentition: str,
    threads: int,
    memory_mb: float | None,
    scan: str | None,
    out: Path | None = None,
) -> Any:
    """Read a specimen of a collection in a process of its own; return its account. ``out`` takes its folder."""
    from ossicle.account.folder import check_place
    from ossicle.collection import Collection

    from .console import telling

    with Collection.open(inside) as held:
        if out is not None:  # before long work
            held.check_export(specimen)
            check_place(out)
        with telling() as progress:
            info = held.read(
                specimen, dentition=dentition, threads=threads, memory_mb=memory_mb, scan=scan, progress=progress
            )
            _lay_out(held, specimen, progress)
        replayed = held.replayed(specimen)
        if out is not None:
            held.export(specimen, out)
    for fate in replayed.unfit:
        print(f"Decision {fate.number} no longer fits: {fate.why}.", file=sys.stderr)
    for fate in replayed.waiting:
        print(f"Decision {fate.number} awaits a new reading: {fate.why}.", file=sys.stderr)
    print(f"Kept as reading {info.number} of {specimen}.", file=sys.stderr)
    return replayed.account


def _lay_out(held: Collection, specimen: str, progress: Progress) -> None:
    """Make the surfaces that the desk shows. Where that fails or is stopped the reading is kept all the same, and the
    desk makes them when they are asked for."""
    from ossicle.desk.laid_out import lay_out

    with suppress(OSError, ValueError, OssicleError, Cancelled, KeyboardInterrupt):
        progress("surfaces for the desk", 0.99)
        lay_out(held, held.specimen(specimen).id)


def account_inside(specimen: str, inside: Path, leaves: bool) -> Any:
    """Return account and reading of a specimen of a collection; where it ``leaves``, it must be allowed to."""
    from ossicle.collection import Collection

    with Collection.open(inside) as held:
        if leaves:
            held.check_export(specimen)
        replayed = held.replayed(specimen)
    return replayed.account, replayed.reading
