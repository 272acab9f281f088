"""The free slice of the desk as a picture to hand on: greys of the scan and where the picture stands in the skull."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from ossicle.collection import Collection
from ossicle.compare import Compared
from ossicle.publish.scene import Cut

from .greys import Greys, window_of
from .slices import Plane

__all__ = ["Slicing"]

_PX = 448
_QUALITY = 80


class Slicing:
    """Draws slices through the specimens of a collection (as `ossicle.publish.player.Slicer`).

    Parameters
    ----------
    held
        The collection.
    handles
        By name as scenes call specimens now: how the collection calls them.
    """

    def __init__(self, held: Collection, handles: Mapping[str, str]) -> None:
        self.held, self.handles = held, handles
        self._greys = Greys()
        self._scans: dict[str, Any] = {}

    def __call__(self, s: Compared, cut: Cut) -> tuple[npt.NDArray[np.float64], bytes]:
        """Return the corners of a slice in skull mm, and it as JPEG."""
        from PIL import Image

        kept = self.held.reading(self.handles[s.name])
        z, y, x = kept.facts.spacing_mm_zyx
        affine = kept.facts.affine_mm
        to_scan = np.eye(4) if affine is None else np.asarray(affine, float) @ np.diag([1 / x, 1 / y, 1 / z, 1.0])
        to_grid = np.linalg.inv(to_scan)
        middle = to_grid[:3, :3] @ np.asarray(cut.origin) + to_grid[:3, 3]
        plane = Plane.of(middle, to_grid[:3, :3] @ cut.u, to_grid[:3, :3] @ cut.v, cut.width_mm, cut.height_mm, _PX)
        places = plane.places()
        if kept.scan not in self._scans:
            self._scans[kept.scan] = self.held.scan(kept.scan)
        piece = self._greys.around(kept.scan, self._scans[kept.scan], places, plane.mm_per_px)
        tones = window_of(kept.reading.statistics).bytes(piece.sample(places))
        out = io.BytesIO()
        Image.fromarray(tones).save(out, "JPEG", quality=_QUALITY)
        return s.skull(_corners(cut)), out.getvalue()


def _corners(cut: Cut) -> npt.NDArray[np.float64]:
    """The corners of a slice, scan mm: upper left, upper right, lower right, lower left."""
    origin, u, v = (np.asarray(a, float) for a in (cut.origin, cut.u, cut.v))
    signs: Sequence[tuple[int, int]] = ((-1, -1), (1, -1), (1, 1), (-1, 1))
    return np.stack([origin + a * u * cut.width_mm / 2 + b * v * cut.height_mm / 2 for a, b in signs])
