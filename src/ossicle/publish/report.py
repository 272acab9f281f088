"""The report of a specimen: its account as a sheet to hand on, as HTML and as PDF."""

from __future__ import annotations

import base64
import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from ossicle.account.methods import methods, methods_used
from ossicle.account.pictures import strip_pictures
from ossicle.account.prose import CAUTIONS
from ossicle.account.records import REGIONS, Account, Finding
from ossicle.account.words import UNCERTAIN_BELOW, arc_order, name_of, number, percent, sure
from ossicle.compare import Compared, compare_two, sentences
from ossicle.reading.records import Reading

from .pictures import jpeg, shot
from .sheets import Block, Figure, Heading, Items, Para, Table
from .stage import Stage

__all__ = ["report_blocks", "report_title"]

PICTURES = {
    "dentition": 4,
    "replacement": 1,
    "palate": 2,
    "jaw": 1,
    "ear": 2,
    "braincase": 1,
}
"""How many findings of a region are shown with a picture."""
_SIDES = {"stated": "as the source states", "assumed": "assumed right-handed", "mirrored": "mirrored, as told"}
Progress = Callable[[str, float], None]


def report_title(s: Compared) -> str:
    """Return the title of the report of a specimen."""
    return f"Account of {s.name}"


def report_blocks(
    s: Compared,
    stage: Stage | None,
    *,
    reading: Reading | None = None,
    terms: Mapping[str, Any] | None = None,
    beside: Sequence[Compared] = (),
    progress: Progress | None = None,
) -> list[Block]:
    """Return the report as blocks.

    Parameters
    ----------
    stage
        Where the pictures of findings come from; None leaves them out, and the report says so.
    reading
        Where row strips come from.
    terms
        Darwin Core terms of the specimen, as far as they may be shown.
    beside
        Specimens that this one is compared with.
    """
    a = s.account
    out: list[Block] = [Heading(report_title(s), 1)]
    out += [Para(text, strong=True) for text in CAUTIONS[:1]]
    out += _specimen(a, terms or {})
    out += _glance(a)
    out += _dentition(a)
    if reading is not None:
        out += _strips(reading)
    pictured = 0
    for region, heading in REGIONS.items():
        found = [f for f in a.findings if f.region == region]
        if not found or region == "teeth":
            continue
        out.append(Heading(heading))
        out.append(Items(tuple((f.statement, _under(f)) for f in found)))
        shown = _with_views(found, PICTURES.get(region, 0)) if stage is not None else []
        for f in shown:
            if progress is not None:
                progress(f"picture of {f.id}", pictured / max(1, sum(PICTURES.values())))
            assert stage is not None
            out.append(_picture(stage, f))
            pictured += 1
    if stage is None:
        out.append(Para("There are no pictures: the labels of its parts are not at hand.", small=True))
    out += _measurements(a)
    for other in beside:
        out.append(Heading(f"Beside {other.name}"))
        for said in sentences(compare_two(s, other)).values():
            out += [Para(text) for text in said]
    out += _closing(a)
    return out


def _specimen(a: Account, terms: Mapping[str, Any]) -> list[Block]:
    scan = a.scan
    z, y, x = scan.spacing_mm_zyx
    rows = [(str(key), str(value)) for key, value in terms.items() if value not in (None, "")]
    rows += [
        ("source", str(a.made_by.settings.get("source") or (scan.sources[0].name if scan.sources else "not named"))),
        ("slices, rows, columns", " × ".join(map(str, scan.shape_zyx))),
        ("voxel (column, row, slice), mm", f"{x:.5g} × {y:.5g} × {z:.5g}"),
        ("left and right", _SIDES[scan.handedness]),
        ("pose", ("found, " if a.pose.found else "not found, ") + f"{sure(a.pose.confidence)}"),
        ("read by", f"Ossicle {a.made_by.version}"),
    ]  # fmt: skip
    if scan.sources:
        sums = [src.sha256 for src in scan.sources if src.sha256]
        rows.append(("files", f"{len(scan.sources)}" + (f"; SHA-256 of the first {sums[0][:16]}…" if sums else "")))
    return [Heading("Specimen and scan"), Table(("what", "value"), tuple(rows))]


def _glance(a: Account) -> list[Block]:
    out: list[Block] = [Heading("At a glance")]
    if a.formula.text is None:
        return [*out, Para("No tooth stands in place in this scan, so there is no formula.")]
    out.append(Para(a.formula.text, strong=True))
    if a.formula.by_generation:
        out.append(Para(f"With the deciduous teeth apart: {a.formula.by_generation}."))
    hidden = sum(t.emergence == "in_crypt" for t in a.teeth)
    out.append(Para(f"Erupted and erupting teeth, upper over lower; {hidden} more in crypts."))
    if a.formula.stage.name:
        out.append(Para(f"Growth stage: {a.formula.stage.name} ({a.formula.stage.basis})."))
    return out


def _dentition(a: Account) -> list[Block]:
    if not a.teeth:
        return []
    head = (
        "quadrant", "tooth", "generation", "emergence", "beyond margin, %", "length, mm", "width, mm", "crown, mm",
        "volume, mm³", "enamel, mm³", "sure, %",
    )  # fmt: skip
    rows = []
    for t in sorted(a.teeth, key=lambda t: (t.jaw != "upper", t.side != "right", *arc_order(t))):
        values = (t.length_mm, t.width_mm, t.crown_height_mm, t.volume_mm3, t.enamel_volume_mm3)
        rows.append(
            (
                f"{t.side} {t.jaw}",
                name_of(t),
                t.generation,
                t.emergence.replace("_", " "),
                str(round(100 * t.emergence_fraction)),
                *(number(v) if math.isfinite(v) else "–" for v in values),
                str(round(100 * t.confidence)),
            )
        )
    unsure = percent(UNCERTAIN_BELOW)
    note = f"A name with a question mark is uncertain (below {unsure}). Emergence is judged at the alveolar margin."
    return [Heading("Dentition"), Table(head, tuple(rows), frozenset(range(4, 11))), Para(note, small=True)]


def _strips(reading: Reading) -> list[Block]:
    out: list[Block] = []
    for row in reading.rows:
        for picture in strip_pictures(reading, row)[:1]:
            data = base64.b64decode(picture.data_uri.partition(",")[2])
            out.append(Figure(data, "png", picture.alt, picture.alt, _size(data), picture.width_mm))
    return [Heading("Row strips"), *out] if out else []


def _size(data: bytes) -> tuple[int, int]:
    import io

    from PIL import Image

    with Image.open(io.BytesIO(data)) as image:
        return (int(image.width), int(image.height))


def _under(f: Finding) -> str:
    known = methods().get(f.method)
    how = known.title if known is not None else f.method
    return f"{f.standing}; {sure(f.confidence)}, {percent(f.confidence)}; {how}"


def _with_views(found: Sequence[Finding], most: int) -> list[Finding]:
    """The first findings whose views differ."""
    out: list[Finding] = []
    seen: set[Any] = set()
    for f in found:
        view = f.evidence.view
        if view is None:
            continue
        key = (view.look, view.centre_mm, tuple(sorted(view.presence.items())))
        if key not in seen and len(out) < most:
            seen.add(key)
            out.append(f)
    return out


def _picture(stage: Stage, f: Finding) -> Block:
    assert f.evidence.view is not None
    taken = shot(stage, f.evidence.view, 900, 480)
    caption = f.evidence.view.caption or f.statement
    return Figure(jpeg(taken.rgb), "jpeg", caption, caption, (900, 480), 900 * taken.mm_per_px)


def _measurements(a: Account) -> list[Block]:
    rows = []
    for m in a.measurements:
        value, error = m.get("value"), m.get("error")
        said = number(float(value)) if isinstance(value, int | float) else "–"
        rows.append(
            (
                str(m.get("name", "")),
                str(m.get("side") or ""),
                said,
                number(float(error)) if isinstance(error, int | float) else "–",
                str(m.get("unit") or ""),
                str(m.get("definition", "")).replace("_", " "),
            )
        )
    if not rows:
        return []
    head = ("measure", "side", "value", "± error", "unit", "definition")
    return [Heading("Table of measurements"), Table(head, tuple(rows), frozenset((2, 3)))]


def _closing(a: Account) -> list[Block]:
    out: list[Block] = []
    if a.warnings:
        out += [Heading("Warnings"), Items(tuple((w, "") for w in a.warnings))]
    used = methods_used(f.method for f in a.findings).values()
    rows = tuple((m.title, f"{m.text} Source: {m.source}") for m in used)
    out += [Heading("How each finding is made"), Items(rows)]
    out += [Heading("Cautions"), *(Para(text, strong=True) for text in CAUTIONS)]
    settings = ", ".join(f"{k} = {v}" for k, v in a.made_by.settings.items())
    out.append(Para(f"Made by Ossicle {a.made_by.version}; settings: {settings}.", small=True))
    return out
