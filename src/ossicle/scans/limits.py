"""What a file may claim before a byte is set aside for it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from ossicle.errors import OssicleError

__all__ = ["check_claim", "check_plane", "check_size", "stored_type"]

MOST_VOXELS = 100_000_000_000
"""About 4600^3: beyond any scanner's volume of one skull."""

MOST_IN_A_PLANE = 1 << 28
"""16384 x 16384."""

MOST_ALONG_AN_AXIS = 100_000

MOST_EXPANSION = 1100
"""DEFLATE cannot pack more than 1032 bytes into one (RFC 1951, as measured by the authors of zlib)."""


def check_claim(shape_zyx: Sequence[int], itemsize: float, held_bytes: int, *, where: str, packed: bool) -> None:
    """Refuse a header whose volume is empty, one slice, impossibly large, or larger than its file can hold.

    Parameters
    ----------
    shape_zyx
        Number of voxels along z, y, x, as claimed.
    itemsize
        Bytes a voxel.
    held_bytes
        Bytes the file holds for them.
    packed
        Whether those bytes are compressed.
    """
    check_size(shape_zyx, where=where)
    z, y, x = (int(n) for n in shape_zyx)
    if z < 2:
        raise OssicleError("this is one single slice, not a volume", where=where, mend="give the whole stack")
    if min(y, x) < 2:
        raise OssicleError(f"slices of {y} x {x} voxels make no volume", where=where, mend="give a whole scan")
    needed = round(z * y * x * itemsize)
    if needed > held_bytes * (MOST_EXPANSION if packed else 1):
        raise OssicleError(
            f"the file is cut short: {z} x {y} x {x} voxels need {needed} bytes"
            f"{' unpacked' if packed else ''}, it holds {held_bytes}",
            where=where,
            mend="copy the file again, or mend the header",
        )


def check_size(shape_zyx: Sequence[int], *, where: str) -> None:
    """Refuse a volume without voxels, or larger than any scan."""
    z, y, x = (int(n) for n in shape_zyx)
    if min(z, y, x) < 1:
        raise OssicleError(f"the header claims a volume of {z} x {y} x {x} voxels", where=where, mend="mend the header")
    if z * y * x > MOST_VOXELS or max(z, y, x) > MOST_ALONG_AN_AXIS:
        raise OssicleError(
            f"the header claims {z} x {y} x {x} voxels, more than any scan has",
            where=where,
            mend="mend the header",
        )
    check_plane(y, x, where=where)


def check_plane(rows: int, columns: int, *, where: str) -> None:
    """Refuse a slice larger than 16384 x 16384, or empty."""
    if rows < 1 or columns < 1 or rows * columns > MOST_IN_A_PLANE:
        raise OssicleError(
            f"a slice of {rows} x {columns} voxels cannot be taken in",
            where=where,
            mend="give slices up to 16384^2",
        )


def stored_type(dtype: np.dtype[Any], *, where: str) -> np.dtype[Any]:
    """Return the type in which values of ``dtype`` are kept.

    Whole numbers up to 32 bits are kept as they are, real numbers as float32. Whole numbers of 64 bits are
    kept in 32 where they fit (checked as they are read). Raises OssicleError for types that are no grey value
    (complex, text, records).
    """
    if dtype.kind == "b":
        return np.dtype(np.uint8)
    if dtype.kind == "u" and dtype.itemsize <= 8:
        return np.dtype(f"u{min(dtype.itemsize, 4)}")
    if dtype.kind == "i" and dtype.itemsize <= 8:
        return np.dtype(f"i{min(dtype.itemsize, 4)}")
    if dtype.kind == "f":
        return np.dtype(np.float32)
    raise OssicleError(f"voxels of type {dtype} are no grey values", where=where, mend="export whole or real numbers")
