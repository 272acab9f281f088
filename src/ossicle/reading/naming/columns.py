"""Columns: what both sides of a jaw show at one place, and which of two objects at one place lies above the
other.

Left and right objects of a jaw are matched by assignment (Kuhn 1955; Crouse 2016 as in scipy) on their
place along the row, depth, size and emergence; the map of one side's row length onto the other's is fitted
in between. A column is a matched pair, or an object alone. Columns fall into two layers: the line of teeth
that stand one behind the other, and those for which the line has no room, since another tooth stands at
their place: successors under deciduous teeth.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import linear_sum_assignment

from ..records import Side, ToothObservation
from .records import NameHint

__all__ = ["Column", "JawColumns", "build_columns"]

FloatArray = npt.NDArray[np.float64]

_SINGLE = 5.0
"""Cost of leaving an object without its mirror partner: two such cost as much as a pair at one place whose every
measure is off, as happens where a young crown is measured badly on one side."""

_MEASURE = 2.0
"""The most that one measure may speak against two objects being mirror teeth."""

_SHIFT = 0.4
"""How far, in tooth lengths, the arc lengths of two sides may start apart: the midline's error."""


@dataclass(frozen=True)
class Column:
    """One or two mirror objects and their mean measures."""

    members: tuple[ToothObservation, ...]
    arc_mm: float
    offset_mm: float
    depth_mm: float
    rostral_mm: float
    length_mm: float
    width_mm: float
    crown_height_mm: float
    emergence_fraction: float
    root_fraction: float
    mineralised: float
    root_count: float | None
    cusp_count: float | None
    occlusal_spread: float | None
    in_premaxilla: float | None
    deciduous: float | None
    form: tuple[float, ...] | None
    axis_lean: float
    """Tangent of the axis's lean along the row, positive if the crown tips backwards."""
    hint: NameHint | None


@dataclass(frozen=True)
class JawColumns:
    """The columns of one jaw: ``line`` (teeth one behind another) and ``under`` (no room in the line), each
    in row order.

    ``sides`` is the number of sides on which the jaw shows teeth. ``front_cut``, ``back_cut``: the scan's
    edge cuts the row there.
    """

    line: tuple[Column, ...]
    under: tuple[Column, ...]
    sides: int
    front_cut: bool
    back_cut: bool

    @property
    def all(self) -> tuple[Column, ...]:
        """Line first, then under."""
        return self.line + self.under


def _mean(values: Sequence[float | int | None]) -> float | None:
    known = [float(v) for v in values if v is not None]
    return sum(known) / len(known) if known else None


def _geometric(values: Sequence[float]) -> float:
    return float(np.exp(np.mean(np.log(np.maximum(values, 1e-3)))))


def _leans(objects: Sequence[ToothObservation]) -> dict[int, float]:
    """Return by part the tangent of the axis's lean along the row of one quadrant, positive if the crown
    tips backwards."""
    row = sorted((o for o in objects if o.emergence_fraction > 0.3), key=lambda o: o.arc_mm)
    leans: dict[int, float] = {}
    for k, tooth in enumerate(row):
        before, after = row[max(k - 1, 0)], row[min(k + 1, len(row) - 1)]
        back = np.subtract(after.crown_centroid_skull_mm, before.crown_centroid_skull_mm)
        length = float(np.linalg.norm(back))
        if length > 0:
            along = float(np.clip(np.dot(tooth.axis, back / length), -0.6, 0.6))
            leans[tooth.part] = along / float(np.sqrt(1 - along**2))
    return leans


def _column(
    members: tuple[ToothObservation, ...],
    arc: float,
    hints: Mapping[int, NameHint],
    leans: Mapping[int, float],
) -> Column:
    hint = next((hints[m.part] for m in members if m.part in hints), None)
    return Column(
        members=members,
        arc_mm=arc,
        offset_mm=float(np.mean([m.offset_mm for m in members])),
        depth_mm=float(np.mean([m.depth_mm for m in members])),
        rostral_mm=float(np.mean([m.crown_centroid_skull_mm[2] for m in members])),
        length_mm=_geometric([m.length_mm for m in members]),
        width_mm=_geometric([m.width_mm for m in members]),
        crown_height_mm=_geometric([m.crown_height_mm for m in members]),
        emergence_fraction=float(np.mean([m.emergence_fraction for m in members])),
        root_fraction=float(np.mean([m.root_fraction for m in members])),
        mineralised=float(np.mean([m.mineralised for m in members])),
        root_count=_mean([m.root_count for m in members]),
        cusp_count=_mean([m.cusp_count for m in members]),
        occlusal_spread=_mean([m.occlusal_spread for m in members]),
        in_premaxilla=_mean([m.in_premaxilla for m in members]),
        deciduous=_mean([m.deciduous for m in members]),
        form=tuple(np.mean(forms, axis=0).tolist()) if (forms := [m.form for m in members if m.form]) else None,
        axis_lean=float(np.mean([leans.get(m.part, 0.0) for m in members])),
        hint=hint,
    )


def _table(objects: Sequence[ToothObservation]) -> npt.NDArray[np.float64]:
    return np.array(
        [
            (
                o.arc_mm,
                o.depth_mm,
                np.log(max(o.length_mm, 1e-3)),
                np.log(max(o.width_mm, 1e-3)),
                np.log(max(o.crown_height_mm, 1e-3)),
                o.emergence_fraction,
            )
            for o in objects
        ]
    )


def _match(
    left: Sequence[ToothObservation], right: Sequence[ToothObservation], hints: Mapping[int, NameHint]
) -> tuple[list[tuple[int, int]], tuple[float, float]]:
    """Return matched index pairs, and (shift, stretch) of how left arc less right arc runs along the row."""
    a, b = _table(left), _table(right)
    n, m = len(left), len(right)
    scale = np.exp(0.5 * (a[:, None, 2] + b[None, :, 2]))
    tall = np.exp(0.5 * (a[:, None, 4] + b[None, :, 4]))
    apart = np.zeros((n, m))
    # Each measure may be wrong on one side, so that none weighs more than a limited amount: place decides.
    form = np.minimum(((a[:, None, 1] - b[None, :, 1]) / (0.5 * tall)) ** 2, _MEASURE)
    for measure, spread in ((2, 0.3), (3, 0.3), (4, 0.35), (5, 0.4)):
        form += np.minimum(((a[:, None, measure] - b[None, :, measure]) / spread) ** 2, _MEASURE)
    for i, one in enumerate(left):
        for j, other in enumerate(right):
            first, second = hints.get(one.part), hints.get(other.part)
            if first is not None and second is not None and first != second:
                apart[i, j] = 1e3
    best: tuple[float, list[tuple[int, int]], tuple[float, float]] | None = None
    unit = float(np.median(scale))
    for start in (0.0, -0.5, 0.5, -1.0, 1.0):
        fit = (start * unit, 0.0)
        for spread in (0.5, 0.4, 0.4):
            y, x = _common(a[:, 0], fit, "left"), _common(b[:, 0], fit, "right")
            cost = ((y[:, None] - x[None, :]) / (spread * scale)) ** 2
            cost = np.minimum(cost + form, 60.0) + apart
            full = np.full((n + m, n + m), 1e4)
            full[:n, :m] = cost
            full[:n, m:][np.diag_indices(n)] = _SINGLE
            full[n:, :m][np.diag_indices(m)] = _SINGLE
            full[n:, m:] = 0.0
            rows, cols = linear_sum_assignment(full)
            pairs = [(int(i), int(j)) for i, j in zip(rows, cols, strict=True) if i < n and j < m]
            total = float(full[rows, cols].sum()) + (fit[0] / (_SHIFT * unit)) ** 2
            if best is None or total < best[0]:
                best = (total, pairs, fit)
            fit = _apart(np.array([b[j, 0] for _, j in pairs]), np.array([a[i, 0] for i, _ in pairs]), unit)
    assert best is not None
    return best[1], best[2]


def _apart(x: FloatArray, y: FloatArray, unit: float) -> tuple[float, float]:
    """Return (shift, stretch) of y - x against the mean of both, shrunk: two rows of one jaw differ by
    little."""
    if len(x) < 2:
        return (0.0, 0.0)
    apart, middle = y - x, 0.5 * (x + y)
    from_mean = middle - middle.mean()
    stretch = float(from_mean @ (apart - np.median(apart))) / float(from_mean @ from_mean + 16 * unit**2)
    stretch = float(np.clip(stretch, -0.08, 0.08))
    return (float(np.median(apart - stretch * middle)) * len(x) / (len(x) + 2), stretch)


def _common(arc: FloatArray, fit: tuple[float, float], side: Side) -> FloatArray:
    """Return arc lengths of one side in the frame midway between both."""
    half = 0.5 if side == "left" else -0.5
    return (arc - half * fit[0]) / (1 + half * fit[1])


def build_columns(objects: Sequence[ToothObservation], hints: Mapping[int, NameHint]) -> JawColumns:
    """Match the sides of one jaw and split the columns into the line of teeth and those under it."""
    left = [o for o in objects if o.side == "left"]
    right = [o for o in objects if o.side == "right"]
    leans = {**_leans(left), **_leans(right)}
    columns: list[Column] = []
    if left and right:
        pairs, fit = _match(left, right, hints)
        sides: tuple[tuple[list[ToothObservation], Side], ...] = ((left, "left"), (right, "right"))
        arcs = [[float(arc) for arc in _common(np.array([o.arc_mm for o in row]), fit, side)] for row, side in sides]
        columns += [_column((left[i], right[j]), 0.5 * (arcs[0][i] + arcs[1][j]), hints, leans) for i, j in pairs]
        for k, row in enumerate((left, right)):
            paired = {pair[k] for pair in pairs}
            columns += [_column((o,), arcs[k][i], hints, leans) for i, o in enumerate(row) if i not in paired]
    else:
        columns += [_column((o,), o.arc_mm, hints, leans) for o in (*left, *right)]
    line, under = _layers(columns)
    everything = sorted(columns, key=lambda c: c.arc_mm)
    edge = [any(m.touches_edge for m in c.members) for c in everything]
    return JawColumns(
        line=tuple(line),
        under=tuple(under),
        sides=int(bool(left)) + int(bool(right)),
        front_cut=any(edge[:2]),
        back_cut=any(edge[-2:]),
    )


def _layers(columns: Sequence[Column]) -> tuple[list[Column], list[Column]]:
    """Split columns: from the most to the least emerged, each joins the line if the line has room for it."""
    line: list[Column] = []
    under: list[Column] = []
    for column in sorted(columns, key=lambda c: (-round(c.emergence_fraction, 1), -c.depth_mm)):
        half = 0.5 * column.length_mm
        low, high = column.arc_mm - half, column.arc_mm + half
        shares = [0.0]
        for other in line:
            o_half = 0.5 * other.length_mm
            shared = min(high, other.arc_mm + o_half) - max(low, other.arc_mm - o_half)
            shares.append(max(0.0, shared) / min(column.length_mm, other.length_mm))
        # What has emerged stands in the line unless one tooth takes its place; a crown in the bone needs
        # room of its own.
        if max(shares) > 0.65 or (column.emergence_fraction < 0.5 and sum(shares) > 0.45):
            under.append(column)
        else:
            line.append(column)
    return sorted(line, key=lambda c: c.arc_mm), sorted(under, key=lambda c: c.arc_mm)
