"""TIFF and BigTIFF: one file a slice, or one file with many pages; 8 to 32 bits and real numbers.

Read with tifffile. A spacing is taken from the file only where its unit is certain: OME-XML (whose default
unit is the micrometre by its schema), or an ImageDescription of ``key=value`` lines that names a unit of
length. Plain resolution tags give no distance between slices, and are often left at a printer's default; they
are only mentioned.
"""

from __future__ import annotations

import io
import logging
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from threading import RLock
from typing import Any, Literal
from xml.etree import ElementTree

import numpy as np
import tifffile
from numpy.typing import NDArray

from ossicle.errors import OssicleError
from ossicle.scans.formats._grey import grey_of_channels
from ossicle.scans.formats._slices import choose_stack, files_with_suffix, slice_stack, stacks_as_series
from ossicle.scans.formats._stack import FlatVoxels, Request, Stack, reading
from ossicle.scans.limits import MOST_EXPANSION, check_claim, check_plane
from ossicle.scans.model import SeriesInfo
from ossicle.scans.naming import shown
from ossicle.scans.spacing import Spacing, length_in_mm

__all__ = ["KIND", "list_series", "open_stack", "probe"]

KIND = "TIFF"
SUFFIXES = (".tif", ".tiff", ".btf", ".tf8")
_ORDER: dict[str, Literal["little", "big"]] = {"<": "little", ">": "big"}
_MAGIC = (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+")

# tifffile tells of damage through its logger as well as by raising; ours is the sentence.
logging.getLogger("tifffile").addHandler(logging.NullHandler())
logging.getLogger("tifffile").propagate = False


def probe(path: Path) -> bool:
    """Return whether this is a TIFF file or a folder of them."""
    if path.is_dir():
        return bool(files_with_suffix(path, SUFFIXES))
    if path.suffix.lower() in SUFFIXES:
        return True
    with path.open("rb") as file:
        return file.read(4) in _MAGIC


def list_series(path: Path) -> list[SeriesInfo]:
    """List the stacks in a folder."""
    return stacks_as_series(path, SUFFIXES) if path.is_dir() else []


def open_stack(path: Path, request: Request) -> Stack:
    """Open a folder of slices, or one file with many pages."""
    if path.is_dir():
        stack, warnings = choose_stack(path, SUFFIXES, request)
        if len(stack.names) > 1:
            result = slice_stack(path, stack, _decode, KIND, warnings)
            with reading(path / stack.names[0], KIND), tifffile.TiffFile(path / stack.names[0]) as file:
                result.spacing, result.spacing_hint = _spacing(file.pages[0], shown(stack.names[0]))
                result.warnings += _inverted(file.pages[0])
            return result
        path = path / stack.names[0]
    else:
        request.expect_one(path)
    with reading(path, KIND):
        return _open_pages(path)


def _decode(raw: bytes, path: Path) -> NDArray[Any]:
    where = shown(path)
    with tifffile.TiffFile(io.BytesIO(raw)) as file:
        pages = [page for page in _each_once(file, where) if not _is_thumbnail(page)]
        if len(pages) != 1:
            raise OssicleError(
                f"it holds {len(pages)} pages among files of one slice each",
                where=where,
                mend="give one file a slice, or one file with all slices",
            )
        page = pages[0]
        _check_page(page, len(raw), where)
        if page.is_contiguous and _is_plain(page):  # no need to copy
            dtype = page.dtype.newbyteorder(file.byteorder)
            plane = np.frombuffer(raw, dtype, page.imagelength * page.imagewidth, page.dataoffsets[0])
            return _grey(page, plane.reshape(page.imagelength, page.imagewidth), where)
        return _grey(page, page.asarray(maxworkers=1), where)


def _open_pages(path: Path) -> Stack:
    where, size = shown(path), path.stat().st_size
    file = tifffile.TiffFile(path)
    try:
        _check_chain(file, size, where)
        first = file.pages[0]
        _check_page(first, size, where)
        rows, columns = int(first.imagelength), int(first.imagewidth)
        spacing, hint = _spacing(first, shown(path.name))
        in_one = _slices_in_one_page(first, where)
        if len(file.pages) == 1 and in_one > 1:
            return _contiguous(file, path, first, in_one, spacing, hint)
        pages = [page for page in file.pages if not _is_thumbnail(page)]
    except BaseException:
        file.close()
        raise
    try:
        if len(pages) < 2:
            raise OssicleError(
                "this is one single slice, not a volume",
                where=where,
                mend="give the folder that holds all slices",
            )
        for number, page in enumerate(pages):
            if (page.imagelength, page.imagewidth) != (rows, columns) or page.dtype != first.dtype:
                raise OssicleError(
                    f"pages differ in size or type: page {number + 1} has {page.imagewidth} x "
                    f"{page.imagelength} voxels "
                    f"of {page.dtype}, the first {columns} x {rows} of {first.dtype}",
                    where=where,
                    mend="give pages of one size and type only",
                )
            _check_page(page, size, where)
        itemsize = first.dtype.itemsize
        check_claim((len(pages), rows, columns), itemsize, size, where=where, packed=int(first.compression) != 1)
        dtype = _grey(first, np.zeros((2, 2), first.dtype), where).dtype
    except BaseException:
        file.close()
        raise
    lock = RLock()

    def read(z0: int, z1: int) -> NDArray[Any]:
        out = np.empty((z1 - z0, rows, columns), dtype)
        for z in range(z0, z1):
            with reading(path, f"{KIND}, page {z + 1}"):
                out[z - z0] = _grey(pages[z], pages[z].asarray(maxworkers=1, lock=lock), where)
        return out

    return Stack(
        (len(pages), rows, columns),
        dtype,
        read,
        [path],
        path.parent,
        spacing,
        hint,
        warnings=_inverted(first),
        close=file.close,
    )


def _contiguous(
    file: tifffile.TiffFile, path: Path, page: Any, slices: int, spacing: Spacing | None, hint: str
) -> Stack:
    """Slices written one after the other behind a single page, as files beyond 4 GB often have them."""
    where = shown(path)
    offset, dtype = int(page.dataoffsets[0]), page.dtype.newbyteorder(file.byteorder)
    contiguous, plain = bool(page.is_contiguous), int(page.compression) == 1
    samples, photometric = int(page.samplesperpixel), int(page.photometric)
    rows, columns = int(page.imagelength), int(page.imagewidth)
    file.close()
    if not (contiguous and plain and samples == 1 and photometric == 1):
        raise OssicleError(
            f"its description tells of {slices} slices, it holds one page",
            where=where,
            mend="export it again",
        )
    voxels = FlatVoxels(path, (slices, rows, columns), dtype, offset=offset)
    return Stack(voxels.shape, dtype.newbyteorder("="), voxels.read, [path], path.parent, spacing, hint)


def _is_plain(page: Any) -> bool:
    """Return whether the voxels lie in the file as they are: no compression, no prediction, whole bytes."""
    return (
        int(page.compression) == 1
        and int(page.predictor) == 1
        and int(page.fillorder) == 1
        and int(page.samplesperpixel) == 1
        and int(page.bitspersample) == page.dtype.itemsize * 8
        and page.dtype.kind in "uif"
    )


def _is_thumbnail(page: Any) -> bool:
    return bool(getattr(page, "is_reduced", False))


def _check_chain(file: tifffile.TiffFile, size: int, where: str) -> None:
    """Follow the chain of pages: the library ends it in silence where it is broken, and never where it is a ring."""
    kind, at = file.tiff, int(file.pages[0].offset)
    seen: set[int] = set()
    while at:
        if at in seen or at + kind.tagnosize > size:
            raise OssicleError(f"the chain of its pages is broken after {len(seen)}", where=where, mend="copy it again")
        seen.add(at)
        file.filehandle.seek(at)
        tags = int.from_bytes(file.filehandle.read(kind.tagnosize), _ORDER[file.byteorder])
        file.filehandle.seek(at + kind.tagnosize + tags * kind.tagsize)
        raw = file.filehandle.read(kind.offsetsize)
        if len(raw) < kind.offsetsize:
            raise OssicleError(
                f"the file ends within page {len(seen)}", where=where, mend="copy it again from where it came"
            )
        at = int.from_bytes(raw, _ORDER[file.byteorder])


def _each_once(file: tifffile.TiffFile, where: str) -> Iterator[Any]:
    """Give the pages of a slice, which are counted, so that their chain need not be whole to its end.

    A ring is followed by the library for ever; where a file ends within a page, it takes what it finds there for the
    place of the next.
    """
    seen: set[int] = set()
    for page in file.pages:
        if page.offset in seen:
            raise OssicleError(f"the chain of its pages is broken after {len(seen)}", where=where, mend="copy it again")
        seen.add(page.offset)
        yield page


def _check_page(page: Any, size: int, where: str) -> None:
    rows, columns = int(page.imagelength), int(page.imagewidth)
    check_plane(rows, columns, where=where)
    if int(getattr(page, "imagedepth", 1) or 1) != 1 or page.dtype is None:
        raise OssicleError(
            "a page has a depth or a voxel type of its own kind", where=where, mend="export plain slices"
        )
    starts, counts = page.dataoffsets, page.databytecounts
    claimed = rows * columns * int(page.samplesperpixel) * page.dtype.itemsize
    held = sum(int(n) for n in counts)
    plain = int(page.compression) == 1
    cut = (
        not starts
        or any(int(n) <= 0 for n in counts)
        or any(int(a) + int(n) > size for a, n in zip(starts, counts, strict=False))
        or (plain and int(page.bitspersample) % 8 == 0 and held < claimed)
        or claimed > held * MOST_EXPANSION
    )
    if cut:
        raise OssicleError(
            "the TIFF file is cut short or damaged", where=where, mend="copy it again from where it came"
        )


def _grey(page: Any, picture: NDArray[Any], where: str) -> NDArray[Any]:
    picture = np.squeeze(picture) if picture.ndim > 3 else picture
    if picture.ndim == 3:
        if int(page.planarconfig) == 2 and int(page.samplesperpixel) > 1:
            picture = np.moveaxis(picture, 0, -1)
        picture = grey_of_channels(picture, where=where, alpha=bool(page.extrasamples))
    if picture.ndim != 2:
        raise OssicleError("a page is not one plane of grey values", where=where, mend="export plain slices")
    photometric = int(page.photometric)
    if photometric == 3:
        raise OssicleError("its grey values are numbers of a colour table", where=where, mend="export it in grey")
    if picture.dtype == np.bool_:
        picture = picture.astype(np.uint8)
    if photometric == 0 and picture.dtype.kind == "u":  # 0 is white: turned so that more is brighter
        top = (1 << int(page.bitspersample)) - 1
        picture = (top - picture.astype(np.uint64)).astype(picture.dtype)
    return picture


def _inverted(page: Any) -> list[str]:
    if int(page.photometric) == 0:
        return ["The TIFF files say that 0 is white: grey values were turned round, so that denser stays brighter."]
    return []


def _description(page: Any) -> str:
    tag = page.tags.get(270)
    value = "" if tag is None else tag.value
    if isinstance(value, bytes):
        value = value.decode("utf-8", "replace")
    return str(value)


def _pairs(text: str) -> dict[str, str]:
    return {m[1].strip().lower(): m[2].strip() for m in re.finditer(r"^([^=\n<>]{1,40})=([^\n]{0,80})$", text, re.M)}


def _slices_in_one_page(page: Any, where: str) -> int:
    pairs = _pairs(_description(page)[:4096])
    for key in ("channels", "frames"):
        if pairs.get(key, "1").isdecimal() and int(pairs.get(key, "1")) > 1:
            raise OssicleError(f"it holds several {key}", where=where, mend="export one volume of grey values")
    count = pairs.get("images", pairs.get("slices", "1"))
    return int(count) if re.fullmatch(r"[0-9]{1,9}", count) else 1


def _spacing(page: Any, name: str) -> tuple[Spacing | None, str]:
    """Return the spacing where the file states it for certain, and otherwise what to say about it."""
    text = _description(page)
    if "<OME" in text[:2000]:
        return _ome_spacing(text, name)
    resolution: Sequence[float | None] = [_per_unit(page, 283), _per_unit(page, 282)]
    pairs = _pairs(text[:4096])
    unit = length_in_mm(pairs.get("unit"))
    try:
        step = abs(float(pairs.get("spacing", "nan")))
    except ValueError:
        step = float("nan")
    tag = page.tags.get(296)
    tag_unit = {2: 25.4, 3: 10.0}.get(int(tag.value) if tag is not None else 1)
    in_plane = unit if unit is not None else tag_unit
    if in_plane is None or None in resolution:
        return None, ""
    y, x = (in_plane / r for r in resolution if r)
    if unit is not None and 0 < step < float("inf"):
        return Spacing((step * unit, y, x), f"the description in {name}"), ""
    if unit is None and any(abs(r - dpi) < 0.01 for r in resolution if r for dpi in (1, 72, 96, 150, 300)):
        return None, ""
    return None, f" (the files give {y:.6g} x {x:.6g} mm within a slice, and nothing from slice to slice)"


def _per_unit(page: Any, code: int) -> float | None:
    tag = page.tags.get(code)
    try:
        top, bottom = tag.value
        return float(top) / float(bottom) if top > 0 and bottom > 0 else None
    except (AttributeError, TypeError, ValueError, ZeroDivisionError):
        return None


def _ome_spacing(text: str, name: str) -> tuple[Spacing | None, str]:
    if "<!DOCTYPE" in text or "<!ENTITY" in text:
        raise OssicleError("its OME-XML declares entities, which are not read", where=name, mend="export it again")
    try:
        root = ElementTree.fromstring(text.encode("utf-8", "replace"))
    except ElementTree.ParseError:
        return None, " (its OME-XML is damaged)"
    pixels = next((e for e in root.iter() if e.tag.rpartition("}")[2] == "Pixels"), None)
    if pixels is None:
        return None, ""
    for key, word in (("SizeC", "channels"), ("SizeT", "times")):
        if pixels.get(key, "1") not in ("1", ""):
            raise OssicleError(f"it holds several {word}", where=name, mend="export one volume of grey values")
    values = []
    for axis in "ZYX":
        size, unit = (
            pixels.get(f"PhysicalSize{axis}"),
            length_in_mm(pixels.get(f"PhysicalSize{axis}Unit", "µm")),
        )
        try:
            number = float(size) if size is not None and unit is not None else 0.0
        except ValueError:
            number = 0.0
        if not 0 < number < float("inf"):
            return None, f" (its OME-XML gives none along {axis.lower()})"
        values.append(number * (unit or 0.0))
    return Spacing((values[0], values[1], values[2]), f"the OME-XML in {name}"), ""
