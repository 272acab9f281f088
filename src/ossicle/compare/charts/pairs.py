"""Charts of two specimens: what changed by how much, surfaces apart, crowns beside one another."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.collections import PolyCollection
from matplotlib.colors import Normalize

from ..crowns import Crown, Molarity
from ..differences import Comparison, Measure
from ..surfaces import Apart, Surface
from .sheet import COLOURS, Chart, figure, shown_name

__all__ = ["changes_chart", "crowns_chart", "distance_chart"]

_MOST = 40
_VIEWS = (("lateral left", 2, 1, 0, 1), ("dorsal", 2, 0, 1, 1), ("rostral", 0, 1, 2, 1))
"""Name, axis across the page, axis up the page, axis of depth, and which way the near side lies on it."""


def changes_chart(c: Comparison, measures: Sequence[Measure] | None = None) -> Chart:
    """Draw the changes of sizes with their limits, the greatest (in standard errors) above.

    Lengths, areas and volumes are shown as the ratio of second to first, each to the power that makes it a length, so
    that one scale serves for all; relative to the reference length where there is one.
    """
    usable = [
        m for m in (measures if measures is not None else c.measures) if m.power and m.first.value > 0 < m.second.value
    ]
    ranked = sorted(usable, key=lambda m: -abs(m.difference) / max(m.error, 1e-12))[:_MOST]
    rows = []
    with figure(150, 28 + 4.6 * max(len(ranked), 3)) as fig:
        ax = fig.subplots()
        for y, m in enumerate(ranked):
            relative = m.relative_change is not None
            ratio, error = _as_length(m, relative)
            differs = m.relative_differs if relative else m.differs
            colour = COLOURS["fifth"] if differs else COLOURS["rule"]
            ax.errorbar(ratio, y, xerr=c.limit * error, fmt="o", ms=3.5, color=colour, lw=1, capsize=2)
            rows.append(
                (
                    m.name,
                    m.unit,
                    m.first.value,
                    m.first.error,
                    m.second.value,
                    m.second.error,
                    m.difference,
                    m.error,
                    m.relative_change,
                    m.relative_error,
                    "yes" if m.differs else "no",
                    "yes" if m.relative_differs else "no",
                    m.confidence,
                    m.first.method,
                )
            )
        ax.axvline(1, color=COLOURS["ink"], lw=0.8)
        ax.set_yticks(range(len(ranked)), [shown_name(m.name, 44) for m in ranked])
        ax.set_ylim(max(len(ranked), 3) - 0.5, -0.5)
        ax.tick_params(axis="y", length=0)
        to = f", relative to the {c.reference}" if c.reference else ""
        ax.set_xlabel(f"{shown_name(c.second.name)} over {shown_name(c.first.name)}, as lengths (1: alike)")
    caption = (
        f"Sizes of {c.second.name} over those of {c.first.name}{to}; areas and volumes by their square and cube roots. "
        f"Bars are {c.limit:.1f} standard errors of measurement, the limit at which all comparisons together err once "
        "in twenty; orange: beyond it. Two specimens: nothing is said of populations."
    )
    head = (
        "quantity",
        "unit",
        f"{c.first.name}",
        "standard error",
        f"{c.second.name}",
        "standard error of second",
        "difference",
        "standard error of difference",
        "relative change (share)",
        "standard error of relative change",
        "differs",
        "differs relative to size",
        "confidence",
        "method",
    )
    return Chart("changes", fig, caption, head, tuple(rows))


def _as_length(m: Measure, relative: bool) -> tuple[float, float]:
    change = m.relative_change if relative and m.relative_change is not None else m.change
    error = m.relative_error if relative and m.relative_error is not None else m.change_error
    ratio = max(1 + change, 1e-9)
    length = ratio ** (1 / m.power)
    return length, length * error / ratio / m.power if math.isfinite(error) else 0.0


def distance_chart(surface: Surface, found: Apart, title: str, *, unit: str = "mm") -> Chart:
    """Draw signed distances on a surface in three views, one scale, with a bar of length.

    ``surface`` is in skull mm of the specimen that stays; ``found`` belongs to its vertices.
    """
    reach = float(np.quantile(np.abs(found.signed), 0.98)) or 1e-6
    norm = Normalize(-reach, reach)
    extent = np.ptp(surface.vertices, axis=0)
    with figure(170, 72) as fig:
        axes = fig.subplots(1, 3, width_ratios=[max(float(extent[a]), 1e-6) for _, a, *_ in _VIEWS])
        for ax, (name, across, up, depth, near) in zip(axes, _VIEWS, strict=True):
            _shaded(ax, surface, found.signed, norm, (across, up, depth, near))
            ax.set_title(name, fontsize=8.5)
        _bar(axes[0], surface, 2, 1)
        shown = ScalarMappable(norm, "RdBu_r")
        fig.colorbar(shown, ax=list(axes), shrink=0.8, label=f"outside (+) or inside (-), {unit}")
    caption = (
        f"{title} Distances from the nearest tangent plane: mean {found.mean:+.3f}, root mean square {found.rms:.3f}, "
        f"95 % within {found.p95:.3f}, greatest {found.greatest:.3f} mm. Colours end at the 98th percentile."
    )
    rows = tuple((*(float(v) for v in p), float(d)) for p, d in zip(surface.vertices, found.signed, strict=True))
    return Chart("distances", fig, caption, ("x (mm, skull)", "y (mm, skull)", "z (mm, skull)", "distance (mm)"), rows)


def _shaded(
    ax: Axes, s: Surface, values: np.ndarray, norm: Normalize, axes: tuple[int, int, int, int], cmap: str = "RdBu_r"
) -> None:
    """Triangles that face the eye, far ones first, shaded by their slope."""
    from matplotlib import colormaps

    across, up, depth, near = axes
    v, f = s.vertices, s.faces
    a, b, c = v[f[:, 0]], v[f[:, 1]], v[f[:, 2]]
    way = np.cross(b - a, c - a)
    way /= np.maximum(np.linalg.norm(way, axis=1, keepdims=True), 1e-12)
    facing = near * way[:, depth]
    seen = facing > 0.02
    order = np.argsort(near * (a + b + c)[seen, depth])
    f, light = f[seen][order], facing[seen][order]
    colour = colormaps[cmap](norm(values[f].mean(axis=1)))
    colour[:, :3] *= (0.55 + 0.45 * light)[:, None]
    corners = v[f][:, :, [across, up]]
    ax.add_collection(
        PolyCollection(list(corners), facecolors=colour, edgecolors=colour, linewidths=0.15, rasterized=True)
    )
    ax.set_xlim(v[:, across].min(), v[:, across].max())
    ax.set_ylim(v[:, up].min(), v[:, up].max())
    ax.set_aspect("equal")
    ax.axis("off")


def _bar(ax: Axes, s: Surface, across: int, up: int) -> None:
    span = float(np.ptp(s.vertices[:, across]))
    size = 10 ** math.floor(math.log10(max(span / 3, 1e-3)))
    size *= next(k for k in (5, 2, 1) if k * size <= max(span / 3, size))
    x, y = float(s.vertices[:, across].min()), float(s.vertices[:, up].min())
    ax.plot([x, x + size], [y, y], color=COLOURS["ink"], lw=1.5, clip_on=False)
    ax.annotate(
        f"{size:g} mm",
        (x + size / 2, y),
        xytext=(0, -9),
        textcoords="offset points",
        ha="center",
        annotation_clip=False,
    )


def crowns_chart(crowns: Sequence[Crown], said: Molarity | None = None) -> Chart:
    """Draw crowns from their occlusal side at one scale, mesial to the left, cheek above, shaded by height."""
    height = max(c.height_mm for c in crowns)
    wide = max(c.length_mm for c in crowns) * 1.15
    tall = max(c.width_mm for c in crowns) * 1.15
    rows = []
    with figure(24 + 46 * len(crowns), 30 + 46 * tall / wide) as fig:
        axes = np.atleast_1d(fig.subplots(1, len(crowns)))
        norm = Normalize(-height, 0)
        for ax, c in zip(axes, crowns, strict=True):
            turned = Surface(
                c.surface.vertices * [-1, 1, 1], c.surface.faces[:, ::-1], c.surface.normals, c.surface.step_mm
            )
            _shaded(ax, turned, turned.vertices[:, 2], norm, (0, 1, 2, 1), "cividis")
            ax.set_xlim(-wide / 2, wide / 2)
            ax.set_ylim(-tall / 2, tall / 2)
            ax.set_title(f"{c.specimen}\n{c.name}\n{c.length_mm:.2f} × {c.width_mm:.2f} mm", fontsize=8)
            rows.append((c.specimen, c.name, c.length_mm, c.width_mm, c.height_mm))
        size = 10 ** math.floor(math.log10(wide / 2))
        axes[0].plot([-wide / 2, -wide / 2 + size], [-tall / 2] * 2, color=COLOURS["ink"], lw=1.5, clip_on=False)
        axes[0].annotate(
            f"{size:g} mm",
            (-wide / 2 + size / 2, -tall / 2),
            xytext=(0, -9),
            textcoords="offset points",
            ha="center",
            annotation_clip=False,
        )
        fig.colorbar(ScalarMappable(norm, "cividis"), ax=list(axes), shrink=0.8, label="below the highest cusp, mm")
    caption = "Crowns from their occlusal side at one scale, mesial to the left, the cheek above."
    if said is not None and said.along is not None and said.off is not None:
        caption += (
            f" By its relief {said.crown} lies at {said.along:.2f} of the way from {said.successor} (0) to "
            f"{said.molar} (1), {said.off:.2f} of that way off the line."
        )
        caption += f" {said.note[0].upper()}{said.note[1:]}." if said.note else ""
    return Chart("crowns", fig, caption, ("specimen", "crown", "length (mm)", "width (mm)", "height (mm)"), tuple(rows))
