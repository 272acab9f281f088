"""NRRD, header and voxels in one file (``.nrrd``) or apart (``.nhdr`` and the files it names).

The header is read with pynrrd; voxels lie with the first axis fastest. Spaces are turned into right,
anterior, superior; where a header gives directions in a space without a name, they are kept as they are and
handedness counts as assumed. A detached header may only name files in its own folder or below.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import nrrd
import numpy as np
from numpy.typing import NDArray

from ossicle.errors import OssicleError
from ossicle.scans.formats._detached import data_files, join_files
from ossicle.scans.formats._stack import FlatVoxels, Request, Stack, reading
from ossicle.scans.limits import check_claim
from ossicle.scans.model import SeriesInfo
from ossicle.scans.naming import shown
from ossicle.scans.spacing import Spacing, length_in_mm

__all__ = ["KIND", "list_series", "open_stack", "probe"]

KIND = "NRRD"
_PACKING = {"raw": "none", "gzip": "gzip", "gz": "gzip", "bzip2": "bzip2", "bz2": "bzip2"}
_TEXT = ("ascii", "text", "txt")
_MOST_TEXT = 1 << 28
_TO_RAS = {
    "right-anterior-superior": (1, 1, 1), "ras": (1, 1, 1),
    "left-anterior-superior": (-1, 1, 1), "las": (-1, 1, 1),
    "left-posterior-superior": (-1, -1, 1), "lps": (-1, -1, 1),
    "scanner-xyz": (1, 1, 1), "3d-right-handed": (1, 1, 1), "3d-left-handed": (1, 1, -1),
}  # fmt: skip


def probe(path: Path) -> bool:
    """Return whether the name is that of an NRRD header."""
    return path.is_file() and path.suffix.lower() in (".nrrd", ".nhdr")


def list_series(path: Path) -> list[SeriesInfo]:
    """Return nothing: a file holds one volume."""
    return []


def open_stack(path: Path, request: Request) -> Stack:
    """Open one volume."""
    request.expect_one(path)
    with reading(path, KIND):
        return _open(path)


def _open(path: Path) -> Stack:
    where = shown(path)
    with path.open("rb") as file:
        _bounded_header(file, where)
        lines = _lines_up_to_a_list(file)
        with np.errstate(invalid="ignore"):
            header = nrrd.read_header(file if lines is None else lines)
        begin = file.tell()
    sizes = [int(n) for n in header["sizes"]]
    keep = [axis for axis, n in enumerate(sizes) if n != 1] if len(sizes) > 3 else list(range(len(sizes)))
    if len(keep) != 3:
        raise OssicleError(
            f"it holds {'x'.join(map(str, sizes))} values, not one volume",
            where=where,
            mend="export one volume",
        )
    x, y, z = (sizes[axis] for axis in keep)
    dtype = _dtype(header, where)
    encoding = str(header.get("encoding", "")).lower()
    named = header.get("data file", header.get("datafile"))
    files = [path] if named is None else data_files(path, _names(str(named), path, where), where)
    stack = _voxels(path, files, (z, y, x), dtype, encoding, begin if named is None else 0, header, where)
    stack.spacing, stack.affine = _geometry(header, keep, len(sizes), where, stack)
    return stack


def _bounded_header(file: Any, where: str) -> None:
    """Refuse a header without an end, before the library reads it line by line."""
    start = file.read(1 << 20)
    file.seek(0)
    end = re.search(rb"\r?\n\r?\n", start)
    if not start.startswith(b"NRRD"):
        raise OssicleError("this is no NRRD header", where=where, mend="give the header file")
    if end is None and len(start) == 1 << 20:
        raise OssicleError("the header is longer than 1 MB", where=where, mend="mend the header")


def _lines_up_to_a_list(file: Any) -> list[str] | None:
    """Return the header's lines where it ends with a list of files, which the library does not follow."""
    start = file.read(1 << 20)
    file.seek(0)
    found = re.search(rb"^data ?file:\s*LIST[^\n]*", start, re.M)
    return None if found is None else start[: found.end()].decode("ascii", "replace").splitlines()


def _dtype(header: dict[str, Any], where: str) -> np.dtype[Any]:
    kind = str(header["type"]).lower()
    names = {
        "signed char": "i1", "int8": "i1", "int8_t": "i1", "uchar": "u1", "unsigned char": "u1",
        "uint8": "u1",
        "uint8_t": "u1", "short": "i2", "short int": "i2", "signed short": "i2", "signed short int": "i2",
        "int16": "i2",
        "int16_t": "i2", "ushort": "u2", "unsigned short": "u2", "unsigned short int": "u2", "uint16": "u2",
        "uint16_t": "u2", "int": "i4", "signed int": "i4", "int32": "i4", "int32_t": "i4", "uint": "u4",
        "unsigned int": "u4", "uint32": "u4", "uint32_t": "u4", "longlong": "i8", "long long": "i8",
        "long long int": "i8", "signed long long": "i8", "signed long long int": "i8", "int64": "i8",
        "int64_t": "i8",
        "ulonglong": "u8", "unsigned long long": "u8", "unsigned long long int": "u8", "uint64": "u8",
        "uint64_t": "u8",
        "float": "f4", "double": "f8",
    }  # fmt: skip
    if kind not in names:
        raise OssicleError(f"voxels of type {kind} are no grey values", where=where, mend="export grey values")
    dtype = np.dtype(names[kind])
    endian = str(header.get("endian", "")).lower()
    if dtype.itemsize == 1 or str(header.get("encoding", "")).lower() in _TEXT:
        return dtype
    if endian not in ("little", "big"):
        raise OssicleError("the header does not name the byte order", where=where, mend="add the field endian")
    return dtype.newbyteorder("<" if endian == "little" else ">")


def _names(named: str, path: Path, where: str) -> list[str]:
    """Return the files that a detached header names: one, a LIST, or a numbered pattern."""
    words = named.split()
    if words and words[0] == "LIST":
        lines = path.read_text("utf-8", "surrogateescape").splitlines()
        start = next(i for i, line in enumerate(lines) if re.match(r"data ?file:\s*LIST", line))
        return [line.strip() for line in lines[start + 1 :] if line.strip()]
    if len(words) in (4, 5) and re.search(r"%0?[0-9]*d", words[0]):
        if words[0].count("%") != 1:
            raise OssicleError(f"the pattern {words[0]} cannot be followed", where=where, mend="mend the header")
        first, last, step = (int(word) for word in words[1:4])
        if step == 0 or abs(last - first) // abs(step) > 100_000:
            raise OssicleError("the header names no bounded run of files", where=where, mend="mend the header")
        width = re.search(r"%(0?)([0-9]*)d", words[0])
        assert width is not None
        if len(width[2]) > 2:
            raise OssicleError(f"the pattern {words[0]} cannot be followed", where=where, mend="mend the header")
        run = range(first, last + (1 if step > 0 else -1), step)
        return [words[0][: width.start()] + format(n, f"{width[1]}{width[2]}d") + words[0][width.end() :] for n in run]
    return [named.strip()]


def _voxels(
    path: Path,
    files: list[Path],
    shape: tuple[int, int, int],
    dtype: np.dtype[Any],
    encoding: str,
    begin: int,
    header: dict[str, Any],
    where: str,
) -> Stack:
    lines = int(header.get("line skip", header.get("lineskip", 0)))
    skip = int(header.get("byte skip", header.get("byteskip", 0)))
    if encoding in _TEXT:
        check_claim(shape, 1, files[0].stat().st_size, where=where, packed=False)
        if files[0].stat().st_size > _MOST_TEXT:
            raise OssicleError("voxels written as text are read up to 256 MB", where=where, mend="write them as raw")
        with files[0].open("rb") as stream:
            stream.seek(begin)
            text = np.array(stream.read().split(), dtype=dtype)
        if text.size != shape[0] * shape[1] * shape[2]:
            raise OssicleError(f"it holds {text.size} values, not {shape}", where=where, mend="copy it again")
        whole = text.reshape(shape)
        return Stack(shape, dtype, lambda a, b: whole[a:b], [path, *(f for f in files if f != path)], path.parent)
    if encoding not in _PACKING:
        raise OssicleError(f"the encoding {encoding} is not known", where=where, mend="write it as raw or gzip")
    if lines < 0 or skip < -1 or (skip == -1 and encoding != "raw"):
        raise OssicleError("the header asks to skip a negative number", where=where, mend="mend the header")
    packing = _PACKING[encoding]
    pieces = []
    for file, piece_shape in join_files(files, shape, where):
        offset = begin + _after_lines(file, begin, lines)
        if skip == -1:
            offset = file.stat().st_size - piece_shape[0] * piece_shape[1] * piece_shape[2] * dtype.itemsize
        elif packing == "none":
            offset += skip
        pieces.append(
            FlatVoxels(file, piece_shape, dtype, offset=max(offset, 0), packing=packing,
                       skip=skip if packing != "none" else 0, single=len(files) > 1)
        )  # fmt: skip
    return FlatVoxels.joined(pieces, shape, [path, *(f for f in files if f != path)], path.parent)


def _after_lines(path: Path, begin: int, lines: int) -> int:
    if lines == 0:
        return 0
    with path.open("rb") as file:
        file.seek(begin)
        for _ in range(lines):
            if not file.readline(1 << 20):
                break
        return file.tell() - begin


def _geometry(
    header: dict[str, Any], keep: list[int], axes: int, where: str, stack: Stack
) -> tuple[Spacing | None, NDArray[np.float64] | None]:
    directions = header.get("space directions")
    if directions is not None:
        return _directions(header, directions, keep, where, stack)
    spacings = header.get("spacings")
    if spacings is None:
        return None, None
    values = np.abs(np.asarray(spacings, dtype=np.float64))[keep]
    factor = _unit([str(u) for u in np.atleast_1d(header.get("units", []))], axes, keep, where, stack)
    if not np.all(np.isfinite(values)) or np.any(values <= 0):
        return None, None
    x, y, z = (float(v) * f for v, f in zip(values, factor, strict=True))
    return Spacing((z, y, x), "the header"), None


def _directions(
    header: dict[str, Any], directions: Any, keep: list[int], where: str, stack: Stack
) -> tuple[Spacing, NDArray[np.float64]]:
    rows = [np.asarray(directions[axis], dtype=np.float64) for axis in keep]
    space = str(header.get("space", "")).lower()
    if any(row.shape != (3,) or not np.all(np.isfinite(row)) for row in rows):
        raise OssicleError("its space directions are not three of three numbers", where=where, mend="mend the header")
    if space and space not in _TO_RAS:
        raise OssicleError(f"its space “{space}” is not known", where=where, mend="write one of the standard's spaces")
    origin = header.get("space origin")
    affine = np.eye(4)
    affine[:3, :3] = np.column_stack(rows)
    if origin is not None and np.all(np.isfinite(np.asarray(origin, dtype=np.float64))):
        affine[:3, 3] = np.asarray(origin, dtype=np.float64)
    affine[:3] *= np.array(_TO_RAS.get(space, (1, 1, 1)), dtype=np.float64)[:, None]
    units = [str(u) for u in np.atleast_1d(header.get("space units", []))]
    factor = np.array(_unit(units, 3, [0, 1, 2], where, stack, named=bool(space)))
    affine[:3] *= factor[:, None]
    columns = np.linalg.norm(affine[:3, :3], axis=0)
    if np.any(columns <= 0):
        raise OssicleError("its space directions have no length", where=where, mend="mend the header")
    stack.handedness_known = bool(space)
    return Spacing((float(columns[2]), float(columns[1]), float(columns[0])), "the header"), affine


def _unit(
    units: list[str], axes: int, keep: list[int], where: str, stack: Stack, *, named: bool = False
) -> list[float]:
    """Return mm per unit along each axis kept."""
    said = [unit.strip().strip('"') for unit in units]
    chosen = [said[axis] for axis in keep] if len(said) == axes else [""] * len(keep)
    if not any(chosen):
        if not named:
            stack.warnings.append("The header names no unit of length; its spacing was taken as millimetres.")
        return [1.0] * len(keep)
    factors = [length_in_mm(unit) for unit in chosen]
    if any(f is None for f in factors):
        raise OssicleError(f"its unit {chosen} is no unit of length", where=where, mend="write mm")
    return [f for f in factors if f is not None]
