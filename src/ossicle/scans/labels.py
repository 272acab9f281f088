"""Parts as OME-Zarr 0.5 labels, beside the scan that they belong to: ``<scan>.ome.zarr/labels/<name>``.

Levels halve as those of the scan do (:func:`ossicle.scans.store.level_shapes`); each voxel of a coarser level is the
first of its 2 x 2 x 2, never a mean, so that no label is made up.
"""

from __future__ import annotations

import json
import os
import secrets
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import zarr
from numpy.typing import NDArray
from zarr.codecs import ZstdCodec

from ossicle.errors import OssicleError
from ossicle.scans.geometry import Geometry
from ossicle.scans.lazy import LazyVolume, least_and_greatest
from ossicle.scans.model import ArrayLike3D
from ossicle.scans.naming import shown
from ossicle.scans.store import chunk_shape, level_shapes, open_level, use_threads

__all__ = ["StoredLabels", "list_labels", "open_labels", "write_labels", "write_labels_list"]


def write_labels(
    folder: Path,
    labels_zyx: ArrayLike3D,
    geometry: Geometry,
    *,
    names: Mapping[int, str] | None = None,
    threads: int = 2,
) -> None:
    """Write labels as a store of their own into a new folder; the caller moves it into ``labels/`` of its scan.

    Parameters
    ----------
    folder
        A new folder.
    labels_zyx
        Whole numbers from 0 up, shape (z, y, x), on the scan's own grid; asked for slab by slab.
    geometry
        Of the scan.
    names
        What each label is, kept as a property of it.
    """
    if labels_zyx.dtype.kind not in "biu" or len(labels_zyx.shape) != 3:
        raise OssicleError(f"labels of type {labels_zyx.dtype} are not whole numbers", where=shown(folder))
    low, high = least_and_greatest(labels_zyx)
    if low < 0 or high > np.iinfo(np.uint32).max:
        raise OssicleError(f"labels run from {low} to {high}", where=shown(folder), mend="number parts from 1 up")
    dtype = np.dtype(np.uint8 if high < 256 else np.uint16 if high < 65536 else np.uint32)
    use_threads(threads)
    group = zarr.create_group(str(folder), zarr_format=3)
    shapes = level_shapes(labels_zyx.shape)
    for number, shape in enumerate(shapes):
        array = group.create_array(
            str(number),
            shape=shape,
            chunks=chunk_shape(shape, dtype.itemsize),
            dtype=dtype,
            dimension_names=["z", "y", "x"],
            fill_value=0,
            compressors=[ZstdCodec(level=1, checksum=True)],
        )
        step, thick = 2**number, int(array.chunks[0])
        for z in range(0, shape[0], thick):
            some = labels_zyx[z * step : (z + thick) * step : step, ::step, ::step]
            array[z : z + thick] = np.asarray(some).astype(dtype, copy=False)
    label: dict[str, Any] = {"source": {"image": "../../"}}
    if names:
        label["properties"] = [{"label-value": number, "term": name} for number, name in sorted(names.items())]
    group.attrs.update({"ome": _metadata(geometry, len(shapes)) | {"image-label": label}})


def _metadata(geometry: Geometry, levels: int) -> dict[str, Any]:
    return {
        "version": "0.5",
        "multiscales": [
            {
                "name": "parts",
                "axes": [{"name": name, "type": "space", "unit": "millimeter"} for name in "zyx"],
                "datasets": [
                    {
                        "path": str(level),
                        "coordinateTransformations": [
                            {"type": "scale", "scale": [s * 2**level for s in geometry.spacing_mm_zyx]}
                        ],
                    }
                    for level in range(levels)
                ],
                "type": "nearest",
                "metadata": {"description": "the first of 2 x 2 x 2 voxels of the level before"},
            }
        ],
    }


class StoredLabels(LazyVolume):
    """Labels in a store. Where only every second, fourth, eighth ... voxel is asked for, and a coarser level holds just
    these, they are read from there.

    Parameters
    ----------
    folder
        Of the store.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        full = open_level(folder, 0)
        self._levels = {0: full}
        self._count = len(level_shapes(full.shape))
        self.shape, self.dtype, self.chunks = full.shape, full.dtype, full.chunks

    def _part(self, ranges: tuple[range, range, range]) -> NDArray[Any]:
        if not all(ranges):
            return np.zeros([len(r) for r in ranges], self.dtype)
        number = 0
        while number + 1 < self._count and all((r.start | r.step) % 2 ** (number + 1) == 0 for r in ranges):
            number += 1
        if number not in self._levels:
            self._levels[number] = open_level(self._folder, number)
        factor = 2**number
        key = tuple(slice(r.start // factor, -(-r.stop // factor), r.step // factor) for r in ranges)
        return np.asarray(self._levels[number][key])


def open_labels(folder: Path) -> StoredLabels:
    """Open the labels at full resolution.

    Raises
    ------
    OssicleError
        They are missing or damaged.
    """
    return StoredLabels(folder)


def list_labels(store: Path) -> list[str]:
    """Return the names of the labels that lie in a scan's store, whatever its list says."""
    folder = store / "labels"
    if not folder.is_dir():
        return []
    return sorted(p.name for p in folder.iterdir() if p.is_dir() and not p.name.startswith("."))


def write_labels_list(store: Path) -> None:
    """Write the group ``labels`` with its list, as the standard asks for, from what lies there; whole or not at all."""
    folder = store / "labels"
    folder.mkdir(exist_ok=True)
    group = {
        "zarr_format": 3,
        "node_type": "group",
        "attributes": {"ome": {"version": "0.5", "labels": list_labels(store)}},
    }
    for left in folder.glob(".zarr.json.*"):  # by a process that was killed; the caller holds the lock
        left.unlink(missing_ok=True)
    partial = folder / f".zarr.json.{secrets.token_hex(4)}"
    partial.write_text(json.dumps(group, indent=1), encoding="ascii")
    os.replace(partial, folder / "zarr.json")
