"""The pictures of a film: a scene with its words, marks and scale bar, in pixels."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from ossicle.account.pictures import bar_words, scale_bar, spread

from .drawing import Camera, Piece, draw, project
from .frames import Frame
from .naming import short_names
from .stage import Stage
from .standing import camera_for, pieces_apart

__all__ = ["film_picture"]

_INK, _PAPER, _MARK = (28, 30, 34), (255, 255, 255), (200, 65, 11)


def film_picture(frame: Frame, stages: Mapping[str, Stage], width: int, height: int) -> npt.NDArray[np.uint8]:
    """Return a frame drawn, (height, width, 3) of 0 to 255."""
    camera = camera_for(frame.scene.eye, width, height)
    apart = pieces_apart(frame.scene, stages)
    pieces = [p for own in apart for p in own]
    clip = frame.scene.clip
    rgb = draw(pieces, camera, clip=clip, line_px=1).rgb
    if not (frame.title or frame.caption or frame.pointer or frame.bar or frame.scene.named):
        return rgb
    from PIL import Image, ImageDraw

    image = Image.fromarray(rgb)
    pen = ImageDraw.Draw(image)
    unit = height / 720
    _names(pen, frame, stages, camera, apart, unit)
    if frame.pointer is not None:
        _pointer(pen, camera, frame.pointer, unit)
    if frame.bar:
        _bar(pen, camera, unit)
    if frame.title:
        pen.text((24 * unit, 18 * unit), frame.title, fill=_INK, font=_font(34 * unit))
    if frame.caption:
        _caption(pen, frame.caption, width, height, unit)
    return np.asarray(image)


@lru_cache(maxsize=16)
def _font(px: float, bold: bool = False) -> Any:
    from matplotlib import font_manager
    from PIL import ImageFont

    found = font_manager.findfont(
        font_manager.FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal")
    )
    return ImageFont.truetype(found, max(6, round(px)))


def _names(
    pen: Any, frame: Frame, stages: Mapping[str, Stage], camera: Camera, apart: list[list[Piece]], unit: float
) -> None:
    """Names at both sides, in the order of their parts' heights, each with its leader."""
    if not frame.scene.named:
        return
    middles = {
        (s.specimen, p.part): p.vertices.mean(axis=0)
        for s, own in zip(frame.scene.shown, apart, strict=True)
        for p in own
        if p.nearer_mm == 0
    }
    found = []
    for name, part in frame.scene.named:
        if (name, part) not in middles:
            continue
        x, y, _ = project(camera, middles[name, part])[0]
        if 0 <= x < camera.width and 0 <= y < camera.height:
            found.append((float(x), float(y), short_names(stages[name].specimen.account)[part]))
    font = _font(18 * unit, bold=True)
    for left in (True, False):
        some = sorted((f for f in found if (f[0] < camera.width / 2) == left), key=lambda f: f[1])
        heights = spread([f[1] for f in some], 26 * unit, 80 * unit, camera.height - 110 * unit)
        for (x, y, text), at in zip(some, heights, strict=True):
            wide = pen.textlength(text, font=font)
            end = 24 * unit + wide if left else camera.width - 24 * unit - wide
            pen.line([(x, y), (end + (8 if left else -8) * unit, at)], fill=_PAPER, width=round(4 * unit))
            pen.line([(x, y), (end + (8 if left else -8) * unit, at)], fill=_INK, width=max(1, round(unit)))
            pen.ellipse([x - 3 * unit, y - 3 * unit, x + 3 * unit, y + 3 * unit], fill=_INK, outline=_PAPER)
            place = (end - wide if left else end, at)
            pen.text(place, text, fill=_INK, font=font, anchor="lm", stroke_width=round(2 * unit), stroke_fill=_PAPER)


def _pointer(pen: Any, camera: Camera, at: tuple[float, float], unit: float) -> None:
    x = (camera.width - 1) / 2 + at[0] / camera.mm_per_px
    y = (camera.height - 1) / 2 - at[1] / camera.mm_per_px
    for reach, ink, wide in ((17, _PAPER, 7), (16, _MARK, 4)):
        r = reach * unit
        pen.ellipse([x - r, y - r, x + r, y + r], outline=ink, width=max(1, round(wide * unit)))


def _bar(pen: Any, camera: Camera, unit: float) -> None:
    mm = scale_bar(camera.width * camera.mm_per_px * 0.6)
    px = round(mm / camera.mm_per_px)
    x, y = round(24 * unit), camera.height - round(24 * unit)
    pen.rectangle([x, y - round(5 * unit), x + px - 1, y], fill=_INK)
    font = _font(17 * unit)
    text = bar_words(mm)
    pen.text(
        (x, y - 12 * unit), text, fill=_INK, font=font, anchor="ls", stroke_width=round(2 * unit), stroke_fill=_PAPER
    )


def _caption(pen: Any, text: str, width: int, height: int, unit: float) -> None:
    font = _font(23 * unit)
    lines: list[str] = []
    for word in text.split():
        joined = f"{lines[-1]} {word}" if lines else word
        if lines and pen.textlength(joined, font=font) <= 0.74 * width:
            lines[-1] = joined
        else:
            lines.append(word)
    lines = [*lines[:3], "…"] if len(lines) > 4 else lines
    step = 30 * unit
    top = height - (26 * unit + step * len(lines))
    wide = max(pen.textlength(line, font=font) for line in lines)
    box = [(width - wide) / 2 - 14 * unit, top - 8 * unit, (width + wide) / 2 + 14 * unit, top + step * len(lines) + 2]
    pen.rectangle(box, fill=(248, 246, 241))
    for n, line in enumerate(lines):
        pen.text((width / 2, top + step * (n + 0.5)), line, fill=_INK, font=font, anchor="mm")
