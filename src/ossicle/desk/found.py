"""The picture of what a reading under way has found so far: bones in quiet tints, teeth in a lively one."""

from __future__ import annotations

import io

import numpy as np

from ossicle.reading.clock import FIRST_TOOTH

__all__ = ["coloured"]

BONES = ((214, 200, 168, 130), (190, 205, 196, 130), (222, 188, 160, 130), (186, 194, 214, 130))
TEETH = ((242, 193, 99, 235), (143, 185, 220, 235))
"""RGBA; neighbours differ, and no meaning lies in which is which."""


def coloured(marks_png: bytes) -> bytes:
    """Return marks (`ossicle.collection.glimpses`) as a PNG that is clear where nothing was found."""
    from PIL import Image

    marks = np.asarray(Image.open(io.BytesIO(marks_png)))
    table = np.zeros((256, 4), np.uint8)
    for mark in range(1, 256):
        tints = BONES if mark < FIRST_TOOTH else TEETH
        table[mark] = tints[mark % len(tints)]
    buffer = io.BytesIO()
    Image.fromarray(table[marks]).save(buffer, "png")
    return buffer.getvalue()
