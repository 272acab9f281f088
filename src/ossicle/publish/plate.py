"""Plates: panels drawn at one common scale, with letters, labels, orientation and a scale bar, as PNG, SVG and PDF.

The drawing is laid out in pixels of the plate's resolution. The scale is rounded down so that the scale bar is a whole
number of pixels long; letters, leaders and bar are vectors in SVG and PDF. The same input gives the same bytes.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ossicle.account.pictures import bar_words, scale_bar, spread
from ossicle.account.records import View
from ossicle.compare import Compared
from ossicle.compare.charts.sheet import FORMATS, figure
from ossicle.errors import OssicleError

from .drawing import Camera, Picture, draw
from .leaders import slots_for
from .naming import parts_named, short_names
from .plate_text import PanelText, PlateText, view_of
from .stage import Stage, stage_of, way_on_page

__all__ = ["FORMATS", "Laid", "LaidPanel", "lay_out", "plate_files"]

POINT_MM = 25.4 / 72
_LETTER, _TEXT, _SMALL = 10.0, 7.0, 6.0
"""Sizes of letters in points: panel letters, labels, captions."""
_GAP_MM = 3.0
_HEAD_MM = 4.2
_FOOT_MM = 7.5
_LINE_MM = 3.1
Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Label:
    """A label: its words, where its leader ends in the part and where it begins at the words; pixels of the plate,
    from the upper left corner. ``left`` where the words stand left of the picture."""

    text: str
    at: tuple[float, float]
    begin: tuple[float, float]
    left: bool


@dataclass(frozen=True)
class LaidPanel:
    """A panel in its place: ``x``, ``y`` pixels of its picture's upper left corner; its letter stands at ``edge``,
    ``head``, its caption below ``foot``; ``bar_px`` only where the panel has a scale of its own."""

    letter: str
    caption: str
    x: int
    y: int
    picture: Picture
    camera: Camera
    labels: tuple[Label, ...]
    ways: tuple[tuple[str, float], tuple[str, float]]
    px_per_mm: float
    bar_mm: float
    bar_px: int | None
    edge: float
    head: float
    foot: float


@dataclass(frozen=True)
class Laid:
    """A plate laid out: sizes in pixels, common scale, and what a person should know of it."""

    panels: tuple[LaidPanel, ...]
    width: int
    height: int
    dpi: int
    px_per_mm: float
    bar_mm: float
    bar_px: int
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class _Seen:
    """A panel before it has its scale: its bounds on the page in specimen mm."""

    text: PanelText
    stage: Stage
    view: View
    low: tuple[float, float]
    high: tuple[float, float]
    parts: list[int]
    margin_mm: float

    @property
    def size(self) -> tuple[float, float]:
        return (
            (self.high[0] - self.low[0]) * self.text.magnify,
            (self.high[1] - self.low[1]) * self.text.magnify,
        )


def lay_out(
    plate: PlateText, specimens: Mapping[str, Compared], progress: Progress | None = None, budget: int = 400_000
) -> Laid:
    """Draw the panels of a plate and lay them out.

    Parameters
    ----------
    specimens
        By the name that panels call them; the first is taken where a panel names none.
    budget
        Triangles of the surfaces of a specimen, about.

    Raises
    ------
    OssicleError
        A panel asks for what its specimen does not have, or there is no room.
    """
    stages: dict[str, Stage] = {}
    seen: list[_Seen] = []
    for number, panel in enumerate(plate.panels, start=1):
        name = panel.specimen or next(iter(specimens))
        if name not in specimens:
            raise OssicleError(
                f"there is no specimen {name!r}", where=f"panel {number}", mend=f"choose from {', '.join(specimens)}"
            )
        if name not in stages:
            if progress is not None:
                progress(f"surfaces of {name}", 0.0)
            stages[name] = stage_of(specimens[name], budget)
        seen.append(_seen(panel, stages[name], f"panel {number}"))
    rows = [seen[i : i + plate.columns] for i in range(0, len(seen), plate.columns)]
    scale = _scale(plate, rows)
    bar = plate.bar_mm or scale_bar(max(s.size[0] for s in seen) * 1.2)
    dot = plate.dpi / 25.4
    bar_px = int(bar * scale * dot)
    if bar_px < 8:
        raise OssicleError(
            "the scale bar would be a speck", where="plate", mend="give a longer bar_mm or fewer columns"
        )
    px_per_mm = bar_px / bar
    laid, remarks = [], []
    y = 0.0
    number = 0
    for row in rows:
        height = max(s.size[1] for s in row) * px_per_mm
        height = max(height, max(len(s.parts) / 2 for s in row) * _LINE_MM * dot)
        widths = [s.size[0] * px_per_mm + 2 * s.margin_mm * dot for s in row]
        free = plate.width_mm * dot - sum(widths)
        x = 0.0
        for s, wide in zip(row, widths, strict=True):
            if progress is not None:
                progress(f"panel {number + 1}", number / len(seen))
            made, said = _panel(s, plate, number, x, y + _HEAD_MM * dot, wide, height, px_per_mm, bar, dot)
            laid.append(made)
            remarks += said
            x += wide + free / max(len(row) - 1, 1)
            number += 1
        y += height + (_HEAD_MM + _FOOT_MM + _GAP_MM) * dot
    return Laid(
        tuple(laid),
        round(plate.width_mm * dot),
        round(y + 3.2 * dot),
        plate.dpi,
        px_per_mm,
        bar,
        bar_px,
        tuple(dict.fromkeys(remarks)),
    )


def _seen(panel: PanelText, stage: Stage, where: str) -> _Seen:
    s = stage.specimen
    view = view_of(panel, s, where)
    bounds = stage.bounds(view)
    low, high = (bounds[0], bounds[1]), (bounds[3], bounds[4])
    if view.centre_mm is not None and view.extent_mm is not None:
        frame = (view.extent_mm, view.extent_mm) if panel.scene is None else panel.scene.eye.frame_mm
        axes = Camera(view.look, view.up, (0.0, 0.0, 0.0), 1.0, 1, 1).axes
        middle = axes[:2] @ np.asarray(view.centre_mm)
        wide, tall = frame[0] / 2, frame[1] / 2
        low = (max(low[0], float(middle[0]) - wide), max(low[1], float(middle[1]) - tall))
        high = (min(high[0], float(middle[0]) + wide), min(high[1], float(middle[1]) + tall))
    parts = parts_named(s.account, panel.label, f"{where}: {s.name}") if panel.label else []
    looks = stage.looks(view)
    parts = [p for p in parts if looks.get(p) == "solid"]
    names = short_names(s.account)
    margin = 0.0
    if parts:
        margin = max(len(names[p]) for p in parts) * 0.6 * _TEXT * POINT_MM + 5.0
    return _Seen(panel, stage, view, low, high, parts, margin)


def _scale(plate: PlateText, rows: Sequence[Sequence[_Seen]]) -> float:
    """Return page mm per specimen mm at which all rows fit the width, and all together the height."""
    best = np.inf
    for row in rows:
        room = plate.width_mm - sum(2 * s.margin_mm for s in row) - _GAP_MM * (len(row) - 1)
        best = min(best, room / sum(s.size[0] for s in row))
    tall = plate.height_mm - len(rows) * (_HEAD_MM + _FOOT_MM + _GAP_MM) - 3.2
    best = min(best, tall / sum(max(s.size[1] for s in row) for row in rows))
    if best <= 0:
        raise OssicleError("there is no room for the panels", where="plate", mend="use fewer columns or labels")
    return float(best)


def _panel(
    s: _Seen, plate: PlateText, number: int, x: float, y: float, wide: float, tall: float, px_per_mm: float, bar: float,
    dot: float,
) -> tuple[LaidPanel, list[str]]:  # fmt: skip
    own = px_per_mm * s.text.magnify
    mm = 1 / own
    width, height = (max(8, int(np.ceil((b - a) * own)) + 2) for a, b in zip(s.low, s.high, strict=True))
    axes = Camera(s.view.look, s.view.up, (0.0, 0.0, 0.0), 1.0, 1, 1).axes
    middle = (np.add(s.low, s.high) / 2) @ axes[:2]
    camera = Camera(s.view.look, s.view.up, (float(middle[0]), float(middle[1]), float(middle[2])), mm, width, height)
    thick = max(1.0, 0.09 * dot)
    picture = draw(s.stage.pieces(s.view, plate.colours), camera, line_px=thick)
    left = round(x + (wide - width) / 2)
    top = round(y + (tall - height) / 2)
    labels, hidden = _labels(s, picture, left, top, y, tall, dot)
    names = short_names(s.stage.specimen.account)
    remarks = [f"panel {number + 1}: {names[p]} cannot be seen in this view and has no label." for p in hidden]
    bar_px = None
    bar_mm = bar
    if s.text.magnify != 1:
        bar_mm = scale_bar((s.high[0] - s.low[0]) * 1.2)
        bar_px = round(bar_mm * own)
    caption = s.view.caption if plate.captions else ""
    return (
        LaidPanel(
            _letter(plate.letters, number), caption, left, top, picture, camera, tuple(labels), way_on_page(s.view),
            own, bar_mm, bar_px, x, y, y + tall,
        ),
        remarks,
    )  # fmt: skip


def _letter(kind: str, number: int) -> str:
    if kind == "none":
        return ""
    first = ord(kind)
    return chr(first + number) if number < 26 else chr(first + number // 26 - 1) + chr(first + number % 26)


def _labels(
    s: _Seen, picture: Picture, left: int, top: int, y: float, tall: float, dot: float
) -> tuple[list[Label], list[int]]:
    names = short_names(s.stage.specimen.account)
    pieces = s.stage.pieces(s.view)
    fronts = np.array([p.part for p in pieces] + [-1])[picture.front]
    places: list[tuple[float, float]] = []
    shown: list[int] = []
    hidden: list[int] = []
    for part in s.parts:
        place = _inmost(fronts == part)
        if place is None:
            hidden.append(part)
        else:
            shown.append(part)
            places.append((place[0] + left, place[1] + top))
    if not shown:
        return [], hidden
    at = np.array(places)
    width = picture.front.shape[1]
    # As many slots at a side as there are places nearer to it, each as near as may be to the height of its place.
    slots: list[tuple[float, float]] = []
    sides: list[bool] = []
    order = np.argsort(at[:, 0], kind="stable")
    half = (len(order) + 1) // 2
    for is_left, mine in ((True, order[:half]), (False, order[half:])):
        heights = sorted(float(v) for v in at[mine, 1])
        for height_px in spread(heights, _LINE_MM * dot, y + 1.2 * dot, y + tall - 1.2 * dot):
            slots.append((left - 2.2 * dot if is_left else left + width + 2.2 * dot, height_px))
            sides.append(is_left)
    chosen = slots_for(at, np.array(slots))
    return [Label(names[p], places[k], slots[chosen[k]], sides[chosen[k]]) for k, p in enumerate(shown)], hidden


def _inmost(mask: npt.NDArray[np.bool_]) -> tuple[float, float] | None:
    """Return the place (column, row) of a mask that lies farthest from its edge; None where it is hardly seen."""
    import edt

    if np.count_nonzero(mask) < 12:
        return None
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    cut = mask[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    deep = edt.edt(np.ascontiguousarray(cut), black_border=True)
    row, column = np.unravel_index(int(np.argmax(deep)), deep.shape)
    return float(column + columns[0]), float(row + rows[0])


def plate_files(laid: Laid, formats: Sequence[str]) -> dict[str, bytes]:
    """Return a plate in each format (``png``, ``svg``, ``pdf``)."""
    for name in formats:
        if name not in FORMATS:
            raise OssicleError(f"{name!r} is no format of plates", mend=f"choose from {', '.join(FORMATS)}")
    out = {}
    with figure(laid.width / laid.dpi * 25.4, laid.height / laid.dpi * 25.4) as sheet:
        sheet.set_layout_engine("none")
        sheet.set_dpi(laid.dpi)
        axes = sheet.add_axes((0, 0, 1, 1))
        axes.set_axis_off()
        axes.set_xlim(0, laid.width)
        axes.set_ylim(laid.height, 0)
        for panel in laid.panels:
            _draw_panel(axes, panel, laid)
        last = max(p.foot for p in laid.panels)
        dot = laid.dpi / 25.4
        _bar(axes, round(0.5 * dot), round(last + (_FOOT_MM + 3.4) * dot), laid.bar_px, bar_words(laid.bar_mm), dot)
        for name in formats:
            buffer = io.BytesIO()
            facts: dict[str, Any] = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}.get(name, {})
            sheet.savefig(buffer, format=name, dpi=laid.dpi, metadata=facts or None)
            out[name] = buffer.getvalue()
    return out


def _draw_panel(axes: Any, p: LaidPanel, laid: Laid) -> None:
    dot = laid.dpi / 25.4
    h, w = p.picture.rgb.shape[:2]
    axes.imshow(p.picture.rgb, extent=(p.x, p.x + w, p.y + h, p.y), interpolation="none", aspect="auto", zorder=1)
    if p.letter:
        axes.text(
            p.edge + 0.3 * dot, p.head - 0.8 * dot, p.letter, fontsize=_LETTER, weight="bold", ha="left", va="bottom",
        )  # fmt: skip
    for label in p.labels:
        axes.plot([label.at[0], label.begin[0]], [label.at[1], label.begin[1]], color="white", lw=1.3, zorder=2)
        axes.plot([label.at[0], label.begin[0]], [label.at[1], label.begin[1]], color="#111111", lw=0.5, zorder=3)
        axes.plot([label.at[0]], [label.at[1]], marker="o", ms=1.5, color="#111111", mec="white", mew=0.4, zorder=4)
        axes.text(
            label.begin[0] + (-0.5 if label.left else 0.5) * dot, label.begin[1], label.text, fontsize=_TEXT,
            ha="right" if label.left else "left", va="center",
        )  # fmt: skip
    foot = p.foot + 1.3 * dot
    _marks(axes, p, foot, dot)
    if p.caption:
        room = w - 17 * dot - (0 if p.bar_px is None else p.bar_px + 2 * dot)
        axes.text(p.x + 17 * dot, foot + 2.6 * dot, _fitted(p.caption, room, dot), fontsize=_SMALL, va="center")
    if p.bar_px is not None:
        _bar(axes, p.x + w - p.bar_px, round(foot + 5.0 * dot), p.bar_px, bar_words(p.bar_mm), dot, above=True)


def _fitted(words: str, width: float, dot: float) -> str:
    most = max(8, int(width / (0.53 * _SMALL * POINT_MM * dot)))
    return words if len(words) <= most else words[: most - 1].rstrip(" ,.") + "…"


def _marks(axes: Any, p: LaidPanel, foot: float, dot: float) -> None:
    """Two short arms that say what lies to the right and upwards; tilted views say so by shorter arms."""
    (right, cos_right), (up, cos_up) = p.ways
    x, y, arm = p.x + 0.6 * dot, foot + 4.6 * dot, 3.0 * dot
    axes.plot([x, x + arm * cos_right], [y, y], color="#222222", lw=0.7, solid_capstyle="butt")
    axes.plot([x, x], [y, y - arm * cos_up], color="#222222", lw=0.7, solid_capstyle="butt")
    axes.text(x + arm * cos_right + 0.5 * dot, y, right, fontsize=5, va="center", ha="left")
    axes.text(x + 0.5 * dot, y - arm * cos_up, up, fontsize=5, va="center", ha="left")


def _bar(axes: Any, x: int, y: int, length: int, words: str, dot: float, *, above: bool = False) -> None:
    """A bar of a whole number of pixels, its ends on the edges of pixels."""
    from matplotlib.patches import Rectangle

    thick = max(2, round(0.45 * dot))
    axes.add_patch(Rectangle((x, y), length, thick, facecolor="black", edgecolor="none", antialiased=False, zorder=5))
    if above:
        axes.text(x + length / 2, y - 0.5 * dot, words, fontsize=_SMALL, ha="center", va="bottom")
    else:
        axes.text(x + length + 0.9 * dot, y + thick / 2, words, fontsize=_SMALL, ha="left", va="center")
