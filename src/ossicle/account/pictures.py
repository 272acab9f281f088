"""Pictures of a reading as PNG: grey projections and row strips, windowed to the scan's own tissues."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass
from typing import cast

import numpy as np
import numpy.typing as npt

from ossicle.reading.records import Reading, Row, ScanStatistics

from .records import Region
from .words import name_of

__all__ = [
    "Letter",
    "Picture",
    "Sheet",
    "bar_words",
    "grey_picture",
    "scale_bar",
    "spread",
    "strip_pictures",
    "structure_pictures",
    "view_sheet",
]

FloatImage = npt.NDArray[np.floating]
_MOST_PIXELS = 900
"""Longest side of a picture in pixels; a larger projection is averaged down."""


MOST_COLOURS = 6


@dataclass(frozen=True)
class Letter:
    """A name at the upper or lower edge of a picture; ``x`` places it, ``at`` is where its tooth lies, mm
    from the left."""

    text: str
    x: float
    at: float
    above: bool
    deep: bool


@dataclass(frozen=True)
class Picture:
    """A grey picture with its size in mm, a scale bar in mm, and names in it."""

    title: str
    alt: str
    data_uri: str
    width_mm: float
    height_mm: float
    bar_mm: float
    letters: tuple[Letter, ...] = ()
    lines: tuple[tuple[str, str], ...] = ()
    """Lines drawn on it: name and points as SVG writes them, mm."""

    @property
    def told(self) -> tuple[str, ...]:
        """Names of the lines, each with a colour of its own in that order; none where there are too many for that."""
        names = tuple(dict.fromkeys(name for name, _ in self.lines))
        return names if len(names) <= MOST_COLOURS else ()


@dataclass(frozen=True)
class Sheet:
    """Pictures side by side at one scale; each with its distance from the left, mm."""

    views: tuple[tuple[float, Picture], ...]
    width_mm: float
    height_mm: float
    bar_mm: float


def bar_words(mm: float) -> str:
    """Return the length of a scale bar, which is round, with its unit: ``5 mm``, ``200 µm``."""
    return f"{mm:g} mm" if mm >= 1 else f"{mm * 1000:g} µm"


def scale_bar(width_mm: float) -> float:
    """Return a round length, 1, 2 or 5 times a power of ten, of at most a quarter of the width."""
    if not width_mm > 0:
        return 1.0
    limit = width_mm / 4
    power = 10.0 ** np.floor(np.log10(limit))
    return float(max(step * power for step in (1.0, 2.0, 5.0) if step * power <= limit * (1 + 1e-9)))


def spread(places: list[float], least: float, low: float, high: float) -> list[float]:
    """Move places apart so that neighbours are ``least`` away from each other, as near to where they were as
    may be.

    Places come in rising order and stay so; all lie between ``low`` and ``high`` where there is room.
    """
    count = len(places)
    if count == 0:
        return []
    least = min(least, (high - low) / max(count - 1, 1))
    # Least squares in order: neighbours that break it are pooled (isotonic regression of place - i * least).
    blocks: list[list[float]] = []
    for i, place in enumerate(places):
        blocks.append([place - i * least, 1.0])
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            value, weight = blocks.pop()
            other, more = blocks.pop()
            blocks.append([(value * weight + other * more) / (weight + more), weight + more])
    moved = [value for value, weight in blocks for _ in range(int(weight))]
    top = high - (count - 1) * least
    return [min(max(value, low), max(top, low)) + i * least for i, value in enumerate(moved)]


def grey_picture(image: FloatImage, low: float, high: float) -> str:
    """Return a grey image as a PNG data address; ``low`` is black, ``high`` is white, not finite is black."""
    from PIL import Image

    span = high - low if high > low else 1.0
    scaled = np.clip(
        (np.nan_to_num(np.asarray(image, np.float32), nan=low, posinf=high, neginf=low) - low) / span, 0, 1
    )
    picture = Image.fromarray(np.round(255 * scaled).astype(np.uint8))
    longest = max(picture.size)
    if longest > _MOST_PIXELS:
        width, height = (max(1, round(n * _MOST_PIXELS / longest)) for n in picture.size)
        picture = picture.resize((width, height), Image.Resampling.BOX)
    out = io.BytesIO()
    picture.save(out, "PNG", optimize=True)
    return "data:image/png;base64," + base64.b64encode(out.getvalue()).decode("ascii")


def window(image: FloatImage, statistics: ScanStatistics) -> tuple[float, float]:
    """Return the greys to show as black and white: air, and the brightest tenth of a per cent (at least
    bone)."""
    finite = image[np.isfinite(image)]
    top = float(np.percentile(finite, 99.9)) if finite.size else statistics.bone
    return statistics.air, max(top, statistics.bone)


def view_sheet(reading: Reading) -> Sheet | None:
    """Return the greatest-grey projections of the head in skull pose, side by side at one scale."""
    step = reading.view_spacing_mm
    images = {name: image for name, image in reading.views.items() if image.ndim == 2 and image.size > 0}
    if not images or not step > 0:
        return None
    views = []
    for name, whole in images.items():
        image = _trimmed(whole, reading.statistics)
        height, width = (n * step for n in image.shape)
        views.append(
            Picture(
                title=name.capitalize(),
                alt=f"Greatest-grey projection of the head, {name} view, {width:.1f} mm by {height:.1f} mm.",
                data_uri=grey_picture(image, *window(image, reading.statistics)),
                width_mm=width,
                height_mm=height,
                bar_mm=0.0,
            )
        )
    gap = 0.04 * max(v.width_mm for v in views)
    places, x = [], 0.0
    for view in views:
        places.append((x, view))
        x += view.width_mm + gap
    return Sheet(tuple(places), x - gap, max(v.height_mm for v in views), scale_bar(x / 2))


def _trimmed(image: FloatImage, statistics: ScanStatistics) -> FloatImage:
    """Cut away what is empty round the head, but for a margin of a twentieth."""
    shown = np.nan_to_num(image, nan=-np.inf) > statistics.air + 0.5 * (statistics.bone - statistics.air)
    if not shown.any():
        return image
    cut = []
    for axis in (1, 0):
        where = np.flatnonzero(shown.any(axis=axis))
        margin = max(2, (where[-1] - where[0]) // 20)
        cut.append(slice(max(0, where[0] - margin), where[-1] + margin + 1))
    return image[cut[0], cut[1]]


def strip_pictures(reading: Reading, row: Row) -> list[Picture]:
    """Return a row's greatest-grey projection and its strip, with its loci named; nothing where it has no
    strip."""
    strip = row.strip
    if strip is None or strip.projection.size == 0:
        return []
    height, width = (n * strip.spacing_mm for n in strip.projection.shape)
    where = f"{row.side} {row.jaw} row"
    letters = _letters(reading, row, width)
    names = ", ".join(letter.text for letter in letters) or "no tooth named"
    pictures = []
    for title, kind, image in (
        ("Greatest grey across the row", "greatest-grey projection", strip.projection),
        ("Row strip", "section along the row", strip.section),
    ):
        pictures.append(
            Picture(
                title=title,
                alt=f"The {where} unrolled, {kind}, midline at the left edge: {names}.",
                data_uri=grey_picture(image, *window(strip.projection, reading.statistics)),
                width_mm=width,
                height_mm=height,
                bar_mm=scale_bar(width),
                letters=letters,
            )
        )
    return pictures


def _letters(reading: Reading, row: Row, width: float) -> tuple[Letter, ...]:
    """Name the teeth of a strip: those in place at the crowns' edge, those in crypts at the roots' edge."""
    strip = row.strip
    assert strip is not None
    found: dict[bool, list[tuple[float, str]]] = {False: [], True: []}
    for tooth in reading.teeth:
        if tooth.jaw != row.jaw or tooth.side != row.side:
            continue
        columns = np.nonzero(strip.parts == tooth.part)[1]
        if columns.size:
            found[tooth.emergence == "in_crypt"].append(
                (float(np.mean(columns) + 0.5) * strip.spacing_mm, name_of(tooth))
            )
    letters = []
    for deep, some in found.items():
        some.sort()
        least = width / 46 * max([2.2, *(0.62 * len(name) + 0.4 for _, name in some)])
        places = spread([x for x, _ in some], least, width / 44, width * 43 / 44)
        above = deep == (row.jaw == "upper")
        letters += [Letter(name, place, x, above, deep) for place, (x, name) in zip(places, some, strict=True)]
    return tuple(letters)


def structure_pictures(reading: Reading) -> dict[Region, list[Picture]]:
    """Return the pictures that show palate, jaw, ear and braincase, with what was measured drawn on them, by region."""
    if reading.structures is None:
        return {}
    out: dict[Region, list[Picture]] = {}
    for key, look in reading.structures.pictures.items():
        height, width = (n * look.step_mm for n in look.image.shape)
        lines = tuple((name, " ".join(f"{x:.3f},{y:.3f}" for x, y in points)) for name, points in look.lines)
        region = cast(Region, key.split()[0])  # keys are a region, and a side where there are two
        out.setdefault(region, []).append(
            Picture(
                title=look.title,
                alt=look.said,
                data_uri=grey_picture(look.image, 0.0, 1.3),
                width_mm=width,
                height_mm=height,
                bar_mm=scale_bar(width),
                lines=lines,
            )
        )
    return out
