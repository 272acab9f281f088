"""NumPy's ``.npy``: one array (z, y, x). Pickled objects are refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.lib import format as npy
from numpy.typing import NDArray

from ossicle.errors import OssicleError
from ossicle.scans.formats._stack import FlatVoxels, Request, Stack, reading
from ossicle.scans.limits import check_claim
from ossicle.scans.model import SeriesInfo
from ossicle.scans.naming import shown

__all__ = ["KIND", "list_series", "open_stack", "probe"]

KIND = "NumPy .npy"


def probe(path: Path) -> bool:
    """Return whether this is a ``.npy`` file."""
    return path.is_file() and path.suffix.lower() == ".npy"


def list_series(path: Path) -> list[SeriesInfo]:
    """Return nothing: a file holds one array."""
    return []


def open_stack(path: Path, request: Request) -> Stack:
    """Open one array."""
    where = shown(path)
    request.expect_one(path)
    with reading(path, KIND):
        with path.open("rb") as file:
            version = npy.read_magic(file)
            if version not in ((1, 0), (2, 0), (3, 0)):
                raise OssicleError(f"version {version} of .npy is not known", where=where, mend="save it again")
            read_header = npy.read_array_header_1_0 if version == (1, 0) else npy.read_array_header_2_0
            shape, fortran, dtype = read_header(file)
            offset = file.tell()
        if dtype.hasobject:
            raise OssicleError("it holds pickled objects, which are never read", where=where, mend="save plain numbers")
        while len(shape) > 3 and shape[0] == 1:
            shape = shape[1:]
        if len(shape) != 3 or dtype.kind not in "buif":
            raise OssicleError(
                f"an array of {dtype} and shape {shape} is no volume",
                where=where,
                mend="save an array (z, y, x)",
            )
        z, y, x = (int(n) for n in shape)
        if not fortran:
            voxels = FlatVoxels(path, (z, y, x), dtype, offset=offset)
            return Stack(voxels.shape, dtype.newbyteorder("="), voxels.read, [path], path.parent)
        check_claim((z, y, x), dtype.itemsize, path.stat().st_size - offset, where=where, packed=False)
        array = np.load(path, mmap_mode="r", allow_pickle=False).reshape(z, y, x, order="F")

    def read(z0: int, z1: int) -> NDArray[Any]:
        return np.ascontiguousarray(array[z0:z1], dtype=dtype.newbyteorder("="))

    return Stack((z, y, x), dtype.newbyteorder("="), read, [path], path.parent)
