"""Charts of shape statistics: components with the shapes along them, and shape against size."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from matplotlib.axes import Axes

from ..shape.variation import Allometry, Components
from .sheet import COLOURS, Chart, figure, shown_name

__all__ = ["allometry_chart", "components_chart"]

_GROUPS = ("permanent", "fifth", "third", "fourth", "deciduous", "ink")
_MARKS = "osD^vP"


def _looks(groups: Mapping[str, Sequence[int]] | None, n: int) -> list[tuple[str | None, list[int], str, str]]:
    some: list[tuple[str | None, Sequence[int]]] = list(groups.items()) if groups else [(None, range(n))]
    return [(name, list(members), COLOURS[_GROUPS[i % 6]], _MARKS[i % 6]) for i, (name, members) in enumerate(some)]


def components_chart(
    c: Components,
    specimens: Sequence[str],
    groups: Mapping[str, Sequence[int]] | None = None,
    links: Sequence[tuple[int, int]] = (),
) -> Chart:
    """Draw the first two components, and the shapes at the ends of each (2 standard deviations) over the mean."""
    second = c.scores.shape[1] > 1
    with figure(170, 130) as fig:
        grid = fig.add_gridspec(2, 3, height_ratios=[1.6, 1])
        ax = fig.add_subplot(grid[0, :])
        for name, members, colour, mark in _looks(groups, len(specimens)):
            y = c.scores[members, 1] if second else np.zeros(len(members))
            ax.plot(c.scores[members, 0], y, mark, color=colour, ms=5, mfc=colour, mec="white", mew=0.5, label=name)
        if len(specimens) <= 25:
            for i, s in enumerate(specimens):
                at = (c.scores[i, 0], c.scores[i, 1] if second else 0.0)
                ax.annotate(shown_name(s, 14), at, xytext=(3, 3), textcoords="offset points", fontsize=6.5)
        ax.axhline(0, color=COLOURS["rule"], lw=0.6, zorder=0)
        ax.axvline(0, color=COLOURS["rule"], lw=0.6, zorder=0)
        ax.set_xlabel(f"component 1 ({100 * c.shares[0]:.0f} % of variance; Procrustes distance)")
        ax.set_ylabel(f"component 2 ({100 * c.shares[1]:.0f} %)" if second else "")
        ax.set_aspect("equal", adjustable="datalim")
        if groups:
            ax.legend(frameon=False)
        ends = [(0, -2.0), (0, 2.0), (1, 2.0)] if second else [(0, -2.0), (0, 2.0)]
        for column, (axis, times) in enumerate(ends):
            small = fig.add_subplot(grid[1, column])
            sd = float(np.sqrt(c.variances[axis]))
            _shape(small, c.laid.mean, c.shape_at(axis, times * sd), links)
            small.set_title(f"component {axis + 1}, {times:+.0f} s.d.", fontsize=8)
    caption = (
        f"Principal components of shape of {len(specimens)} specimens (Procrustes coordinates in the tangent space). "
        "Below, the shape at an end of each component (filled) over the mean shape (open), seen along the axis of "
        "least spread of the landmarks."
    )
    shown = min(c.scores.shape[1], 10)
    rows = [(s, *(float(v) for v in c.scores[i, :shown])) for i, s in enumerate(specimens)]
    rows.append(("share of variance", *(float(v) for v in c.shares[:shown])))
    head = ("specimen", *(f"component {j + 1} (Procrustes distance)" for j in range(shown)))
    return Chart("components", fig, caption, head, tuple(rows))


def _shape(ax: Axes, mean: np.ndarray, shape: np.ndarray, links: Sequence[tuple[int, int]]) -> None:
    for a, b in links:
        ax.plot(shape[[a, b], 0], shape[[a, b], 1], color=COLOURS["rule"], lw=0.8)
    for m, s in zip(mean, shape, strict=True):
        ax.plot([m[0], s[0]], [m[1], s[1]], color=COLOURS["ink"], lw=0.7)
    ax.plot(mean[:, 0], mean[:, 1], "o", ms=3.5, mfc="white", mec=COLOURS["ink"], mew=0.8)
    ax.plot(shape[:, 0], shape[:, 1], "o", ms=3.5, color=COLOURS["permanent"])
    ax.set_aspect("equal")
    ax.axis("off")


def allometry_chart(a: Allometry, specimens: Sequence[str], groups: Mapping[str, Sequence[int]] | None = None) -> Chart:
    """Draw the regression score of each specimen against its centroid size, sizes on a logarithmic axis."""
    sizes = np.exp(a.log_sizes)
    with figure(120, 90) as fig:
        ax = fig.subplots()
        for name, members, colour, mark in _looks(groups, len(specimens)):
            ax.plot(sizes[members], a.scores[members], mark, color=colour, ms=5, mec="white", mew=0.5, label=name)
        slope = float(np.linalg.norm(a.slope))
        ends = np.array([sizes.min(), sizes.max()])
        ax.plot(ends, slope * (np.log(ends) - a.log_sizes.mean()), color=COLOURS["ink"], lw=0.8)
        ax.set_xscale("log")
        ax.set_xlabel("centroid size (mm, logarithmic)")
        ax.set_ylabel("regression score (Procrustes distance)")
        if groups:
            ax.legend(frameon=False)
    caption = (
        f"Shape against size in {len(specimens)} specimens: size explains {100 * a.explained:.1f} % of the variance of "
        f"shape (p = {a.p:.4f}, {a.draws} permutations, seed {a.seed})."
    )
    rows = tuple((s, float(sizes[i]), float(a.scores[i])) for i, s in enumerate(specimens))
    return Chart("allometry", fig, caption, ("specimen", "centroid size (mm)", "regression score"), rows)
