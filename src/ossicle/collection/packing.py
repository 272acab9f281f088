"""Records with arrays as plain JSON values and named arrays, and back; and masks, packed to bits."""

from __future__ import annotations

import math
import types
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from functools import cache, cached_property
from typing import Any, Union, get_args, get_origin, get_type_hints

import numpy as np
import numpy.typing as npt

from ossicle.reading.boxes import box_of
from ossicle.scans.lazy import Enlarged, LazyVolume
from ossicle.scans.model import ArrayLike3D

__all__ = ["Mask", "pack", "unpack"]

SHORT = 12
"""Numbers that an array may have to be written among the records, where a person can read them."""


def pack(value: Any, arrays: dict[str, Any], name: str) -> Any:
    """Return a value as JSON values; larger arrays go into ``arrays``, under names that begin with ``name``.

    Parameters
    ----------
    value
        Frozen records, mappings, tuples, arrays, texts, numbers, None.
    arrays
        Is added to.
    name
        Unique among the names there.
    """
    if isinstance(value, np.ndarray):
        if value.size <= SHORT and value.ndim == 1 and value.dtype == np.float64 and np.isfinite(value).all():
            return value.tolist()
        arrays[name] = value
        return {"array": name}
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: pack(getattr(value, f.name), arrays, f"{name}.{f.name}") for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(k): pack(v, arrays, f"{name}.{n}") for n, (k, v) in enumerate(value.items())}
    if isinstance(value, list | tuple):
        return [pack(v, arrays, f"{name}.{n}") for n, v in enumerate(value)]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)  # "nan", "inf", "-inf", which float() reads back
    return value


def unpack(kind: Any, data: Any, arrays: Mapping[str, Any]) -> Any:
    """Return what `pack` was given.

    Parameters
    ----------
    kind
        The type of the value: a record's class, or the type that a record's field states.
    data, arrays
        What `pack` returned and added to.

    Raises
    ------
    KeyError, TypeError, ValueError
        The data are not of that type.
    """
    origin, inner = get_origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        if data is None:
            return None
        stated = [k for k in inner if k is not type(None)]
        return unpack(stated[0], data, arrays) if len(stated) == 1 else data  # several: words of a list
    if isinstance(kind, type) and is_dataclass(kind):
        types_of = _stated(kind)
        return kind(**{key: unpack(types_of[key], value, arrays) for key, value in data.items()})
    if origin is np.ndarray:
        return arrays[data["array"]] if isinstance(data, dict) else np.asarray(data, np.float64)
    if origin is tuple:
        kinds = [inner[0]] * len(data) if inner[-1] is Ellipsis else inner
        return tuple(unpack(k, v, arrays) for k, v in zip(kinds, data, strict=True))
    if origin is not None and isinstance(origin, type) and issubclass(origin, Mapping):
        return {inner[0](k) if inner[0] is int else k: unpack(inner[1], v, arrays) for k, v in data.items()}
    return float(data) if kind is float else data


@cache
def _stated(record: type[Any]) -> dict[str, Any]:
    return get_type_hints(record)


class Mask(LazyVolume):
    """Which voxels of a grid (z, y, x) are meant, eight to a byte and only of the box that they lie in.

    It stands in for a bool array: `numpy.asarray` and indexing give one.

    Parameters
    ----------
    shape
        Of the grid.
    box
        Where ``bits`` lie in it, int64 (3, 2): half-open ranges along z, y, x; it may overhang the grid.
    bits
        Cubes of ``factor`` voxels a side, eight to a byte, z slowest.
    """

    def __init__(
        self,
        shape: tuple[int, int, int],
        box: npt.NDArray[np.int64],
        bits: npt.NDArray[np.uint8],
        factor: int = 1,
    ) -> None:
        self.shape, self.dtype, self.box, self.bits, self.factor = shape, np.dtype(np.bool_), box, bits, factor

    @classmethod
    def of(cls, whole: ArrayLike3D) -> Mask:
        """Return bools (z, y, x) as a mask."""
        if isinstance(whole, Mask):
            return whole
        factor, start = 1, np.zeros(3, np.int64)
        base, shape = whole, whole.shape
        if isinstance(whole, Enlarged):
            base, factor, start = whole.base, whole.factor, np.asarray(whole.start, np.int64)
        own = np.asarray(base).astype(np.bool_, copy=False)
        place = (int(shape[0]), int(shape[1]), int(shape[2]))
        box = box_of(own)
        if box is None:
            return cls(place, np.zeros((3, 2), np.int64), np.zeros(0, np.uint8))
        ends = np.array([[s.start, s.stop] for s in box], np.int64)
        return cls(place, start[:, None] + factor * ends, np.packbits(own[box]), factor)

    @cached_property
    def _own(self) -> Enlarged:
        sides = (self.box[:, 1] - self.box[:, 0]) // self.factor
        bits = np.unpackbits(self.bits, count=int(sides.prod())).view(np.bool_).reshape(tuple(sides))
        return Enlarged(bits, self.factor, self.box[:, 0].tolist(), self.shape)

    def _part(self, ranges: tuple[range, range, range]) -> npt.NDArray[Any]:
        found: npt.NDArray[Any] = self._own[tuple(slice(r.start, r.stop, r.step) for r in ranges)]
        return found
