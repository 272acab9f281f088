"""OME-Zarr 0.4 and 0.5: the full-resolution level of a multiscale image with one channel and one time.

Read with zarr. Before the library sees an array, its metadata are checked here: only plain numbers and known
codecs (no pickles), pieces of bounded size, and paths that stay inside the store.
"""

from __future__ import annotations

import math
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np
import zarr
from numpy.typing import NDArray

from ossicle.errors import OssicleError
from ossicle.scans.formats._stack import Request, Stack, reading
from ossicle.scans.limits import check_claim
from ossicle.scans.model import SeriesInfo
from ossicle.scans.naming import shown
from ossicle.scans.spacing import Spacing, length_in_mm
from ossicle.scans.unfolding import BoundedStore
from ossicle.scans.zarr_guard import check_array, read_metadata

__all__ = ["KIND", "ORDER", "list_series", "open_stack", "probe"]

KIND = "OME-Zarr"
ORDER = 10
_VERSIONS = ("0.4", "0.5")
_NO_PIECES = ("zarr.json", ".zarray", ".zattrs", ".zgroup", ".zmetadata")
_MARKS = ("zarr.json", ".zgroup", ".zattrs")


def probe(path: Path) -> bool:
    """Return whether this is a folder with the metadata of a Zarr group."""
    return path.is_dir() and any((path / mark).is_file() for mark in _MARKS)


def list_series(path: Path) -> list[SeriesInfo]:
    """List the images of a store that holds several."""
    return [SeriesInfo(name, None, None, None, 0, 0, 0) for name in _images(path)]


def open_stack(path: Path, request: Request) -> Stack:
    """Open the full-resolution level."""
    with reading(path, KIND):
        return _open(path, request)


def _attributes(group: Path) -> dict[str, Any]:
    """Return the OME attributes of a group: those under ``ome`` (0.5), or the group's own (0.4)."""
    if (group / "zarr.json").is_file():
        attributes = read_metadata(group / "zarr.json").get("attributes", {})
        found = attributes.get("ome", attributes)
    else:
        found = read_metadata(group / ".zattrs") if (group / ".zattrs").is_file() else {}
    return found if isinstance(found, dict) else {}


def _images(path: Path) -> list[str]:
    """Return the names of images in a store that holds several (each a group below with ``multiscales``)."""
    if "multiscales" in _attributes(path):
        return []
    below = sorted(p for p in path.iterdir() if probe(p) and p.name != "OME")
    return [p.name for p in below if "multiscales" in _attributes(p)]


def _open(path: Path, request: Request) -> Stack:
    where, group = shown(path), path
    images = _images(path)
    if images:
        listed = ", ".join(shown(name) for name in images[:8]) + (" …" if len(images) > 8 else "")
        if request.series is not None and request.series not in images:
            raise OssicleError(f"it holds no image “{request.series}”", where=where, mend=f"choose one of: {listed}")
        if request.series is None and len(images) > 1:
            raise OssicleError(
                f"it holds {len(images)} images", where=where, mend=f"choose one with --series: {listed}"
            )
        group = path / (request.series or images[0])
    multiscales = _attributes(group).get("multiscales")
    if not isinstance(multiscales, list) or not multiscales:
        raise OssicleError("this Zarr store has no OME-Zarr image in it", where=where, mend="give the image's folder")
    image = multiscales[0]
    version = str(_attributes(group).get("version", image.get("version", "0.4")))
    if version not in _VERSIONS:
        raise OssicleError(f"OME-Zarr {version} is not read, only 0.4 and 0.5", where=where, mend="write it as 0.5")
    name = str(image["datasets"][0]["path"])
    if ".." in PurePosixPath(name).parts or PurePosixPath(name).is_absolute() or "\\" in name:
        raise OssicleError("its metadata name an array outside the store", where=where, mend="write the store again")
    folder = group / name
    axes = [a if isinstance(a, dict) else {"name": str(a)} for a in image["axes"]]
    shape, pieces = check_array(folder, where)
    names = [str(axis["name"]).lower() for axis in axes]
    if len(names) != len(shape) or [n for n in names if n in "zyx"] != ["z", "y", "x"]:
        raise OssicleError(f"its axes {names} are not those of a volume", where=where, mend="write axes z, y, x")
    for axis, size in zip(names, shape, strict=True):
        if axis not in "zyx" and size != 1:
            raise OssicleError(f"it holds {size} along axis {axis}", where=where, mend="export one volume")
    array = zarr.open_array(BoundedStore(folder, pieces), mode="r")
    return _stack(path, folder, array, names, shape, _spacing(image, axes, where), where)


def _stack(
    path: Path,
    folder: Path,
    array: Any,
    names: list[str],
    shape: tuple[int, ...],
    spacing: tuple[Spacing | None, str],
    where: str,
) -> Stack:
    volume = tuple(shape[names.index(axis)] for axis in "zyx")
    dtype = np.dtype(array.dtype)
    if dtype.kind not in "buif":
        raise OssicleError(f"voxels of type {dtype} are no grey values", where=where, mend="export grey values")
    held = sum(p.stat().st_size for p in folder.rglob("*") if p.is_file())
    # empty pieces need not be there at all, so only a wild claim can be told from these sizes
    check_claim(volume, dtype.itemsize / 100, held, where=where, packed=True)

    def read(z0: int, z1: int) -> NDArray[Any]:
        key = tuple(slice(z0, z1) if axis == "z" else slice(None) if axis in "yx" else 0 for axis in names)
        with reading(path, KIND):
            return np.asarray(array[key]).astype(dtype.newbyteorder("="), copy=False)

    said, hint = spacing
    stack = Stack((volume[0], volume[1], volume[2]), dtype.newbyteorder("="), read, [path], path.parent, said, hint)
    stack.warnings += _absent_pieces(folder, array)
    stack.parallel = False  # the library reads the pieces of a block in threads of its own
    stack.at_once = max(8, int(array.chunks[names.index("z")]))
    return stack


def _absent_pieces(folder: Path, array: Any) -> list[str]:
    """Say how many pieces are not there: empty ones may be left out, and broken copies lack some."""
    piece = array.shards or array.chunks
    expected = math.prod(-(-n // c) for n, c in zip(array.shape, piece, strict=True))
    there = sum(1 for p in folder.rglob("*") if p.is_file() and p.name not in _NO_PIECES)
    if there >= expected:
        return []
    return [
        f"{expected - there} of the store's {expected} pieces are absent and were taken as filled with"
        f" {array.fill_value}: right where the program that wrote it left out empty ones, wrong after a "
        "broken copy."
    ]


def _spacing(image: dict[str, Any], axes: list[dict[str, Any]], where: str) -> tuple[Spacing | None, str]:
    """Return the scale of the full-resolution level, times that of the whole image where there is one."""
    scale = np.ones(len(axes))
    found = False
    for step in [
        *image["datasets"][0].get("coordinateTransformations", []),
        *image.get("coordinateTransformations", []),
    ]:
        if step.get("type") == "scale":
            values = np.array([float(v) for v in step["scale"]])
            if values.shape != scale.shape:
                raise OssicleError("its scale has too few or too many numbers", where=where, mend="mend the metadata")
            scale, found = scale * values, True
    names = [str(axis["name"]).lower() for axis in axes]
    units = [axes[names.index(axis)].get("unit") for axis in "zyx"]
    factors = [length_in_mm(unit) if isinstance(unit, str) else None for unit in units]
    if not found or any(f is None for f in factors):
        return None, " (its axes name no unit of length)" if found else ""
    z, y, x = (float(scale[names.index(axis)]) * (f or 0.0) for axis, f in zip("zyx", factors, strict=True))
    if not all(math.isfinite(v) and v > 0 for v in (z, y, x)):
        raise OssicleError(f"its spacing is {z:g} x {y:g} x {x:g} mm", where=where, mend="mend the metadata")
    return Spacing((z, y, x), "the metadata"), ""
