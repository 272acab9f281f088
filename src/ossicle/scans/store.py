"""The OME-Zarr 0.5 store: one volume at several resolutions, written slab by slab, read block by block.

Layout (NGFF 0.5, Zarr version 3): a group whose attribute ``ome.multiscales`` names the arrays ``0`` (as
scanned), ``1``, ``2`` ... Each level holds the means of 2 x 2 x 2 voxels of the level before (fewer at an odd
edge), until no axis is longer than 64. Axes z, y, x in millimetres; each level carries its scale and the
half-voxel shift of its means. Chunks are compressed by zstd with a checksum, so that a flipped bit is
noticed. The group's attribute ``ossicle`` holds what an account needs: sources with digests, geometry,
warnings, rescaling.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import zarr
from numpy.typing import DTypeLike, NDArray
from zarr.codecs import ZstdCodec

from ossicle.errors import OssicleError
from ossicle.scans.geometry import Geometry
from ossicle.scans.limits import check_size
from ossicle.scans.model import Scan, Source
from ossicle.scans.naming import shown
from ossicle.scans.unfolding import BoundedStore
from ossicle.scans.zarr_guard import check_array

__all__ = [
    "STORE_VERSION",
    "StoreWriter",
    "StoredVolume",
    "chunk_shape",
    "halve",
    "is_own_store",
    "open_store",
]

STORE_VERSION = 1
_SLAB_BYTES = 256 << 20
_SMALLEST = 64


class StoredVolume:
    """One level of a store: shape (z, y, x), read when sliced; damage on disk is one clear sentence."""

    ndim = 3

    def __init__(self, array: Any, store: Path) -> None:
        self._array, self._store = array, store

    @property
    def shape(self) -> tuple[int, int, int]:
        """Number of voxels along z, y, x."""
        z, y, x = self._array.shape
        return int(z), int(y), int(x)

    @property
    def dtype(self) -> np.dtype[Any]:
        """Type of a voxel."""
        dtype: np.dtype[Any] = self._array.dtype
        return dtype

    @property
    def size(self) -> int:
        """Number of voxels."""
        return math.prod(self.shape)

    @property
    def chunks(self) -> tuple[int, int, int]:
        """Shape of the pieces in which it lies on disk; blocks aligned with them are read fastest."""
        z, y, x = self._array.chunks
        return int(z), int(y), int(x)

    def __getitem__(self, key: Any) -> Any:
        try:
            return self._array[key]
        except (IndexError, TypeError):
            raise
        except Exception as error:
            raise OssicleError(
                "a piece of the stored volume is damaged or missing",
                where=shown(self._store),
                mend="remove this folder and take the scan in again",
            ) from error

    def __array__(self, dtype: DTypeLike | None = None, copy: bool | None = None) -> NDArray[Any]:
        if copy is False:
            raise ValueError("a stored volume cannot be had without reading it")
        whole: NDArray[Any] = self[...]
        return whole if dtype is None else whole.astype(dtype, copy=False)

    def __repr__(self) -> str:
        return f"StoredVolume(shape={self.shape}, dtype={self.dtype}, chunks={self.chunks})"


def chunk_shape(shape_zyx: Sequence[int], itemsize: int) -> tuple[int, int, int]:
    """Return the shape of a chunk: 64^3, or flatter where 64 whole slices would take more than 256 MB."""
    z, y, x = shape_zyx
    thick, wide = 64, 64
    while thick > 8 and thick * y * x * itemsize > _SLAB_BYTES:
        thick //= 2
        wide = {32: 96, 16: 128, 8: 192}[thick]
    return min(thick, z), min(wide, y), min(wide, x)


def level_shapes(shape_zyx: Sequence[int]) -> list[tuple[int, int, int]]:
    """Return the shapes of all levels, from the full one down."""
    z, y, x = shape_zyx
    shapes = [(z, y, x)]
    while max(shapes[-1]) > _SMALLEST:
        z, y, x = ((n + 1) // 2 for n in shapes[-1])
        shapes.append((z, y, x))
    return shapes


def halve(block: NDArray[Any]) -> NDArray[Any]:
    """Return the means over 2 x 2 x 2 voxels; at an odd edge over the voxels there are.

    Whole numbers are rounded to the nearest (halves up).
    """
    wide = {1: np.int16, 2: np.int32}.get(block.dtype.itemsize, np.int64) if block.dtype.kind in "iu" else np.float32
    total = _pairs(_pairs(_pairs(block, 0, wide), 1, wide), 2, wide)
    if block.dtype.kind in "iu":
        return ((total + 4) >> 3).astype(block.dtype)
    return (total * np.float32(0.125)).astype(block.dtype, copy=False)


def _pairs(block: NDArray[Any], axis: int, wide: DTypeLike) -> NDArray[Any]:
    n = block.shape[axis]
    even = [slice(None)] * 3
    odd = [slice(None)] * 3
    even[axis], odd[axis] = slice(0, n - n % 2, 2), slice(1, None, 2)
    if n % 2 == 0:
        both: NDArray[Any] = np.add(block[tuple(even)], block[tuple(odd)], dtype=wide)
        return both
    shape = list(block.shape)
    shape[axis] = (n + 1) // 2
    out = np.empty(shape, wide)
    body, last, edge = [slice(None)] * 3, [slice(None)] * 3, [slice(None)] * 3
    body[axis], last[axis], edge[axis] = slice(0, n // 2), slice(n // 2, None), slice(n - 1, None)
    if n > 1:
        np.add(block[tuple(even)], block[tuple(odd)], out=out[tuple(body)], dtype=wide)
    np.multiply(block[tuple(edge)], 2, out=out[tuple(last)], dtype=wide)
    return out


class StoreWriter:
    """Writes a store slab by slab; holds one slab of each level at a time.

    Parameters
    ----------
    folder
        A new folder; the caller moves it into place when all is well.
    shape_zyx, dtype
        Of the full-resolution level.
    threads
        For compression.
    """

    def __init__(self, folder: Path, shape_zyx: tuple[int, int, int], dtype: np.dtype[Any], threads: int) -> None:
        self.folder = folder
        self.shapes = level_shapes(shape_zyx)
        use_threads(threads)
        self._group = zarr.create_group(str(folder), zarr_format=3)
        self._arrays = []
        for level, shape in enumerate(self.shapes):
            chunks = chunk_shape(shape, dtype.itemsize)
            self._arrays.append(
                self._group.create_array(
                    str(level),
                    shape=shape,
                    chunks=chunks,
                    dtype=dtype,
                    dimension_names=["z", "y", "x"],
                    fill_value=0,
                    compressors=[ZstdCodec(level=1, checksum=True)],
                    config={"write_empty_chunks": True},
                )
            )
        self._pending: list[list[NDArray[Any]]] = [[] for _ in self.shapes]
        self._written = [0] * len(self.shapes)

    @property
    def slab(self) -> int:
        """Number of slices that :meth:`append` should be given at a time."""
        return int(self._arrays[0].chunks[0])

    def append(self, slices: NDArray[Any], pool: Executor | None = None) -> None:
        """Append the next slices (z, y, x): a whole slab each time, and what remains at the end."""
        self._append(0, slices, pool)

    def _append(self, level: int, slices: NDArray[Any], pool: Executor | None) -> None:
        """Keep slices until they fill a slab of this level (or end it); write it, pass its means on."""
        total, thick = self.shapes[level][0], int(self._arrays[level].chunks[0])
        pending = self._pending[level]
        pending.append(slices)
        held = sum(len(p) for p in pending)
        done = self._written[level]
        if held % thick and done + held < total:
            return
        slab = pending[0] if len(pending) == 1 else np.concatenate(pending)
        pending.clear()
        self._arrays[level][done : done + held] = slab
        self._written[level] += held
        if level + 1 < len(self.shapes):
            coarse = np.empty(((held + 1) // 2, *self.shapes[level + 1][1:]), slab.dtype)

            def fill(z: int) -> None:
                for a in range(z, min(z + 16, held), 2):  # two slices at a time stay in the processor's cache
                    coarse[a // 2] = halve(slab[a : a + 2])[0]

            list((map if pool is None else pool.map)(fill, range(0, held, 16)))
            self._append(level + 1, coarse, pool)

    def finish(self, scan: Scan, key: str) -> None:
        """Write the metadata; the store is whole after this.

        Raises
        ------
        RuntimeError
            Fewer slices were appended than the shape has (a bug of ours).
        """
        if any(done != shape[0] for done, shape in zip(self._written, self.shapes, strict=True)):
            raise RuntimeError("the store lacks slices")
        pieces = sum(math.prod(-(-n // c) for n, c in zip(a.shape, a.chunks, strict=True)) for a in self._arrays)
        self._group.attrs.update(
            {
                "ome": ome_metadata(scan.geometry, len(self.shapes)),
                "ossicle": {
                    "store_version": STORE_VERSION,
                    "key": key,
                    "chunks": pieces,
                    "sources": [asdict(source) for source in scan.sources],
                    "geometry": scan.geometry.as_json(),
                    "grey_unit": scan.grey_unit,
                    "slope": scan.slope,
                    "intercept": scan.intercept,
                    "value_range": None if scan.value_range is None else list(scan.value_range),
                    "warnings": list(scan.warnings),
                },
            }
        )


def ome_metadata(geometry: Geometry, levels: int) -> dict[str, Any]:
    """Return the ``ome`` attribute for ``levels`` levels of means over 2, 4, 8 ... voxels."""
    datasets = []
    for level in range(levels):
        factor = 2**level
        scale = [s * factor for s in geometry.spacing_mm_zyx]
        transformations: list[dict[str, Any]] = [{"type": "scale", "scale": scale}]
        if level:
            shift = [s * (factor - 1) / 2 for s in geometry.spacing_mm_zyx]
            transformations.append({"type": "translation", "translation": shift})
        datasets.append({"path": str(level), "coordinateTransformations": transformations})
    return {
        "version": "0.5",
        "multiscales": [
            {
                "name": "scan",
                "axes": [{"name": name, "type": "space", "unit": "millimeter"} for name in "zyx"],
                "datasets": datasets,
                "type": "mean",
                "metadata": {"description": "means over 2 x 2 x 2 voxels of the level before"},
            }
        ],
    }


def use_threads(threads: int) -> None:
    """Bound the threads of the Zarr library, which shares one pool in a process; the first call decides."""
    zarr.config.set({"threading.max_workers": max(1, threads), "async.concurrency": max(2, 2 * threads)})


def is_own_store(path: Path) -> bool:
    """Return whether a folder is a store that :class:`StoreWriter` has finished."""
    try:
        return path.is_dir() and "ossicle" in _attributes(path)
    except OssicleError:
        return False


def open_store(path: Path, *, threads: int = 2) -> Scan:
    """Open a store written by Ossicle; nothing is read but its metadata.

    Raises
    ------
    OssicleError
        The folder is no such store, was written by a later Ossicle, or lacks pieces.
    """
    use_threads(threads)
    record = _attributes(path).get("ossicle")
    try:
        if not isinstance(record, dict) or int(record["store_version"]) != STORE_VERSION:
            raise OssicleError(
                "this store was written by another version of Ossicle",
                where=shown(path),
                mend="take the scan in again",
            )
        pieces = sum(1 for level in path.iterdir() if level.is_dir() for f in (level / "c").rglob("*") if f.is_file())
        if pieces != int(record["chunks"]):
            raise OssicleError(
                f"the stored volume has {pieces} pieces of {record['chunks']}",
                where=shown(path),
                mend="remove this folder and take the scan in again",
            )
        low_high = record["value_range"]
        return Scan(
            values=open_level(path, 0),
            geometry=Geometry.from_json(record["geometry"]),
            sources=tuple(Source(str(s["name"]), str(s["sha256"]), int(s["bytes"])) for s in record["sources"]),
            grey_unit=str(record["grey_unit"]),
            warnings=tuple(str(w) for w in record["warnings"]),
            store=path,
            slope=float(record["slope"]),
            intercept=float(record["intercept"]),
            value_range=None if low_high is None else (float(low_high[0]), float(low_high[1])),
        )
    except (KeyError, TypeError, ValueError, IndexError, OSError) as error:
        raise OssicleError(
            "the record in this store is damaged",
            where=shown(path),
            mend="remove this folder and take the scan in again",
        ) from error


def open_level(path: Path, level: int) -> StoredVolume:
    """Open one level of a store."""
    try:
        folder = path / str(level)
        shape, pieces = check_array(folder, shown(path))
        check_size(shape, where=shown(path))
        array = zarr.open_array(BoundedStore(folder, pieces), mode="r", zarr_format=3)
    except OssicleError:
        raise
    except Exception as error:
        raise OssicleError(
            f"level {level} of the stored volume is damaged or missing",
            where=shown(path),
            mend="remove this folder and take the scan in again",
        ) from error
    return StoredVolume(array, path)


def _attributes(path: Path) -> dict[str, Any]:
    try:
        return dict(zarr.open_group(str(path), mode="r", zarr_format=3).attrs)
    except Exception as error:
        raise OssicleError("this is no OME-Zarr store", where=shown(path)) from error
