"""An account as one HTML page that needs nothing else: no script, no outside file, a strict content
policy."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING

from ossicle.reading.records import Jaw, Reading, Side, ToothRecord

from .methods import methods_used
from .page import content_hash, templates_of
from .pictures import Picture, bar_words, strip_pictures, structure_pictures, view_sheet
from .prose import CAUTIONS
from .records import REGIONS, Account, Finding, Region
from .rowchart import Gap, row_chart
from .words import QUADRANTS, UNCERTAIN_BELOW, arc_order, length, number, percent, row_name, sure, tied

if TYPE_CHECKING:
    from jinja2 import Template

__all__ = ["account_html"]

_STANDING = {"computed": "○", "agreed": "●", "amended": "◐", "disputed": "✕"}
_MOST_RUNS = 12
_STATE = {"in_crypt": "in crypt", "erupting": "erupting", "erupted": "erupted"}


_LAST: tuple[Region, ...] = ("pose", "scan")
_AFTER_DENTITION = (*(r for r in REGIONS if r not in (*_LAST, "dentition", "teeth")), *_LAST)


@dataclass(frozen=True)
class _Quadrant:
    name: str
    key: str
    findings: list[Finding]
    teeth: list[ToothRecord]
    each: list[Finding]
    pictures: list[Picture]


def account_html(account: Account, reading: Reading | None) -> str:
    """Return the page of an account.

    Parameters
    ----------
    account
        What is told.
    reading
        Where the pictures come from, its scan coordinates index times spacing; None gives a page without
        pictures.
    """
    template, css, digest = _template()
    looks = {} if reading is None else structure_pictures(reading)
    regions = [
        (REGIONS[region], [f for f in account.findings if f.region == region], looks.get(region, []))
        for region in _AFTER_DENTITION
    ]
    return template.render(
        css=css,
        css_digest=digest,
        account=account,
        title=str(account.made_by.settings.get("source") or _first_source(account)),
        facts=_facts(account),
        formula=_formula(account),
        chart=None if reading is None else row_chart(reading, account.scan.spacing_mm_zyx, _gaps(account)),
        quadrants=[_quadrant(account, reading, jaw, side) for jaw, side in QUADRANTS],
        overall=[f for f in account.findings if f.region == "dentition" and not _in_quadrant(f)],
        regions=[(heading, found, shown) for heading, found, shown in regions if found],
        views=None if reading is None else view_sheet(reading),
        methods=list(methods_used(f.method for f in account.findings).items()),
        cautions=CAUTIONS,
        uncertain_below=UNCERTAIN_BELOW,
        hidden=sum(t.emergence == "in_crypt" for t in account.teeth),
    )


@lru_cache(maxsize=1)
def _template() -> tuple[Template, str, str]:
    from markupsafe import Markup

    css = files("ossicle.account").joinpath("templates/account.css").read_text(encoding="utf-8")
    digest = content_hash(css)
    environment = templates_of("ossicle.account")
    environment.filters |= {
        "number": number,
        "mm": length,
        "bar": bar_words,
        "percent": percent,
        "sure": sure,
        "tied": tied,
        "standing": _STANDING.__getitem__,
        "state": _STATE.__getitem__,
        "anchor": lambda text: str(text).replace(".", "-").replace("/", "-"),
        "runs": _runs,
    }
    return environment.get_template("account.html.j2"), Markup(css), digest


def _first_source(account: Account) -> str:
    sources = account.scan.sources
    return sources[0].name if sources else "a scan without a name"


def _facts(account: Account) -> list[tuple[str, str]]:
    scan = account.scan
    (slices, rows, columns), (z, y, x) = scan.shape_zyx, scan.spacing_mm_zyx
    cube = max(z, y, x) - min(z, y, x) < 1e-6 * max(z, y, x)
    sources = f"{len(scan.sources)} files" if len(scan.sources) != 1 else scan.sources[0].name
    return [
        ("Slices, rows, columns", f"{slices} × {rows} × {columns}"),
        ("Voxel", length(x) if cube else f"{length(x)} × {length(y)} × {length(z)} (column, row, slice)"),
        ("Extent", f"{number(columns * x)} × {number(rows * y)} × {number(slices * z)} mm"),
        ("Greys", scan.grey_unit),
        (
            "Left and right",
            {
                "stated": "as the source states",
                "assumed": "assumed right-handed",
                "mirrored": "mirrored, as told",
            }[scan.handedness],
        ),
        ("Source", sources),
    ]


def _formula(account: Account) -> list[tuple[str, int, int]]:
    """Return (class letter, upper, lower) for the fractions of the formula."""
    if account.formula.text is None:
        return []
    cells = []
    for word in account.formula.text.split():
        upper, _, lower = word[1:].partition("/")
        cells.append((word[0], int(upper), int(lower)))
    return cells


def _gaps(account: Account) -> dict[tuple[Jaw, Side], list[Gap]]:
    where = {t.part: (t.jaw, t.side) for t in account.teeth}
    gaps: dict[tuple[Jaw, Side], list[Gap]] = {}
    for finding in account.findings:
        if finding.method == "teeth.gaps" and len(finding.evidence.parts) == 2:
            before, after = finding.evidence.parts
            gaps.setdefault(where[before], []).append((before, after, float(finding.value)))
    return gaps


def _in_quadrant(finding: Finding) -> bool:
    return finding.subject in {f"{jaw} {side}" for jaw, side in QUADRANTS}


def _quadrant(account: Account, reading: Reading | None, jaw: Jaw, side: Side) -> _Quadrant:
    place = f"{jaw} {side}"
    rows = [] if reading is None else [r for r in reading.rows if r.jaw == jaw and r.side == side]
    return _Quadrant(
        name=row_name(jaw, side).capitalize(),
        key=f"{jaw}-{side}",
        findings=[f for f in account.findings if f.region == "dentition" and f.subject == place],
        teeth=sorted((t for t in account.teeth if t.jaw == jaw and t.side == side), key=arc_order),
        each=[f for f in account.findings if f.region == "teeth" and f.subject == place],
        pictures=[] if reading is None else [p for row in rows for p in strip_pictures(reading, row)],
    )


def _runs(parts: tuple[int, ...]) -> str:
    """Return part numbers with runs shortened: ``parts 3–6, 9``."""
    runs: list[list[int]] = []
    for part in sorted(parts):
        if runs and part == runs[-1][-1] + 1:
            runs[-1].append(part)
        else:
            runs.append([part])
    if len(runs) > _MOST_RUNS:
        return f"{len(parts)} parts"
    noun = "part" if len(parts) == 1 else "parts"
    return f"{noun} " + ", ".join(f"{r[0]}–{r[-1]}" if len(r) > 2 else ", ".join(map(str, r)) for r in runs)
