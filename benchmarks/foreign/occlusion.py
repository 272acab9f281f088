"""Brings the lower teeth up to the upper ones until they all but touch."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .crowns import extent, tissue
from .rows import Placed

Points = NDArray[np.float64]


def crown_points(p: Placed, step: float = 0.15) -> Points:
    """Points inside the crown of a tooth, skull mm."""
    hm, hb, _, top = extent(p.form)
    axes = [np.arange(-e, e, step) for e in (hm, hb)]
    m, b, s = (v.astype(np.float32) for v in np.meshgrid(*axes, np.arange(0, top, step), indexing="ij"))
    hit = tissue(p.form, m, b, s) > 0
    return np.asarray(p.origin + np.column_stack([m[hit], b[hit], s[hit]]) @ p.axes)


def clash(up: list[tuple[Placed, Points]], low: list[Placed], shift: Points) -> int:
    """Points of upper crowns that lie in lower crowns when the lower teeth are moved by ``shift`` mm."""
    count = 0
    for a, points in up:
        for t in low:
            if t.side != a.side:
                continue
            q = points - t.origin - shift
            local = (q @ t.axes.T).astype(np.float32)
            near = (local[:, 2] > -0.2) & (local[:, 2] < t.form.height * 1.1)
            near &= (np.abs(local[:, 0]) < 0.7 * t.form.length) & (np.abs(local[:, 1]) < 0.8 * t.form.width)
            if near.any():
                v = local[near]
                count += int((tissue(t.form, v[:, 0], v[:, 1], v[:, 2]) > 0).sum())
    return count


def closest(teeth: list[Placed], reach: float) -> tuple[float, float]:
    """Lowering (mm) and forward shift (mm) of the lower jaw at which the crowns come nearest without a clash.

    Shifts up to ``reach`` mm either way are tried.
    """
    up = [(p, crown_points(p)) for p in teeth if p.tooth.jaw == "upper" and p.fraction > 0.05]
    low = [p for p in teeth if p.tooth.jaw == "lower" and p.fraction > 0.05]
    best = (6.0, 0.0)
    for forward in np.linspace(-reach, reach, 7):
        drop = -1.2
        while drop < best[0] and clash(up, low, np.array([0, -drop, forward])) > 2:
            drop += 0.25
        while drop < best[0] and drop > -1.2 and clash(up, low, np.array([0, 0.08 - drop, forward])) <= 2:
            drop -= 0.08
        if drop < best[0]:
            best = (float(drop), float(forward))
    return best
