"""A chart with its caption and its numbers, written together: SVG, PDF or PNG, CSV, and the caption as text."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterable, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ossicle.scans.cache import cache_folder

# What matplotlib keeps (a list of fonts) goes where this program says that it keeps things, not into the home.
os.environ.setdefault("MPLCONFIGDIR", str(cache_folder() / "fonts"))

import matplotlib
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from ossicle.errors import OssicleError
from ossicle.files import put_bytes

__all__ = ["COLOURS", "FORMATS", "Chart", "figure", "shown_name", "write_chart"]

FORMATS = ("svg", "pdf", "png")
COLOURS = {
    "ink": "#222222",
    "rule": "#b5b5b5",
    "deciduous": "#e69f00",
    "permanent": "#0072b2",
    "third": "#009e73",
    "fourth": "#cc79a7",
    "fifth": "#d55e00",
    "ground": "#f2f2f2",
}
"""After Okabe & Ito 2008, Color Universal Design: told apart by all common kinds of colour vision."""

_STYLE = {
    "font.family": "DejaVu Sans",
    "font.size": 8.5,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": COLOURS["ink"],
    "axes.labelcolor": COLOURS["ink"],
    "text.color": COLOURS["ink"],
    "xtick.color": COLOURS["ink"],
    "ytick.color": COLOURS["ink"],
    "svg.fonttype": "none",
    "svg.hashsalt": "ossicle",
    "pdf.fonttype": 42,
    "savefig.facecolor": "white",
}


@dataclass(frozen=True)
class Chart:
    """A figure, what it shows in words, and the table of its numbers (heads carry units)."""

    name: str
    figure: Figure
    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[Any, ...], ...]

    def csv(self) -> str:
        """The numbers as CSV."""
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(self.head)
        writer.writerows(
            [f"{v:.6g}" if isinstance(v, float) else "" if v is None else v for v in row] for row in self.rows
        )
        return out.getvalue()


@contextmanager
def figure(width_mm: float, height_mm: float) -> Any:
    """Give a figure of a size in mm, in the style of all charts; nothing global is left changed."""
    with matplotlib.rc_context(_STYLE):
        made = Figure(figsize=(width_mm / 25.4, height_mm / 25.4), layout="constrained")
        FigureCanvasAgg(made)
        yield made


def shown_name(name: str, most: int = 24) -> str:
    """Shorten a long name for an axis; the table has it whole."""
    return name if len(name) <= most else f"{name[: most - 1]}…"


def write_chart(chart: Chart, folder: Path, formats: Sequence[str] = ("svg",)) -> list[Path]:
    """Write a chart into a folder: the picture in each format, its numbers as CSV, its caption as text; each whole.

    Raises
    ------
    OssicleError
        A format is not known, or the folder cannot be written to.
    """
    for name in formats:
        if name not in FORMATS:
            raise OssicleError(f"{name!r} is no format of pictures", mend=f"choose from {', '.join(FORMATS)}")
    texts: list[tuple[str, bytes]] = [
        ("csv", chart.csv().encode()),
        ("txt", (chart.caption.strip() + "\n").encode()),
    ]
    with matplotlib.rc_context(_STYLE):
        # laid out once, so that every format and every writing has the same
        chart.figure.draw_without_rendering()
        chart.figure.set_layout_engine("none")
        for name in formats:
            buffer = io.BytesIO()
            facts: dict[str, Any] = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}.get(name, {})
            chart.figure.savefig(buffer, format=name, dpi=200, metadata=facts or None)
            texts.append((name, buffer.getvalue()))
    return list(_written(folder, chart.name, texts))


def _written(folder: Path, name: str, files: Iterable[tuple[str, bytes]]) -> Iterable[Path]:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for ending, data in files:
            out = folder / f"{name}.{ending}"
            put_bytes(out, data)
            yield out
    except OSError as error:
        raise OssicleError(
            f"the chart could not be written ({error.strerror or error})", where=folder, mend="name another with --out"
        ) from error
