"""Records with arrays as plain JSON values and named arrays, and back; and masks, packed to bits."""

from __future__ import annotations

import math
import types
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from functools import cache
from typing import Any, Union, get_args, get_origin, get_type_hints

import numpy as np
import numpy.typing as npt

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


class Mask:
    """Which voxels of a grid (z, y, x) are meant, eight to a byte and only of the box that they lie in.

    It stands in for a bool array: `numpy.asarray` and indexing give one.
    """

    dtype = np.dtype(np.bool_)
    ndim = 3

    def __init__(self, shape: tuple[int, int, int], box: npt.NDArray[np.int64], bits: npt.NDArray[np.uint8]) -> None:
        self.shape, self.box, self.bits = shape, box, bits

    @classmethod
    def of(cls, whole: Any) -> Mask:
        """Return a bool array (z, y, x) as a mask."""
        if isinstance(whole, Mask):
            return whole
        where = [np.flatnonzero(whole.any(axis=tuple(a for a in range(3) if a != axis))) for axis in range(3)]
        if not all(len(w) for w in where):
            return cls(whole.shape, np.zeros((3, 2), np.int64), np.zeros(0, np.uint8))
        box = np.array([[w[0], w[-1] + 1] for w in where], np.int64)
        return cls(whole.shape, box, np.packbits(whole[tuple(slice(a, b) for a, b in box)]))

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> npt.NDArray[Any]:
        out = np.zeros(self.shape, np.bool_)
        sides = self.box[:, 1] - self.box[:, 0]
        own = np.unpackbits(self.bits, count=int(sides.prod())).view(np.bool_).reshape(tuple(sides))
        out[tuple(slice(a, b) for a, b in self.box)] = own
        return out if dtype is None else out.astype(dtype)

    def __getitem__(self, key: Any) -> Any:
        return np.asarray(self)[key]
