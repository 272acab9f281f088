"""What a small text file beside the images says: ``scan.json``, ``scan.toml``, or ``key = value`` text.

Keys (case, blanks and hyphens do not matter):

=====================================  =======================================================================
``spacing_mm_zyx``, ``spacing_mm_xyz``   three numbers; also ``_um_`` (micrometres), and ``voxel_size_`` for
``spacing_`` ``spacing_mm``, ``spacing_um``           one number for all three axes
``grey_unit``                            unit of the grey values, in words
``mirrored``                             true: the axes (column, row, slice) are left-handed; false:
right-handed ``shape_zyx``, ``shape_xyz``             raw data: three whole numbers; or ``columns``, ``rows``
and ``slices`` ``type``                                 raw data: ``uint16``, ``int16``, ``float32`` ...
``byte_order``                           raw data: ``little`` or ``big``; needed where a value takes several
bytes ``header_bytes``                         raw data: bytes to leave out at the start (0 if not given)
=====================================  =======================================================================

Other keys are left alone. A key that is there but cannot be read is an error, never skipped.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ossicle.errors import OssicleError
from ossicle.scans.naming import shown
from ossicle.scans.spacing import Spacing, checked

__all__ = ["Sidecar", "find_sidecar", "read_sidecar", "sidecar_places"]

_LARGEST = 1 << 20
_SUFFIXES = (".json", ".toml", ".txt")
_TYPES = {
    "uchar": "u1", "unsigned char": "u1", "byte": "u1", "8-bit": "u1", "8 bit unsigned": "u1",
    "8-bit unsigned": "u1",
    "char": "i1", "signed char": "i1", "8-bit signed": "i1",
    "ushort": "u2", "unsigned short": "u2", "16 bit unsigned": "u2", "16-bit unsigned": "u2",
    "short": "i2", "signed short": "i2", "16 bit signed": "i2", "16-bit signed": "i2",
    "uint": "u4", "unsigned int": "u4", "32-bit unsigned": "u4", "int": "i4", "32-bit signed": "i4",
    "float": "f4", "32-bit float": "f4", "32-bit real": "f4", "double": "f8", "64-bit float": "f8",
    "64-bit real": "f8",
}  # fmt: skip


@dataclass(frozen=True)
class Sidecar:
    """What a sidecar states; None where it does not."""

    path: Path
    spacing: Spacing | None = None
    grey_unit: str | None = None
    mirrored: bool | None = None
    shape_zyx: tuple[int, int, int] | None = None
    dtype: np.dtype[Any] | None = None
    byte_order: str | None = None
    header_bytes: int = 0


def sidecar_places(source: Path) -> Iterator[Path]:
    """Yield where a sidecar of ``source`` may lie, the nearest first.

    For a file: its own name with the suffix added or replaced, then ``scan.*`` in its folder. For a folder:
    ``scan.*`` inside it, then its own name with the suffix added and ``scan.*`` beside it.
    """
    if source.is_dir():
        for suffix in _SUFFIXES:
            yield source / f"scan{suffix}"
        for suffix in _SUFFIXES:
            yield source.parent / (source.name + suffix)
        for suffix in _SUFFIXES:
            yield source.parent / f"scan{suffix}"
    else:
        for suffix in _SUFFIXES:
            yield source.parent / (source.name + suffix)
        for suffix in _SUFFIXES:
            if source.suffix and source.suffix.lower() not in _SUFFIXES:
                yield source.with_suffix(suffix)
        for suffix in _SUFFIXES:
            yield source.parent / f"scan{suffix}"


def find_sidecar(source: Path) -> Sidecar | None:
    """Read the nearest sidecar of a scan, or return None where there is none.

    A text file that merely shares the scan's name (a scanner's log) counts only where it states something we
    know.
    """
    for place in sidecar_places(source):
        if place.is_file():
            sidecar = read_sidecar(place)
            if place.stem == "scan" or sidecar != Sidecar(place):
                return sidecar
    return None


def read_sidecar(path: Path) -> Sidecar:
    """Read one sidecar.

    Raises
    ------
    OssicleError
        The file cannot be read as its suffix says, or a key we know has a value we cannot use.
    """
    where = shown(path.name)
    try:
        if path.stat().st_size > _LARGEST:
            raise OssicleError("the sidecar is larger than 1 MB", where=where, mend="keep only the scan's own facts")
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        if path.suffix == ".txt" and path.stem != "scan":
            return Sidecar(path)
        raise OssicleError("the sidecar is not UTF-8 text", where=where, mend="save it as UTF-8") from error
    except OSError as error:
        raise OssicleError(f"the sidecar cannot be read ({error.strerror})", where=where) from error
    try:
        data = _parse(path.suffix, text)
    except (ValueError, RecursionError) as error:
        raise OssicleError(f"the sidecar is not readable {path.suffix[1:].upper()} ({error})", where=where,
                           mend="mend it, or take it away and give --spacing") from error  # fmt: skip
    keys = {re.sub(r"[\s\-]+", "_", str(key).strip().lower()): value for key, value in data.items()}
    return Sidecar(
        path=path,
        spacing=_spacing(keys, where),
        grey_unit=_text(keys, "grey_unit", where),
        mirrored=_truth(keys, "mirrored", where),
        shape_zyx=_shape(keys, where),
        dtype=_type(keys, where),
        byte_order=_byte_order(keys, where),
        header_bytes=_header_bytes(keys, where),
    )


def _parse(suffix: str, text: str) -> Mapping[str, Any]:
    if suffix == ".json":
        data = json.loads(text)
        if not isinstance(data, dict):
            raise ValueError("it is not an object with keys")
        return data
    if suffix == ".toml":
        return tomllib.loads(text)
    found: dict[str, Any] = {}
    for line in text.splitlines():
        line = line.partition("#")[0].strip()
        match = re.match(r"([^=:]+)[=:](.*)", line)
        if match:
            found[match[1].strip()] = match[2].strip().strip("\"'")
    return found


def _numbers(value: Any, key: str, where: str) -> list[float]:
    if isinstance(value, str):
        value = [piece for piece in re.split(r"[\s,;x×\[\]()]+", value) if piece]
    if isinstance(value, int | float) and not isinstance(value, bool):
        value = [value]
    try:
        if not isinstance(value, list) or any(isinstance(v, bool) for v in value):
            raise TypeError
        return [float(v) for v in value]
    except (TypeError, ValueError, OverflowError) as error:
        raise OssicleError(f"“{key}” is not a number or a list of numbers", where=where, mend="mend it") from error


def _spacing(keys: Mapping[str, Any], where: str) -> Spacing | None:
    for name in ("spacing", "voxel_size", "voxelsize"):
        for unit, factor in (("mm", 1.0), ("um", 1e-3), ("µm", 1e-3)):
            for order in ("_zyx", "_xyz", ""):
                key = f"{name}_{unit}{order}"
                if key not in keys:
                    continue
                values = [v * factor for v in _numbers(keys[key], key, where)]
                if order == "" and len(set(values)) > 1:
                    raise OssicleError(
                        f"“{key}” gives several numbers and no order of axes",
                        where=where,
                        mend=f"write {key}_zyx or {key}_xyz",
                    )
                if order == "_xyz":
                    values.reverse()
                return Spacing(checked(values, f"{where}, {key}"), where)
    for name in ("spacing", "voxel_size"):
        if name in keys:
            raise OssicleError(f"“{name}” gives no unit", where=where, mend=f"write {name}_mm_zyx or {name}_um_zyx")
    return None


def _text(keys: Mapping[str, Any], key: str, where: str) -> str | None:
    value = keys.get(key)
    if value is None:
        return None
    if not isinstance(value, str) or len(value) > 200:
        raise OssicleError(f"“{key}” is not a short text", where=where, mend="mend it")
    return value


def _truth(keys: Mapping[str, Any], key: str, where: str) -> bool | None:
    value = keys.get(key)
    if isinstance(value, str) and value.lower() in ("true", "yes", "false", "no"):
        value = value.lower() in ("true", "yes")
    if value is not None and not isinstance(value, bool):
        raise OssicleError(f"“{key}” is neither true nor false", where=where, mend="mend it")
    return value


def _shape(keys: Mapping[str, Any], where: str) -> tuple[int, int, int] | None:
    values: list[float]
    if "shape_zyx" in keys:
        values = _numbers(keys["shape_zyx"], "shape_zyx", where)
    elif "shape_xyz" in keys:
        values = _numbers(keys["shape_xyz"], "shape_xyz", where)[::-1]
    else:
        names = (("slices", "depth"), ("rows", "height"), ("columns", "width"))
        found = [next((name for name in pair if name in keys), None) for pair in names]
        if any(name is None for name in found):
            return None
        values = [v for name in found if name is not None for v in _numbers(keys[name], name, where)]
    if len(values) != 3 or any(not v.is_integer() or v < 1 for v in values):
        raise OssicleError("the shape is not three whole numbers from 1 up", where=where, mend="mend it")
    return int(values[0]), int(values[1]), int(values[2])


def _type(keys: Mapping[str, Any], where: str) -> np.dtype[Any] | None:
    value = next((keys[key] for key in ("type", "dtype", "data_type", "voxel_type") if key in keys), None)
    if value is None:
        return None
    name = str(value).strip().lower()
    try:
        dtype = np.dtype(_TYPES.get(name, name))
    except (TypeError, ValueError, SyntaxError) as error:
        raise OssicleError(f"the voxel type “{value}” is not known", where=where,
                           mend="write uint8, int16, uint16, int32 or float32") from error  # fmt: skip
    if dtype.kind not in "uif" or dtype.itemsize > 8:
        raise OssicleError(f"the voxel type “{value}” is no grey value", where=where, mend="write uint8, uint16 ...")
    return dtype


def _byte_order(keys: Mapping[str, Any], where: str) -> str | None:
    value = next((keys[key] for key in ("byte_order", "byteorder", "endian", "endianness") if key in keys), None)
    if value is None:
        return None
    name = str(value).strip().lower()
    for order in ("little", "big"):
        if name.startswith(order):
            return order
    raise OssicleError(f"the byte order “{value}” is neither little nor big", where=where, mend="mend it")


def _header_bytes(keys: Mapping[str, Any], where: str) -> int:
    value = next((keys[key] for key in ("header_bytes", "offset", "header_size") if key in keys), None)
    if value is None:
        return 0
    numbers = _numbers(value, "header_bytes", where)
    if len(numbers) != 1 or numbers[0] < 0 or not numbers[0].is_integer():
        raise OssicleError("“header_bytes” is not a whole number from 0 up", where=where, mend="mend it")
    return int(numbers[0])
