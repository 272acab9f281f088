"""Row strips: each quadrant unrolled along its fitted row."""

from __future__ import annotations

import threading
from collections import OrderedDict
from typing import Any

import numpy as np

from ossicle.errors import OssicleError
from ossicle.reading.records import Row, RowStrip

from .greys import Greys, window_of
from .slices import label_piece, outlines, png
from .specimen import surfaces_key
from .workbench import Shown, Workbench

__all__ = ["Strips"]

MOST_PX_PER_MM = 60.0
LARGEST = 6_000_000
"""Pixels of a strip, times the layers that its thickness takes, at most."""


class Strips:
    """Strips of specimens, the last few kept."""

    def __init__(self, bench: Workbench, greys: Greys) -> None:
        self.bench, self.greys = bench, greys
        self._lock = threading.Lock()
        self._kept: OrderedDict[tuple[str, str, float, float], RowStrip] = OrderedDict()

    def strip(self, shown: Shown, quadrant: str, thickness_mm: float | None, px_per_mm: float | None) -> RowStrip:
        """Return a quadrant's strip.

        Parameters
        ----------
        quadrant
            ``upper_left`` and so on.
        thickness_mm
            Depth over which the greatest grey is shown; 0 shows the row's own surface. A fifth of the row's length
            where None.
        px_per_mm
            Pixels a millimetre; twice as many as the scan has voxels where None.

        Raises
        ------
        OssicleError
            There is no such row, or the strip would be too large.
        """
        row = _row(shown, quadrant)
        curve = np.asarray(row.curve_skull_mm, float)
        length = float(np.linalg.norm(np.diff(curve, axis=0), axis=1).sum())
        if px_per_mm is not None and not 0 < px_per_mm <= MOST_PX_PER_MM:
            raise OssicleError(
                f"{px_per_mm:g} pixels a mm cannot be drawn", where="px_per_mm", mend=f"give 1 to {MOST_PX_PER_MM:g}"
            )
        pixel = min(shown.spacing) / 2 if px_per_mm is None else 1 / px_per_mm
        thick = 0.2 * length if thickness_mm is None else thickness_mm
        if not 0 <= thick <= length:
            raise OssicleError(
                f"a thickness of {thick:g} mm cannot be shown", where="thickness", mend=f"give 0 to {length:.3g} mm"
            )
        if 0.7 * (length / pixel) ** 2 * (1 + thick / pixel) > 40 * LARGEST:
            raise OssicleError("the strip has too many pixels", where="px_per_mm", mend="ask for fewer, or thinner")
        key = (surfaces_key(shown), quadrant, round(thick, 4), round(pixel, 6))
        with self._lock:
            if key not in self._kept:
                self._kept[key] = self._make(shown, row, length, thick, pixel)
                while len(self._kept) > 12:
                    self._kept.popitem(last=False)
            self._kept.move_to_end(key)
            return self._kept[key]

    def _make(self, shown: Shown, row: Row, length: float, thick: float, pixel: float) -> RowStrip:
        from ossicle.reading.strips import row_strip

        curve = np.asarray(row.curve_skull_mm, float)
        reach = np.array([thick / 2 + 0.1 * length, 0.5 * length, 0.12 * length])
        ends = np.array([curve.min(axis=0) - reach, curve.max(axis=0) + reach])
        corners = np.array([[ends[i, 0], ends[j, 1], ends[k, 2]] for i, j, k in np.ndindex(2, 2, 2)])
        back = np.linalg.inv(shown.grid_to_skull)
        grid = corners @ back[:3, :3].T + back[:3, 3]
        piece = self.greys.around(shown.kept.scan, self.bench.scan(shown), grid, pixel)
        step = piece.step_mm_xyz[::-1]
        spacing = np.asarray(shown.spacing)
        index = [
            np.clip(np.rint((o + np.arange(n) * s) / base).astype(int), 0, size - 1)
            for o, n, s, base, size in zip(
                piece.offset_mm_xyz[::-1], piece.values.shape, step, spacing, shown.labels.shape, strict=True
            )
        ]
        held, start, thin = label_piece(shown.labels, [int(i[0]) for i in index], [int(i[-1]) + 1 for i in index])
        near = held[np.ix_(*((i - first) // thin for i, first in zip(index, start, strict=True)))]
        shift = np.eye(4)
        shift[:3, 3] = piece.offset_mm_xyz
        teeth = {t.part for t in shown.replayed.reading.teeth if t.jaw == row.jaw}
        return row_strip(
            piece.values.astype(np.float32),
            np.where(np.isin(near, list(teeth)), near, 0).astype(np.int32),
            (float(step[0]), float(step[1]), float(step[2])),
            shown.grid_to_skull @ shift,
            curve,
            row.jaw,
            thickness_mm=thick,
            pixel_mm=pixel,
        )

    def picture(self, shown: Shown, strip: RowStrip) -> bytes:
        """Return a strip as PNG."""
        return png(window_of(shown.kept.reading.statistics).bytes(strip.projection))

    def told(self, shown: Shown, strip: RowStrip) -> dict[str, Any]:
        """Return a strip's scale, the loci in it and the outlines of their teeth."""
        teeth = {t.part: t for t in shown.replayed.reading.teeth}
        loci = []
        for part in np.unique(strip.parts):
            if int(part) in teeth:
                rows, columns = np.nonzero(strip.parts == part)
                tooth = teeth[int(part)]
                loci.append(
                    {
                        "part": int(part),
                        "name": tooth.name,
                        "generation": tooth.generation,
                        "emergence": tooth.emergence,
                        "x_px": round(float(columns.mean()), 1),
                        "y_px": round(float(rows.mean()), 1),
                    }
                )
        loci.sort(key=lambda at: float(str(at["x_px"])))
        height, width = strip.projection.shape
        return {
            "mm_per_px": strip.spacing_mm,
            "width_px": width,
            "height_px": height,
            "loci": loci,
            "outlines": outlines(strip.parts, max(shown.spacing) / strip.spacing_mm),
        }


def _row(shown: Shown, quadrant: str) -> Row:
    found = [r for r in shown.replayed.reading.rows if f"{r.jaw}_{r.side}" == quadrant and len(r.curve_skull_mm) > 1]
    if not found:
        known = ", ".join(f"{r.jaw}_{r.side}" for r in shown.replayed.reading.rows) or "none was found"
        raise OssicleError(f"there is no row {quadrant!r} in this reading", mend=f"rows: {known}")
    return found[0]
