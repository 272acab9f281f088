"""What every reader hands over: a stack of slices whose header has been read and whose voxels have not."""

from __future__ import annotations

import bz2
import gzip
import math
import os
import threading
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from ossicle.errors import Cancelled, OssicleError
from ossicle.scans.limits import check_claim
from ossicle.scans.naming import shown
from ossicle.scans.paths import missing
from ossicle.scans.spacing import Spacing

__all__ = ["FlatVoxels", "Request", "Stack", "reading"]


@dataclass(frozen=True)
class Request:
    """What a person said about a source beside its path."""

    series: str | None = None

    def expect_one(self, path: Path) -> None:
        """Raise OssicleError where a series was asked for and the source holds one volume only."""
        if self.series is not None:
            raise OssicleError(
                f"there is one volume only, none called “{self.series}”",
                where=shown(path),
                mend="leave --series out",
            )


@dataclass
class Stack:
    """Slices of one scan, read when asked for.

    Parameters
    ----------
    shape_zyx, dtype
        Of what :attr:`read` returns (native byte order).
    read
        ``read(z0, z1)`` returns slices z0 to z1 - 1 as an array (z, y, x).
    files
        Every file read, in order; a folder where the folder is one image.
    root
        Names of sources are given relative to this folder.
    spacing
        As the files state it.
    spacing_hint
        What to say where they do not, from ``": "`` or ``", "`` on.
    affine
        4 x 4, index (x, y, z) to world mm (right, anterior, superior), or None.
    handedness_known
        False where there is an affine but its file does not say what its world is.
    parallel
        Whether several threads may call :attr:`read` at once, in any order. Otherwise slices are asked for
        once, in ascending order.
    at_once
        How many slices are best read in one call where :attr:`parallel` is False.
    digests
        SHA-256 and size of files that :attr:`read` has read whole; the loader fills in the others.
    slope, intercept
        Grey value = slope * value + intercept.
    """

    shape_zyx: tuple[int, int, int]
    dtype: np.dtype[Any]
    read: Callable[[int, int], NDArray[Any]]
    files: Sequence[Path]
    root: Path
    spacing: Spacing | None = None
    spacing_hint: str = ""
    affine: NDArray[np.float64] | None = None
    handedness_known: bool = True
    grey_unit: str | None = None
    slope: float = 1.0
    intercept: float = 0.0
    parallel: bool = True
    at_once: int = 8
    warnings: list[str] = field(default_factory=list)
    digests: dict[Path, tuple[str, int]] = field(default_factory=dict)
    close: Callable[[], None] = lambda: None

    def rescale(self, slope: float, intercept: float, limits: tuple[int, int] | None = None) -> None:
        """Take in a rescaling that holds for the whole volume: grey value = slope * value + intercept.

        A whole intercept at slope 1 is applied to the values as they are read where the result fits 16 bits
        (or the type that is there); a falling slope is applied in any case, as float32. Other rescalings are
        kept beside the values, whose order they do not change.

        Parameters
        ----------
        slope, intercept
            As the file states them.
        limits
            Smallest and largest value that can occur; those of the type where None.

        Raises
        ------
        OssicleError
            The slope is 0, or one of the two is not a finite number.
        """
        if slope == 0 or not (math.isfinite(slope) and math.isfinite(intercept)):
            raise OssicleError(
                f"its values are rescaled by {slope:g} and {intercept:g}",
                where=shown(self.root),
                mend="mend the header",
            )
        read = self.read
        if slope == 1 and intercept == 0:
            return
        if slope < 0:
            self.dtype = np.dtype(np.float32)
            self.read = lambda z0, z1: (read(z0, z1) * slope + intercept).astype(np.float32)
            return
        if slope == 1 and intercept.is_integer() and self.dtype.kind in "ui":
            low, high = limits or (int(np.iinfo(self.dtype).min), int(np.iinfo(self.dtype).max))
            fitting = [t for t in ("u1", "i2", "u2") if _holds(t, low + int(intercept), high + int(intercept))]
            if fitting:
                self.dtype, shift = np.dtype(fitting[0]), int(intercept)
                self.read = lambda z0, z1: (read(z0, z1).astype(np.int32) + shift).astype(fitting[0])
                return
        self.slope, self.intercept = slope, intercept

    def name_of(self, path: Path) -> str:
        """Return the name of one of the files, fit for a sentence."""
        try:
            return shown(path.relative_to(self.root))
        except ValueError:
            return shown(path.name)


def _holds(dtype: str, low: int, high: int) -> bool:
    limits = np.iinfo(dtype)
    return limits.min <= low and high <= limits.max


@contextmanager
def reading(path: Path, kind: str) -> Iterator[None]:
    """Turn whatever a reader library raises on a damaged file into one sentence.

    Libraries raise nearly anything on bytes they do not expect, so nearly anything is caught; the cause stays
    attached for ``--debug``.
    """
    try:
        yield
    except (OssicleError, Cancelled):
        raise
    except FileNotFoundError as error:
        raise OssicleError("there is no such file or folder", where=shown(path), mend=missing(path)) from error
    except PermissionError as error:
        raise OssicleError(
            "the file may not be read", where=shown(path), mend="ask for the right to read it"
        ) from error
    except MemoryError as error:
        raise OssicleError("memory is too small for what this file claims", where=shown(path)) from error
    except Exception as error:
        said = " ".join(shown(str(error).encode("utf-8", "backslashreplace").decode()).split())[:160].rstrip(".")
        raise OssicleError(
            f"this cannot be read as {kind}: it is damaged, cut short or of another kind"
            + (f" ({said})" if said else f" ({type(error).__name__})"),
            where=shown(path),
            mend="copy it again from where it came",
        ) from error


class FlatVoxels:
    """Voxels that lie in one file in the order x fastest, then y, then z: plain, or as one compressed stream.

    Parameters
    ----------
    path
        The file.
    shape_zyx
        Number of voxels along z, y, x.
    dtype
        As stored, byte order included.
    offset
        Bytes before the voxels (before the compressed stream, where there is one).
    packing
        ``"none"``, ``"gzip"``, ``"zlib"`` or ``"bzip2"``.
    skip
        Bytes to leave out after unpacking.
    single
        Whether one slice is enough, because other files hold more.

    Raises
    ------
    OssicleError
        The file is too small for the voxels claimed.
    """

    def __init__(
        self,
        path: Path,
        shape_zyx: tuple[int, int, int],
        dtype: np.dtype[Any],
        *,
        offset: int = 0,
        packing: str = "none",
        skip: int = 0,
        single: bool = False,
    ) -> None:
        self.path, self.shape, self.dtype, self.packing = path, shape_zyx, dtype, packing
        held = max(path.stat().st_size - offset, 0)
        z, y, x = shape_zyx
        claim = (max(z, 2), y, x) if single else shape_zyx
        size = dtype.itemsize * z / claim[0] if z > 0 else dtype.itemsize
        check_claim(claim, size, held, where=shown(path.name), packed=packing != "none")
        self._offset, self._skip = offset, skip
        self._plane = shape_zyx[1] * shape_zyx[2] * dtype.itemsize
        self._lock = threading.Lock()
        self._stream: _Owning | _Zlib | None = None
        self._next = 0

    @property
    def parallel(self) -> bool:
        """Whether slices may be read in any order."""
        return self.packing == "none"

    def read(self, z0: int, z1: int) -> NDArray[Any]:
        """Return slices z0 to z1 - 1 in native byte order."""
        wanted = (z1 - z0) * self._plane
        with reading(self.path, "voxels"):
            raw = self._plain(z0, wanted) if self.packing == "none" else self._unpacked(z0, z1, wanted)
        if len(raw) != wanted:
            raise OssicleError(
                f"the file ends at slice {z0 + len(raw) // self._plane} of {self.shape[0]}",
                where=shown(self.path.name),
                mend="copy the file again",
            )
        block = np.frombuffer(raw, dtype=self.dtype).reshape(z1 - z0, *self.shape[1:])
        return block.astype(self.dtype.newbyteorder("="), copy=False)

    @staticmethod
    def joined(
        pieces: Sequence[FlatVoxels], shape_zyx: tuple[int, int, int], files: Sequence[Path], root: Path
    ) -> Stack:
        """Make a stack of files that hold equal numbers of slices each, one after the other."""
        check_claim(shape_zyx, 0, 0, where=shown(files[0].name), packed=False)
        each = pieces[0].shape[0]

        def read(z0: int, z1: int) -> NDArray[Any]:
            parts = []
            while z0 < z1:
                number, start = divmod(z0, each)
                stop = min(each, start + z1 - z0)
                parts.append(pieces[number].read(start, stop))
                if stop == each:
                    pieces[number].close()
                z0 += stop - start
            return parts[0] if len(parts) == 1 else np.concatenate(parts)

        def close() -> None:
            for piece in pieces:
                piece.close()

        parallel = all(piece.parallel for piece in pieces)
        dtype = pieces[0].dtype.newbyteorder("=")
        return Stack(shape_zyx, dtype, read, files, root, parallel=parallel, close=close)

    def close(self) -> None:
        """Close the stream, where there is one."""
        if self._stream is not None:
            self._stream.close()
            self._stream = None

    def _plain(self, z0: int, wanted: int) -> bytes:
        with self.path.open("rb") as file:
            file.seek(self._offset + z0 * self._plane)
            return file.read(wanted)

    def _unpacked(self, z0: int, z1: int, wanted: int) -> bytes:
        with self._lock:
            if self._stream is None or z0 != self._next:
                self.close()
                self._stream = self._open()
                left = self._skip + z0 * self._plane
                while left:
                    got = len(self._stream.read(min(left, 1 << 20)))
                    if not got:
                        break
                    left -= got
            self._next = z1
            return self._stream.read(wanted)

    def _open(self) -> _Owning | _Zlib:
        file = self.path.open("rb")
        file.seek(self._offset)
        if self.packing == "gzip":
            return _Owning(gzip.GzipFile(fileobj=file), file)
        if self.packing == "bzip2":
            return _Owning(bz2.BZ2File(file), file)
        return _Zlib(file)


class _Owning:
    """A decompressor that closes the file beneath it too."""

    def __init__(self, stream: Any, file: IO[bytes]) -> None:
        self._inner, self._file = stream, file

    def read(self, size: int) -> bytes:
        data: bytes = self._inner.read(size)
        return data

    def close(self) -> None:
        self._inner.close()
        self._file.close()


class _Zlib:
    """Reads a bare zlib stream piece by piece."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file, self._inner = file, zlib.decompressobj()

    def read(self, size: int) -> bytes:
        out = bytearray()
        while len(out) < size and not self._inner.eof:
            pending = self._inner.unconsumed_tail or self._file.read(1 << 18)
            if not pending:
                break
            out += self._inner.decompress(pending, size - len(out))
        return bytes(out)

    def close(self) -> None:
        self._file.close()


def read_whole(path: Path, most: int) -> bytes:
    """Read a small file, refusing one larger than ``most`` bytes."""
    with path.open("rb") as file:
        if os.fstat(file.fileno()).st_size > most:
            raise OssicleError(f"the file is larger than {most} bytes", where=shown(path.name))
        return file.read(most + 1)
