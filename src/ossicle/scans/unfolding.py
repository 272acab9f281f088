"""How large a compressed piece of a Zarr store becomes, told before the library unfolds it.

Zarr's codecs unfold a piece whole, however little of it the array asks for, so a few kilobytes could take all memory.
What a piece says of its own size is read from its header (Zstandard: RFC 8878, 3.1.1.1; Blosc's and LZ4's are
numcodecs'); what says nothing (deflate, bzip2, xz) is unfolded in small steps that are thrown away, as far as the size
that its array allows.
"""

from __future__ import annotations

import asyncio
import bz2
import lzma
import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from zarr.abc.store import ByteRequest
from zarr.core.buffer import Buffer, BufferPrototype
from zarr.storage import LocalStore, WrapperStore

from ossicle.errors import OssicleError
from ossicle.scans.naming import shown

__all__ = ["BoundedStore", "Pieces", "unfolded_size"]

_STEP = 1 << 20
_ZSTD_MAGIC = b"\x28\xb5\x2f\xfd"
_ABSENT = (1 << 64) - 1
_METADATA = ("zarr.json", ".zarray", ".zattrs", ".zgroup", ".zmetadata")


def unfolded_size(data: bytes, codec: str, most: int) -> int:
    """Return how many bytes this piece becomes, as far as just beyond ``most``.

    ``codec`` is a name of numcodecs or Zarr 3 (``zstd``, ``blosc``, ``lz4``, ``zlib``, ``gzip``, ``bz2``, ``lzma``); of
    any other the size is that of ``data``. A damaged piece counts as far as it can be read; the library says what ails
    it.
    """
    if codec == "zstd":
        return _zstd_size(data, most)
    said = _SAID.get(codec)
    if said is not None:
        return said(data)
    stepper = _STEPPERS.get(codec)
    return len(data) if stepper is None else _counted(data, stepper, most)


def _zstd_size(data: bytes, most: int) -> int:
    """Return what a single frame says of itself; what says nothing, or is several frames, is unfolded within bounds."""
    said = _zstd_frame(data)
    if said is not None:
        return said
    if data[:4] != _ZSTD_MAGIC:
        return len(data)
    import imagecodecs  # takes a while, and is needed for odd pieces only

    try:
        return len(imagecodecs.zstd_decode(data, out=most))
    except imagecodecs.ZstdError:  # too large for what is allowed, or damaged
        return most + 1


def _zstd_frame(data: bytes) -> int | None:
    """Return the size that a frame's header says, where the data are that one frame and nothing else."""
    if len(data) < 9 or data[:4] != _ZSTD_MAGIC:
        return None
    mark = data[4]
    single = bool(mark & 0x20)
    at = 5 + (not single) + (0, 1, 2, 4)[mark & 3]
    width = (1 if single else 0, 2, 4, 8)[mark >> 6]
    if width == 0:
        return None
    size = int.from_bytes(data[at : at + width], "little") + (256 if width == 2 else 0)
    at += width
    last = False
    while not last:
        head = int.from_bytes(data[at : at + 3], "little")
        last = bool(head & 1) or at + 3 > len(data)
        at += 3 + (1 if head >> 1 & 3 == 1 else head >> 3)
    return size if at + (4 if mark & 4 else 0) >= len(data) else None


def _blosc_said(data: bytes) -> int:
    return int(struct.unpack_from("<I", data, 4)[0]) if len(data) >= 16 else len(data)


def _lz4_said(data: bytes) -> int:
    return int(struct.unpack_from("<I", data)[0]) if len(data) >= 4 else len(data)


_SAID: dict[str, Callable[[bytes], int]] = {"blosc": _blosc_said, "lz4": _lz4_said}
_STEPPERS: dict[str, Callable[[], Any]] = {
    "zlib": lambda: _Deflate(zlib.decompressobj(47)),
    "gzip": lambda: _Deflate(zlib.decompressobj(47)),
    "bz2": bz2.BZ2Decompressor,
    "lzma": lzma.LZMADecompressor,
}


class _Deflate:
    """zlib's object with the manner of the other two."""

    def __init__(self, wrapped: Any) -> None:
        self._wrapped = wrapped
        self.needs_input = True

    @property
    def eof(self) -> bool:
        return bool(self._wrapped.eof)

    @property
    def unused_data(self) -> bytes:
        return bytes(self._wrapped.unused_data)

    def decompress(self, data: bytes, max_length: int) -> bytes:
        out: bytes = self._wrapped.decompress(self._wrapped.unconsumed_tail + data, max_length)
        self.needs_input = not self._wrapped.unconsumed_tail and len(out) < max_length
        return out


def _counted(data: bytes, stepper: Callable[[], Any], most: int) -> int:
    """Unfold in steps and count; members that follow one another (gzip, bzip2, xz) count together."""
    total = 0
    while data:
        unfold = stepper()
        try:
            total += len(unfold.decompress(data, _STEP))
            while not unfold.eof and not unfold.needs_input and total <= most:
                total += len(unfold.decompress(b"", _STEP))
        except (OSError, EOFError, ValueError, zlib.error, lzma.LZMAError):
            return total
        if total > most or not unfold.eof:
            return total
        data = unfold.unused_data
    return total


@dataclass(frozen=True)
class Pieces:
    """How an array is cut and compressed: its codec by name, the bytes of a piece unfolded, and, in a file of several
    pieces (a shard), their number and where and how long the index is."""

    codec: str | None
    most: int
    in_shard: int = 0
    index_at_end: bool = True
    index_checked: bool = True


class BoundedStore(WrapperStore[LocalStore]):  # type: ignore[misc]
    """A folder of one Zarr array, to read only, none of whose pieces unfolds to more than its array allows.

    Raises OssicleError from the reading of a piece that does.
    """

    def __init__(self, folder: Path, pieces: Pieces) -> None:
        super().__init__(LocalStore(folder, read_only=True))
        self._folder, self._told = folder, pieces
        self._seen: set[str] = set()

    async def get(self, key: str, prototype: BufferPrototype, byte_range: ByteRequest | None = None) -> Buffer | None:
        """Read a piece that unfolds to what its array allows."""
        if self._told.codec is not None and key not in self._seen and Path(key).name not in _METADATA:
            await asyncio.to_thread(self._check, key)
            self._seen.add(key)
        return await self._store.get(key, prototype, byte_range)

    def _check(self, key: str) -> None:
        told = self._told
        try:
            for data in self._pieces(self._folder / key):
                if unfolded_size(data, told.codec or "", told.most) > told.most:
                    raise OssicleError(
                        f"its piece {key} unfolds to more than the {told.most:,} bytes that its array allows",
                        where=shown(self._folder),
                        mend="copy the store again, or write it with zstd or blosc, which say how large a piece is",
                    )
        except OSError:  # the library says that it is not there, or takes it as empty
            return

    def _pieces(self, path: Path) -> list[bytes]:
        """Return the compressed pieces of a file."""
        told = self._told
        if not told.in_shard:
            return [path.read_bytes()]
        length = 16 * told.in_shard + (4 if told.index_checked else 0)
        size = path.stat().st_size
        found = []
        with path.open("rb") as file:
            file.seek(max(0, size - length) if told.index_at_end else 0)
            index = file.read(16 * told.in_shard)
            for n in range(len(index) // 16):
                offset, held = struct.unpack_from("<2Q", index, 16 * n)
                if offset == _ABSENT or offset + held > size:
                    continue
                file.seek(offset)
                found.append(file.read(held))
        return found
