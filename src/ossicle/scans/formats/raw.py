"""Raw voxels, x fastest, whose shape and type a sidecar names (:mod:`ossicle.scans.sidecar`)."""

from __future__ import annotations

from pathlib import Path

from ossicle.errors import OssicleError
from ossicle.scans.formats._stack import FlatVoxels, Request, Stack
from ossicle.scans.model import SeriesInfo
from ossicle.scans.naming import shown
from ossicle.scans.sidecar import find_sidecar

__all__ = ["KIND", "ORDER", "list_series", "open_stack", "probe"]

KIND = "raw with a sidecar"
ORDER = 90  # its suffixes say least
SUFFIXES = (".raw", ".vol", ".bin", ".dat")


def probe(path: Path) -> bool:
    """Return whether the name is that of a raw file."""
    return path.is_file() and path.suffix.lower() in SUFFIXES


def list_series(path: Path) -> list[SeriesInfo]:
    """Return nothing: a file holds one volume."""
    return []


def open_stack(path: Path, request: Request) -> Stack:
    """Open a raw file by its sidecar."""
    request.expect_one(path)
    where, name = shown(path), shown(path.with_suffix(".json").name)
    sidecar = find_sidecar(path)
    write = f"write {name} with shape_zyx, type, byte_order and spacing_mm_zyx"
    if sidecar is None:
        raise OssicleError("raw voxels need a sidecar that names their shape and type", where=where, mend=write)
    dtype, shape = sidecar.dtype, sidecar.shape_zyx
    if shape is None or dtype is None:
        lacks = " and ".join(word for word, value in (("shape_zyx", shape), ("type", dtype)) if value is None)
        raise OssicleError(f"its sidecar {shown(sidecar.path.name)} lacks {lacks}", where=where, mend="add it")
    if dtype.itemsize > 1:
        stated = {"<": "little", ">": "big"}.get(dtype.byteorder) if dtype.byteorder != "=" else None
        order = sidecar.byte_order or stated
        if order is None:
            raise OssicleError(
                f"its sidecar {shown(sidecar.path.name)} does not name the byte order of {dtype}",
                where=where,
                mend='add byte_order: "little" or "big"',
            )
        dtype = dtype.newbyteorder("<" if order == "little" else ">")
    voxels = FlatVoxels(path, shape, dtype, offset=sidecar.header_bytes)
    extra = path.stat().st_size - sidecar.header_bytes - shape[0] * shape[1] * shape[2] * dtype.itemsize
    if extra:
        raise OssicleError(
            f"the file is {extra} bytes longer than shape, type and header_bytes say, so one of them is wrong",
            where=where,
            mend=f"mend {shown(sidecar.path.name)}",
        )
    return Stack(shape, dtype.newbyteorder("="), voxels.read, [path], path.parent)
