"""The four tooth rows as drawn outlines: each tooth's own silhouette, unrolled along its row, at true size.

The page is laid out as one faces the animal: its right side on the left. Upper rows stand above, crowns
down; lower rows below, crowns up. The alveolar margin is drawn where each tooth's emergence says that it
runs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ossicle.reading.records import Emergence, Generation, Jaw, Reading, Side

from .pictures import scale_bar, spread
from .silhouettes import Silhouette, silhouettes
from .words import JAWS, length, name_of, percent

__all__ = ["Chart", "ChartRow", "ChartTooth", "row_chart"]

Gap = tuple[int, int, float]
_SIDES: tuple[Side, Side] = ("right", "left")
_STATE = {"in_crypt": "in its crypt", "erupting": "erupting", "erupted": "erupted"}


@dataclass(frozen=True)
class ChartTooth:
    """One outline, in mm on the page; ``label_x``, ``label_y`` place its name."""

    name: str
    part: int
    path: str
    generation: Generation
    emergence: Emergence
    said: str
    x: float
    y: float
    label_x: float
    label_y: float


@dataclass(frozen=True)
class ChartRow:
    """One quadrant; ``margin`` is the alveolar margin as SVG points, empty where it is not known."""

    jaw: Jaw
    side: Side
    teeth: tuple[ChartTooth, ...]
    margin: str
    gaps: tuple[tuple[float, float, float, str], ...]
    """x1, x2, y in mm and the words, for each gap between crowns in place."""


@dataclass(frozen=True)
class Chart:
    """All rows; sizes in mm. ``letter`` is the height of a name."""

    width: float
    height: float
    middle: float
    letter: float
    bar_mm: float
    rows: tuple[ChartRow, ...]


def row_chart(
    reading: Reading,
    spacing_mm_zyx: tuple[float, float, float],
    gaps: Mapping[tuple[Jaw, Side], Sequence[Gap]],
) -> Chart | None:
    """Draw the rows of a reading; None where there is no tooth, or no skull pose to draw them in.

    ``gaps`` are (part before, part after, mm) by quadrant. Scan coordinates of the reading are index times
    spacing.
    """
    found = silhouettes(reading, spacing_mm_zyx)
    shapes = {
        (jaw, side): [s for s in found if s.tooth.jaw == jaw and s.tooth.side == side]
        for jaw in JAWS
        for side in _SIDES
    }
    everything = [s for some in shapes.values() for s in some]
    if not everything:
        return None
    reach = max(float(np.max(p[:, 0])) for s in everything for p in s.polygons)
    letter = max(reach / 34, 0.02)
    middle = reach + 2 * letter
    spans = {}
    top = letter
    for jaw in JAWS:
        some = shapes[jaw, "left"] + shapes[jaw, "right"]
        if not some:
            spans[jaw] = (top, top)
            continue
        low, high = min(s.low for s in some), max(s.high for s in some)
        spans[jaw] = (top + 1.8 * letter, top + 1.8 * letter + high - low)
        top = spans[jaw][1] + 3.2 * letter
    rows = []
    for (jaw, side), some in shapes.items():
        if some:
            both = shapes[jaw, "left"] + shapes[jaw, "right"]
            low, high = min(s.low for s in both), max(s.high for s in both)
            place = _Place(jaw, side, middle, spans[jaw][0], low, high)
            rows.append(_row(jaw, side, some, place, gaps.get((jaw, side), []), letter, 2 * middle))
    return Chart(
        width=2 * middle,
        height=top,
        middle=middle,
        letter=letter,
        bar_mm=scale_bar(reach),
        rows=tuple(rows),
    )


@dataclass(frozen=True)
class _Place:
    """From (along, towards the crown) in mm to the page in mm."""

    jaw: Jaw
    side: Side
    middle: float
    top: float
    low: float
    high: float

    def x(self, along: float) -> float:
        return self.middle + (along if self.side == "left" else -along)

    def y(self, out: float) -> float:
        return self.top + (out - self.low if self.jaw == "upper" else self.high - out)


def _row(
    jaw: Jaw,
    side: Side,
    shapes: list[Silhouette],
    place: _Place,
    gaps: Sequence[Gap],
    letter: float,
    width: float,
) -> ChartRow:
    labels = _label_places(shapes, place, letter, width)
    teeth = []
    for s in sorted(shapes, key=lambda s: s.tooth.emergence != "in_crypt"):
        t = s.tooth
        path = " ".join(
            "M" + "L".join(f"{place.x(a):.2f},{place.y(b):.2f}" for a, b in polygon) + "Z" for polygon in s.polygons
        )
        label_x, label_y = labels[t.part]
        teeth.append(
            ChartTooth(
                name=name_of(t),
                part=t.part,
                path=path,
                generation=t.generation,
                emergence=t.emergence,
                said=f"{t.side} {t.jaw} {t.name}, {t.generation}, {_STATE[t.emergence]}, "
                f"{percent(t.emergence_fraction)} of the crown beyond the alveolar margin",
                x=place.x(s.along),
                y=place.y((s.low + s.high) / 2),
                label_x=label_x,
                label_y=label_y,
            )
        )
    known = sorted((s.along, s.margin) for s in shapes if s.margin is not None)
    margin = ""
    if len(known) > 1:
        known = [
            (known[0][0] - 1.5 * letter, known[0][1]),
            *known,
            (known[-1][0] + 1.5 * letter, known[-1][1]),
        ]
        margin = " ".join(f"{place.x(max(a, 0)):.2f},{place.y(b):.2f}" for a, b in known)
    by_part = {s.tooth.part: s for s in shapes}
    drawn = []
    for before, after, mm in gaps:
        one, two = by_part.get(before), by_part.get(after)
        if one is None or two is None:
            continue
        edges = (
            max(float(p[:, 0].max()) for p in one.polygons),
            min(float(p[:, 0].min()) for p in two.polygons),
        )
        level = place.y(np.mean([v for v in (one.margin, two.margin) if v is not None] or [one.high]).item())
        if edges[1] > edges[0]:
            drawn.append((place.x(edges[0]), place.x(edges[1]), level, length(mm)))
    return ChartRow(jaw, side, tuple(teeth), margin, tuple(drawn))


def _label_places(
    shapes: list[Silhouette], place: _Place, letter: float, width: float
) -> dict[int, tuple[float, float]]:
    """Names of teeth in place stand beyond the crowns, those in crypts beyond the roots."""
    places: dict[int, tuple[float, float]] = {}
    for deep in (False, True):
        some = sorted((s for s in shapes if (s.tooth.emergence == "in_crypt") == deep), key=lambda s: place.x(s.along))
        low, high = (0.6 * letter, place.middle - 0.9 * letter)
        if place.side == "left":
            low, high = place.middle + 0.9 * letter, width - 0.6 * letter
        least = letter * max([2.0, *(0.62 * len(name_of(s.tooth)) + 0.4 for s in some)])
        for s, x in zip(some, spread([place.x(s.along) for s in some], least, low, high), strict=True):
            out = place.y(place.low if deep else place.high)
            away = -1.0 if (place.jaw == "upper") == deep else 1.0
            places[s.tooth.part] = (x, out + away * (0.7 if away < 0 else 1.4) * letter)
    return places
