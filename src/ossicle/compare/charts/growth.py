"""The chart of a series: emergence against stage for every locus, replacement as paired tracks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from ossicle.reading.records import ToothRecord

from ..counterparts import LocusState
from ..series.ordering import Series
from ..series.placing import Placed
from ..series.progress import Track, track_name, tracks
from .sheet import COLOURS, Chart, figure, shown_name

__all__ = ["series_chart"]

LANE = 0.36
_HEAD = (
    "specimen",
    "place in the series",
    "score (0 to 1)",
    "age",
    "jaw",
    "locus",
    "generation",
    "tooth",
    "emergence",
    "crown beyond the alveolar margin (share)",
    "sides",
)


def series_chart(series: Series, placed: Placed | None = None) -> Chart:
    """Draw a series, upper jaw above lower; each locus has a track, deciduous teeth on its upper lane.

    The height of a bar is the share of the crown beyond the alveolar margin (mean of both sides); a small mark is a
    tooth in its crypt. A line joins a deciduous tooth to its successor's coming through.
    """
    specimens = [e.specimen for e in series.entries]
    found = tracks(specimens)
    upper = [t for t in found if t[0] == "upper"]
    lower = [t for t in found if t[0] == "lower"]
    n = len(specimens)
    rows: list[tuple[object, ...]] = []
    with figure(max(110, 38 + 17 * n), 40 + 6.2 * (len(upper) + len(lower))) as fig:
        heights = [max(len(upper), 1), max(len(lower), 1)]
        axes = fig.subplots(2, 1, sharex=True, height_ratios=heights)
        for ax, mine, title in zip(axes, (upper, lower), ("Upper jaw", "Lower jaw"), strict=True):
            _panel(ax, mine, found, n, title)
        for track in (*upper, *lower):
            rows += _rows(series, track, found[track])
        low = axes[1]
        low.set_xticks(range(n), [_tick(series, i) for i in range(n)], rotation=35, ha="right")
        low.set_xlabel("Specimens by eruption, young to old (score from 0 to 1, ± standard error)")
        if placed is not None:
            _mark(axes, series, placed)
        _legend(fig)
    caption = (
        f"Eruption in {n} specimens ordered by eruption ({series.entries[0].specimen.name} to "
        f"{series.entries[-1].specimen.name}). Each locus has two lanes: deciduous teeth above, the tooth that stays "
        "below. The filled height of a bar is the share of the crown beyond the alveolar margin, mean of both sides; "
        "an open diamond is a tooth in its crypt. The score is the mean progress of all loci. Judged at the bone, not "
        "at the gum."
    )
    if placed is not None:
        caption += f" The shaded band is where {placed.specimen.name} belongs (95 % interval)."
    return Chart("series", fig, caption, _HEAD, tuple(rows))


def _tick(series: Series, i: int) -> str:
    e = series.entries[i]
    age = "" if e.age is None else f"\nage {e.age:.3g}"
    return f"{shown_name(e.specimen.name, 18)}\n{e.score:.2f} ± {e.error:.2f}{age}"


def _lanes(states: Sequence[LocusState]) -> tuple[list[ToothRecord], list[ToothRecord]]:
    first = [s.deciduous for s in states if s.deciduous is not None]
    second = [s.adult for s in states if s.adult is not None]
    return first, second


def _panel(
    ax: Axes, mine: Sequence[Track], found: dict[Track, tuple[tuple[LocusState, ...], ...]], n: int, title: str
) -> None:
    ax.set_title(title, loc="left", fontsize=9, fontweight="bold")
    for row, track in enumerate(mine):
        y = float(row)
        ax.axhspan(y - 0.5, y + 0.5, color=COLOURS["ground"] if row % 2 else "white", lw=0, zorder=0)
        last_first: int | None = None
        first_second: int | None = None
        for i, states in enumerate(found[track]):
            milk, stays = _lanes(states)
            if milk:
                _tooth(ax, i, y - 0.06, milk, COLOURS["deciduous"])
                if any(t.emergence != "in_crypt" for t in milk):
                    last_first = i
            if stays:
                _tooth(ax, i, y + 0.42, stays, COLOURS["permanent"])
                if first_second is None and any(t.emergence != "in_crypt" for t in stays):
                    first_second = i
        if last_first is not None and first_second is not None and first_second >= last_first:
            ax.plot(
                [last_first + 0.3, first_second - 0.3 if first_second > last_first else last_first + 0.3],
                [y - 0.22, y + 0.26],
                color=COLOURS["ink"],
                lw=0.7,
                zorder=2,
            )
    ax.set_yticks(range(len(mine)), [track_name(t) for t in mine])
    ax.set_ylim(len(mine) - 0.5, -0.5)
    ax.set_xlim(-0.6, n - 0.4)
    ax.tick_params(length=0)
    for side in ("left", "bottom"):
        ax.spines[side].set_visible(False)


def _tooth(ax: Axes, i: int, foot: float, teeth: Sequence[ToothRecord], colour: str) -> None:
    """One bar: outline of a whole lane, filled as far as the crown has emerged; y runs downwards."""
    if all(t.emergence == "in_crypt" for t in teeth):
        ax.plot([i], [foot - LANE / 2], marker="D", ms=3.2, mfc="white", mec=colour, mew=0.9, ls="", zorder=3)
        return
    share = float(np.mean([1.0 if t.emergence == "erupted" else t.emergence_fraction for t in teeth]))
    ax.add_patch(Rectangle((i - 0.28, foot - LANE), 0.56, LANE, fill=False, ec=colour, lw=0.7, zorder=3))
    ax.add_patch(Rectangle((i - 0.28, foot - LANE * share), 0.56, LANE * share, fc=colour, lw=0, zorder=3))


def _rows(series: Series, track: Track, by: tuple[tuple[LocusState, ...], ...]) -> list[tuple[object, ...]]:
    out: list[tuple[object, ...]] = []
    for i, states in enumerate(by):
        e = series.entries[i]
        for teeth in _lanes(states):
            for t in teeth:
                out.append(
                    (
                        e.specimen.name,
                        i + 1,
                        e.score,
                        e.age,
                        track[0],
                        track_name(track),
                        t.generation,
                        t.name,
                        t.emergence,
                        float(t.emergence_fraction),
                        t.side,
                    )
                )
    return out


def _mark(axes: Sequence[Axes], series: Series, placed: Placed) -> None:
    scores = np.array([e.score for e in series.entries])
    at = np.arange(len(scores), dtype=float)
    steady = np.maximum.accumulate(scores + 1e-9 * at)
    low, high = np.interp(placed.interval, steady, at, left=-0.5, right=len(scores) - 0.5)
    best = float(np.interp(placed.score, steady, at))
    for ax in axes:
        ax.axvspan(low - 0.05, high + 0.05, color=COLOURS["fourth"], alpha=0.18, lw=0, zorder=1)
        ax.axvline(best, color=COLOURS["fourth"], lw=1.2, zorder=1)
    axes[0].annotate(
        shown_name(placed.specimen.name),
        (best, 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(3, 3),
        textcoords="offset points",
        color=COLOURS["fourth"],
    )


def _legend(fig: object) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles = [
        Patch(fc=COLOURS["deciduous"], label="deciduous"),
        Patch(fc=COLOURS["permanent"], label="permanent, or never replaced"),
        Line2D([], [], marker="D", ls="", mfc="white", mec=COLOURS["ink"], ms=4, label="in its crypt"),
        Line2D([], [], color=COLOURS["ink"], lw=0.8, label="replaced by"),
    ]
    fig.legend(handles=handles, loc="outside lower center", ncols=4, frameon=False)  # type: ignore[attr-defined]
