"""MetaImage: header and voxels in one file (``.mha``) or apart (``.mhd`` and the files it names).

The header is plain ``Key = value`` text and is read here rather than by an imaging library, because that
library cannot tell an orientation that is stated from one that is missing, follows names out of the folder,
and reads packed files whole; a test checks that both agree. World axes are left, posterior, superior in
MetaImage (as in DICOM) and are turned into right, anterior, superior. Lengths are millimetres unless
``DistanceUnits`` says otherwise.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ossicle.errors import OssicleError
from ossicle.scans.formats._detached import data_files, join_files
from ossicle.scans.formats._stack import FlatVoxels, Request, Stack, reading
from ossicle.scans.model import SeriesInfo
from ossicle.scans.naming import shown
from ossicle.scans.spacing import Spacing, length_in_mm

__all__ = ["KIND", "list_series", "open_stack", "probe"]

KIND = "MetaImage"
_LARGEST_HEADER = 1 << 20
_TYPES = {
    "MET_CHAR": "i1", "MET_UCHAR": "u1", "MET_SHORT": "i2", "MET_USHORT": "u2", "MET_INT": "i4",
    "MET_UINT": "u4",
    "MET_LONG": "i4", "MET_ULONG": "u4", "MET_LONG_LONG": "i8", "MET_ULONG_LONG": "u8", "MET_FLOAT": "f4",
    "MET_DOUBLE": "f8",
}  # fmt: skip


def probe(path: Path) -> bool:
    """Return whether the name is that of a MetaImage header."""
    return path.is_file() and path.suffix.lower() in (".mhd", ".mha")


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
    keys, begin, rest = _header(path, where)
    sizes = [int(n) for n in keys.get("DimSize", "").split()]
    while len(sizes) > 3 and sizes[-1] == 1:
        sizes.pop()
    if len(sizes) != 3 or int(keys.get("ElementNumberOfChannels", "1")) != 1:
        raise OssicleError("it holds something else than one volume of grey values", where=where,
                           mend="export one volume")  # fmt: skip
    x, y, z = sizes
    kind = keys.get("ElementType", "")
    if kind not in _TYPES:
        raise OssicleError(f"voxels of type “{kind[:40]}” are no grey values", where=where, mend="export grey values")
    if not _true(keys.get("BinaryData", "True")):
        raise OssicleError("its voxels are written as text", where=where, mend="write them as binary data")
    big = _true(keys.get("BinaryDataByteOrderMSB", keys.get("ElementByteOrderMSB", "False")))
    dtype = np.dtype(_TYPES[kind]).newbyteorder(">" if big else "<")
    named = keys["ElementDataFile"]
    local = named.upper() == "LOCAL"
    files = [path] if local else data_files(path, _names(named, rest, z), where)
    packing = "zlib" if _true(keys.get("CompressedData", "False")) else "none"
    head = int(keys.get("HeaderSize", "0"))
    if head < -1 or (head == -1 and packing != "none"):
        raise OssicleError(f"HeaderSize = {head} cannot be followed", where=where, mend="mend the header")
    pieces = []
    for file, shape in join_files(files, (z, y, x), where):
        offset = begin if local else max(head, 0)
        if head == -1 and not local:
            offset = max(0, file.stat().st_size - shape[0] * shape[1] * shape[2] * dtype.itemsize)
        pieces.append(FlatVoxels(file, shape, dtype, offset=offset, packing=packing, single=len(files) > 1))
    sources = [path] if local else [path, *files]
    stack = FlatVoxels.joined(pieces, (z, y, x), sources, path.parent)
    stack.spacing, stack.affine = _geometry(keys, where)
    if stack.affine is not None and "AnatomicalOrientation" not in keys and _is_plain(stack.affine):
        stack.warnings.append(
            "The header's orientation is the default that programs write without being asked, so that it may "
            "not be "
            "known whether the stack is mirrored; its axes were taken as right-handed, as it says."
        )
    slope, shift = (
        float(keys.get("ElementToIntensityFunctionSlope", "1")),
        float(keys.get("ElementToIntensityFunctionOffset", "0")),
    )
    stack.rescale(slope, shift)
    return stack


def _header(path: Path, where: str) -> tuple[dict[str, str], int, list[str]]:
    """Return the keys, the byte where local voxels begin, and the lines after the last key."""
    with path.open("rb") as file:
        start = file.read(_LARGEST_HEADER)
    keys: dict[str, str] = {}
    place = 0
    while place < len(start):
        end = start.find(b"\n", place)
        line = start[place : end if end >= 0 else len(start)].decode("utf-8", "surrogateescape").strip()
        place = end + 1 if end >= 0 else len(start)
        key, equals, value = line.partition("=")
        if not equals:
            if line:
                break
            continue
        keys[key.strip()] = value.strip()
        if key.strip() == "ElementDataFile":
            rest = start[place:].decode("utf-8", "surrogateescape").splitlines()
            return keys, place, [name.strip() for name in rest if name.strip()]
    raise OssicleError("the header does not name its voxels (ElementDataFile)", where=where, mend="mend the header")


def _names(named: str, rest: list[str], slices: int) -> list[str]:
    words = named.split()
    if words and words[0].upper() == "LIST":
        return rest
    if len(words) >= 3 and re.fullmatch(r"[^%]*%0?[0-9]{0,2}d[^%]*", words[0]):
        first, last = int(words[1]), int(words[2])
        step = int(words[3]) if len(words) > 3 else 1
        if step < 1 or last < first or (last - first) // step >= max(slices, 1):
            return []
        pattern = words[0]
        return [pattern % n for n in range(first, last + 1, step)]
    return [named]


def _true(value: str) -> bool:
    return value.strip().lower() in ("true", "1", "yes", "t")


def _geometry(keys: dict[str, str], where: str) -> tuple[Spacing | None, NDArray[np.float64] | None]:
    said = keys.get("ElementSpacing", keys.get("ElementSize"))
    unit = length_in_mm(keys.get("DistanceUnits", "mm"))
    if said is None or unit is None:
        return None, None
    values = np.abs(_numbers(said, 3, "ElementSpacing", where)) * unit
    if not np.all(np.isfinite(values)) or np.any(values <= 0):
        raise OssicleError(f"its spacing {said} is not three positive numbers", where=where, mend="mend the header")
    spacing = Spacing((float(values[2]), float(values[1]), float(values[0])), "the header")
    matrix = next((keys[k] for k in ("TransformMatrix", "Rotation", "Orientation") if k in keys), None)
    if matrix is None:
        return spacing, None
    origin = next((keys[k] for k in ("Offset", "Position", "Origin") if k in keys), "0 0 0")
    # one row an axis: the direction in which that axis runs
    directions = _numbers(matrix, 9, "TransformMatrix", where).reshape(3, 3).T
    lengths = np.linalg.norm(directions, axis=0)
    if not np.allclose(lengths, 1, atol=1e-3):
        raise OssicleError("its directions are not of length 1", where=where, mend="mend the header")
    affine = np.eye(4)
    affine[:3, :3] = directions / lengths * values
    affine[:3, 3] = _numbers(origin, 3, "Offset", where) * unit
    affine[:2] *= -1
    return spacing, affine


def _is_plain(affine: NDArray[np.float64]) -> bool:
    directions = affine[:3, :3] / np.linalg.norm(affine[:3, :3], axis=0)
    return bool(np.allclose(directions, np.diag([-1, -1, 1])))


def _numbers(text: str, count: int, key: str, where: str) -> NDArray[np.float64]:
    values: Any = np.array([float(word) for word in text.split()[:16]])
    if len(values) > count and count == 3:
        values = values[:3]
    if values.shape != (count,) or not np.all(np.isfinite(values)):
        raise OssicleError(f"{key} is not {count} numbers", where=where, mend="mend the header")
    result: NDArray[np.float64] = values
    return result
