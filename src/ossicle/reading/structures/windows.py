"""Oval and round window: the membranes that close the labyrinth's ways out into the middle ear."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..records import Side
from .labyrinth import Labyrinth, ways_out
from .membrane import Membrane, narrowest, section
from .records import Opening, Value
from .space import Space

__all__ = ["read_windows"]

FloatArray = npt.NDArray[np.float64]


def read_windows(
    space: Space, labyrinth: Labyrinth, side: Side, reasons: dict[str, str]
) -> tuple[Opening | None, Opening | None]:
    """Oval and round window: of the ways out that face down or outward, the two largest; the round one lies behind
    and below."""
    k = 1.0 if side == "left" else -1.0
    reach = 0.9 * float(np.cbrt(labyrinth.mask.sum())) * labyrinth.step
    found: list[tuple[Membrane, FloatArray]] = []
    for middle, way, _ in ways_out(labyrinth)[:6]:
        if way @ np.array([0.5 * k, -1.0, 0.0]) < 0.1:
            continue
        m = _across_canal(space, middle, way, reach)
        if m is None or m.width < 1.5 * space.voxel:
            continue
        if all(np.linalg.norm(m.centre - other.centre) > 0.5 * (m.width + other.width) / 2 for other, _ in found):
            found.append((m, way))
    if len(found) < 2:
        reasons["oval_window_mm2"] = reasons["round_window_mm2"] = (
            "only one way out to the middle ear shows where two windows are looked for, so that the bone between them "
            "does not show at this voxel size"
            if found or len(ways_out(labyrinth)) == 1
            else "no way out to the middle ear is closed all round by bone that this voxel size shows"
        )
        return None, None
    two = sorted(found, key=lambda f: -f[0].area)[:2]
    two.sort(key=lambda f: float(f[0].centre @ np.array([0.35 * k, 0.6, 1.0])), reverse=True)
    gap = abs(two[0][0].centre[2] - two[1][0].centre[2])
    sure = 0.85 if gap > 0.5 * two[1][0].width else 0.6

    def opening(m: Membrane, term: str) -> Opening:
        fault = 0.29 * space.voxel * np.sqrt(2)
        return Opening(
            term,
            side,
            Value(m.area, m.error(space.noise, space.blur_mm)),
            Value(m.length, fault),
            Value(m.width, fault),
            m.perimeter,
            m.centre,
            m.rim,
            sure,
            "of the labyrinth's two ways out into the middle ear, "
            + ("the one before and above" if term == "oval window" else "the one behind and below"),
        )

    return opening(two[0][0], "oval window"), opening(two[1][0], "round window")


def _across_canal(space: Space, middle: FloatArray, way: FloatArray, reach: float) -> Membrane | None:
    """The membrane of median area along a short canal: its narrowest place gives direction and middle; a footplate
    that sits in one plane of it does not lessen it."""
    step = 0.4 * space.voxel
    blur = space.sampled_blur
    span = max(3 * space.voxel, 0.35 * reach)
    tight = narrowest(space.at, middle, way, reach=reach, along=(-span, span), step=step, blur=blur, tilt_deg=40)
    if tight is None:
        return None
    some = [tight]
    for offset in np.arange(-span, span, 0.5 * space.voxel):
        m = section(space.at, tight.centre + offset * tight.normal, tight.normal, reach, step, blur)
        if m is not None and m.area < 1.6 * tight.area:
            some.append(m)
    some.sort(key=lambda m: m.area)
    return some[len(some) // 2]
