"""What a Zarr store may claim, checked before the library opens it.

Zarr allows arrays of pickled Python objects and pieces of any size; neither is ever opened.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np

from ossicle.errors import OssicleError
from ossicle.scans.naming import shown

__all__ = ["check_array", "read_metadata"]

_CODECS = {
    "bytes", "transpose", "blosc", "zstd", "gzip", "zlib", "bz2", "lz4", "lzma", "crc32c", "crc32",
    "adler32", "delta",
    "shuffle", "sharding_indexed", "numcodecs.zstd", "numcodecs.blosc", "numcodecs.zlib", "numcodecs.gzip",
    "numcodecs.bz2", "numcodecs.lz4", "numcodecs.delta", "numcodecs.shuffle",
}  # fmt: skip
_LARGEST_PIECE = 1 << 30
_LARGEST_METADATA = 16 << 20


def read_metadata(path: Path) -> dict[str, Any]:
    """Read a JSON file of metadata; raises OssicleError where it is none or larger than 16 MB."""
    if path.stat().st_size > _LARGEST_METADATA:
        raise OssicleError("its metadata are larger than 16 MB", where=shown(path), mend="write the store again")
    data = json.loads(path.read_bytes())
    if not isinstance(data, dict):
        raise OssicleError("its metadata are no object", where=shown(path), mend="write the store again")
    return data


def check_array(folder: Path, where: str) -> tuple[int, ...]:
    """Return the shape of an array whose metadata name nothing but plain numbers and known codecs."""
    if (folder / "zarr.json").is_file():
        data = read_metadata(folder / "zarr.json")
        kind, codecs = data["data_type"], list(data["codecs"])
        piece = data["chunk_grid"]["configuration"]["chunk_shape"]
        for codec in list(codecs):
            inner = codec.get("configuration", {}) if isinstance(codec, dict) else {}
            codecs += [*inner.get("codecs", []), *inner.get("index_codecs", [])]
        used = {codec["name"] if isinstance(codec, dict) else codec for codec in codecs}
    elif (folder / ".zarray").is_file():
        data = read_metadata(folder / ".zarray")
        kind, piece = data["dtype"], data["chunks"]
        used = {c["id"] for c in [data.get("compressor"), *(data.get("filters") or [])] if c is not None}
    else:
        raise OssicleError("the array of its full resolution is missing", where=where, mend="copy the store again")
    if not isinstance(kind, str) or np.dtype(kind).kind not in "buif":
        raise OssicleError(f"voxels of type {kind} are no grey values", where=where, mend="export grey values")
    if used - _CODECS:
        raise OssicleError(
            f"its compression {', '.join(sorted(map(str, used - _CODECS)))} is not read",
            where=where,
            mend="use zstd",
        )
    shape = tuple(int(n) for n in data["shape"])
    if len(piece) != len(shape) or any(int(n) < 1 for n in (*piece, *shape)):
        raise OssicleError("its pieces have no proper shape", where=where, mend="write the store again")
    if math.prod(int(n) for n in piece) * np.dtype(kind).itemsize > _LARGEST_PIECE:
        raise OssicleError("a piece of it is larger than 1 GB", where=where, mend="write it with smaller chunks")
    return shape
