"""What a reading under way has found so far, kept beside the collection for those who watch; it may be lost."""

from __future__ import annotations

import io
from contextlib import suppress
from pathlib import Path

import numpy as np
import numpy.typing as npt

from ossicle.errors import OssicleError
from ossicle.reading.clock import Glimpse

from .files import Layout, write_file

__all__ = ["drop_glimpse", "glimpse_file", "keep_glimpse", "laid_out"]

LARGEST = 256
"""Pixels of the longer side."""


def glimpse_file(layout: Layout, uid: str) -> Path:
    """Return where the marks of a reading under way are kept: a grey PNG, one grey a mark (`Glimpse`)."""
    return layout.root / "drawn" / f"{uid}-found.png"


def keep_glimpse(layout: Layout, uid: str, found: Glimpse) -> None:
    """Keep what is seen so far, in the frame of the whole scan; a reading does not fail by this."""
    from PIL import Image

    buffer = io.BytesIO()
    Image.fromarray(laid_out(found)).save(buffer, "png")
    with suppress(OssicleError, OSError):
        file = glimpse_file(layout, uid)
        file.parent.mkdir(exist_ok=True)
        write_file(file, buffer.getvalue())


def drop_glimpse(layout: Layout, uid: str) -> None:
    """Take it away when the reading is there."""
    with suppress(OSError):
        glimpse_file(layout, uid).unlink(missing_ok=True)


def laid_out(found: Glimpse) -> npt.NDArray[np.uint8]:
    """Return the marks (row z, column y) of the whole scan, its longer side `LARGEST` pixels, or as many as it has."""
    scale = min(1.0, LARGEST / max(found.shape))
    out = np.zeros([max(1, round(n * scale)) for n in found.shape], np.uint8)
    index = [
        np.floor(((np.arange(n) + 0.5) * whole / n - first) / found.factor).astype(int)
        for n, whole, first in zip(out.shape, found.shape, found.start, strict=True)
    ]
    inside = [(i >= 0) & (i < n) for i, n in zip(index, found.marks.shape, strict=True)]
    rows, columns = (np.flatnonzero(i) for i in inside)
    out[np.ix_(rows, columns)] = found.marks[np.ix_(index[0][rows], index[1][columns])]
    return out
