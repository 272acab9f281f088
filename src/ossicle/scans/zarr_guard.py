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
from ossicle.scans.unfolding import Pieces

__all__ = ["check_array", "read_metadata"]

_CODECS = {
    "bytes", "transpose", "blosc", "zstd", "gzip", "zlib", "bz2", "lz4", "lzma", "crc32c", "crc32",
    "adler32", "delta",
    "shuffle", "sharding_indexed", "numcodecs.zstd", "numcodecs.blosc", "numcodecs.zlib", "numcodecs.gzip",
    "numcodecs.bz2", "numcodecs.lz4", "numcodecs.delta", "numcodecs.shuffle",
}  # fmt: skip
_COMPRESSORS = {
    "blosc", "zstd", "gzip", "zlib", "bz2", "lz4", "lzma",
    "numcodecs.zstd", "numcodecs.blosc", "numcodecs.zlib", "numcodecs.gzip", "numcodecs.bz2", "numcodecs.lz4",
}  # fmt: skip
_CHECKSUMS = 64
"""Bytes that checks of sums may add to a piece."""
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


def check_array(folder: Path, where: str) -> tuple[tuple[int, ...], Pieces]:
    """Return the shape of an array whose metadata name nothing but plain numbers and known codecs, and its pieces.

    The array is then opened through ``BoundedStore(folder, pieces)``.
    """
    if (folder / "zarr.json").is_file():
        data = read_metadata(folder / "zarr.json")
        kind, codecs = data["data_type"], list(data["codecs"])
        piece = data["chunk_grid"]["configuration"]["chunk_shape"]
        shard = next((c["configuration"] for c in codecs if _name(c) == "sharding_indexed"), None)
        packing = [_name(codec) for codec in (codecs if shard is None else shard["codecs"])]
        beyond = [] if shard is None else [_name(c) for c in codecs if _name(c) != "sharding_indexed"]
        beyond += [] if shard is None else [n for n in map(_name, shard.get("index_codecs", [])) if n in _COMPRESSORS]
        used = {_name(codec) for codec in codecs} | set(packing)
        used |= {_name(codec) for codec in (shard or {}).get("index_codecs", [])}
    elif (folder / ".zarray").is_file():
        data = read_metadata(folder / ".zarray")
        kind, piece = data["dtype"], data["chunks"]
        shard, beyond = None, []
        packing = [c["id"] for c in [*(data.get("filters") or []), data.get("compressor")] if c is not None]
        used = set(packing)
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
    return shape, _pieces(packing, beyond, [int(n) for n in piece], np.dtype(kind).itemsize, shard, where)


def _name(codec: Any) -> str:
    return str(codec["name"] if isinstance(codec, dict) else codec)


def _pieces(
    packing: list[str], beyond: list[str], piece: list[int], itemsize: int, shard: dict[str, Any] | None, where: str
) -> Pieces:
    """Return how pieces are compressed; raises OssicleError where that is done twice or beneath something else.

    ``packing`` names the codecs of a piece in the order of writing, ``beyond`` those that a whole shard went through.
    """
    compressors = [name for name in packing if name in _COMPRESSORS]
    after = packing[packing.index(compressors[0]) + 1 :] if compressors else []
    if len(compressors) > 1 or set(after) - {"crc32c"} or set(beyond) & _COMPRESSORS:
        raise OssicleError("its pieces are compressed in more than one step", where=where, mend="use zstd alone")
    codec = compressors[0].removeprefix("numcodecs.") if compressors else None
    if shard is None:
        return Pieces(codec, math.prod(piece) * itemsize + _CHECKSUMS)
    inner = [int(n) for n in shard["chunk_shape"]]
    if len(inner) != len(piece) or any(n < 1 or whole % n for n, whole in zip(inner, piece, strict=True)):
        raise OssicleError("its pieces have no proper shape", where=where, mend="write the store again")
    return Pieces(
        codec,
        math.prod(inner) * itemsize + _CHECKSUMS,
        math.prod(whole // n for n, whole in zip(inner, piece, strict=True)),
        shard.get("index_location", "end") == "end",
        "crc32c" in [_name(c) for c in shard.get("index_codecs", [])],
    )
