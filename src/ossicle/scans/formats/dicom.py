"""DICOM series: one image a file, or one file with many frames. Headers are read with pydicom.

Slices are put in order by their positions along the normal of their plane, never by name or instance number
where there are positions; the distance between slices comes from the positions too, and is compared with what
the headers say. Rescale slope and intercept are applied. World axes are turned from left, posterior, superior
(DICOM PS3.3 C.7.6.2.1.1) into right, anterior, superior. Nothing about a patient is kept.
"""

from __future__ import annotations

import hashlib
import os
import warnings
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
from numpy.typing import NDArray
from pydicom.dataset import FileDataset
from pydicom.errors import InvalidDicomError
from pydicom.uid import UID

from ossicle.errors import OssicleError
from ossicle.scans.formats._dicom_deflated import check_deflated
from ossicle.scans.formats._dicom_frames import FrameFile, decode_single
from ossicle.scans.formats._dicom_geometry import Frame, arrange, numbers
from ossicle.scans.formats._stack import Request, Stack, reading
from ossicle.scans.limits import MOST_IN_A_PLANE, check_claim
from ossicle.scans.model import SeriesInfo
from ossicle.scans.naming import natural_key, shown

__all__ = ["KIND", "ORDER", "list_series", "open_stack", "probe"]

KIND = "DICOM"
ORDER = 40  # its files often have no suffix, and are known by their first bytes
SUFFIXES = (".dcm", ".dicom", ".ima")
_OTHERS = (
    ".tif", ".tiff", ".btf", ".png", ".bmp", ".jpg", ".jpeg", ".json", ".toml", ".txt", ".xml", ".csv",
    ".pdf", ".html",
    ".nii", ".gz", ".nrrd", ".nhdr", ".mhd", ".mha", ".raw", ".npy", ".zip", ".md", ".py", ".log", ".zarr",
)  # fmt: skip
_PROBED = 200
_MOST_FILES = 100_000
_TAGS: list[Any] = [
    "SOPClassUID", "SOPInstanceUID", "SeriesInstanceUID", "SeriesNumber", "SeriesDescription", "Modality",
    "Rows",
    "Columns", "ImagePositionPatient", "ImageOrientationPatient", "PixelSpacing", "ImagerPixelSpacing",
    "SliceThickness",
    "SpacingBetweenSlices", "SliceLocation", "InstanceNumber", "RescaleSlope", "RescaleIntercept",
    "RescaleType",
    "BitsAllocated", "BitsStored", "HighBit", "PixelRepresentation", "PhotometricInterpretation",
    "SamplesPerPixel",
    "NumberOfFrames", "SharedFunctionalGroupsSequence", "PerFrameFunctionalGroupsSequence",
]  # fmt: skip

warnings.filterwarnings("ignore", module=r"pydicom\b")  # real files are dirty; what matters is checked below


@dataclass(frozen=True)
class _Image:
    """One file's header."""

    path: Path
    header: FileDataset

    def get(self, key: str, default: Any = None) -> Any:
        value = self.header.get(key, default)
        return default if value is None or value == "" else value

    @property
    def frames(self) -> int:
        return int(self.get("NumberOfFrames", 1))


def probe(path: Path) -> bool:
    """Return whether this is a DICOM file, or a folder (or tree of folders) with one."""
    if path.is_file():
        return path.suffix.lower() in SUFFIXES or _has_mark(path)
    for number, candidate in enumerate(_candidates(path)):
        if candidate.suffix.lower() in SUFFIXES or _has_mark(candidate):
            return True
        if number >= _PROBED:
            break
    return False


def list_series(path: Path) -> list[SeriesInfo]:
    """List the series in a folder, largest first."""
    with reading(path, KIND):
        return [_info(uid, images) for uid, images in _by_series(_read_headers(path)).items()]


def open_stack(path: Path, request: Request) -> Stack:
    """Open a series: a folder of files, or one file with many frames."""
    with reading(path, KIND):
        images = _read_headers(path)
        if not images:
            raise OssicleError("no DICOM image could be read", where=shown(path), mend="copy it again")
        images, said = _choose(path, _by_series(images), request)
        root = path if path.is_dir() else path.parent
        return _open(images, root, shown(path), said)


def _candidates(folder: Path) -> Iterator[Path]:
    """Yield files that may be DICOM, in natural order; not below a folder of pictures."""
    count = 0
    for at, folders, names in os.walk(folder, followlinks=False):
        folders[:] = sorted((name for name in folders if not name.startswith(".")), key=natural_key)
        if any(name.endswith(".zarr") for name in folders):
            folders[:] = [name for name in folders if not name.endswith(".zarr")]
        for name in sorted(names, key=natural_key):
            if name.startswith(".") or name.upper() == "DICOMDIR" or Path(name).suffix.lower() in _OTHERS:
                continue
            if not (Path(at) / name).is_file():  # a pipe or a device would wait for ever
                continue
            count += 1
            if count > _MOST_FILES:
                raise OssicleError(f"the folder holds more than {_MOST_FILES} files", where=shown(folder),
                                   mend="give the folder of one series")  # fmt: skip
            yield Path(at) / name
        if any(Path(name).suffix.lower() in (".tif", ".tiff", ".png", ".bmp", ".jpg") for name in names):
            return


def _has_mark(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(132)[128:] == b"DICM"
    except OSError:
        return False


def _read_headers(path: Path) -> list[_Image]:
    if path.is_file():
        return [_header(path)]
    images = []
    for candidate in _candidates(path):
        if candidate.suffix.lower() in SUFFIXES or _has_mark(candidate):
            with reading(candidate, KIND):
                image = _header(candidate)
            if image.get("Rows") is not None:
                images.append(image)
            elif not _is_other_object(image):
                raise OssicleError(
                    "the DICOM file is cut short or damaged", where=shown(candidate), mend="copy it again"
                )
    return images


def _is_other_object(image: _Image) -> bool:
    """Return whether this is a DICOM file that is whole and no image (a report, a directory)."""
    kind = image.get("SOPClassUID")
    return kind is not None and "Image" not in UID(str(kind)).name


def _header(path: Path) -> _Image:
    force = path.suffix.lower() in SUFFIXES
    check_deflated(path)
    try:
        header = pydicom.dcmread(path, stop_before_pixels=True, specific_tags=_TAGS, force=force)
    except InvalidDicomError as error:
        raise OssicleError("this is no DICOM file", where=shown(path), mend="copy it again") from error
    if not len(header):
        raise OssicleError("the DICOM file is cut short or damaged", where=shown(path), mend="copy it again")
    return _Image(path, header)


def _by_series(images: list[_Image]) -> dict[str, list[_Image]]:
    found: dict[str, list[_Image]] = defaultdict(list)
    for image in images:
        found[str(image.get("SeriesInstanceUID", "without a series UID"))].append(image)
    order = sorted(found.items(), key=lambda item: (-sum(i.frames for i in item[1]), item[0]))
    return dict(order)


def _info(uid: str, images: list[_Image]) -> SeriesInfo:
    first = images[0]
    number, description, modality = (first.get(k) for k in ("SeriesNumber", "SeriesDescription", "Modality"))
    return SeriesInfo(
        uid,
        None if number is None else int(number),
        None if description is None else shown(str(description)),
        None if modality is None else str(modality),
        sum(image.frames for image in images),
        int(first.get("Rows", 0)),
        int(first.get("Columns", 0)),
    )


def _choose(path: Path, series: dict[str, list[_Image]], request: Request) -> tuple[list[_Image], list[str]]:
    infos = [_info(uid, images) for uid, images in series.items()]
    listed = "; ".join(info.sentence() for info in infos[:8]) + (" …" if len(infos) > 8 else "")
    if request.series is not None:
        said = request.series
        for fits in (
            [i for i in infos if i.id == said],
            [i for i in infos if i.number is not None and str(i.number) == said],
            [i for i in infos if i.description == said],
        ):
            if len(fits) == 1:
                return series[fits[0].id], []
        raise OssicleError(f"no single series is called “{said}”", where=shown(path), mend=f"choose one of: {listed}")
    whole = [info for info in infos if info.slices > 1]
    if len(infos) == 1 or len(whole) == 1:
        chosen = whole[0] if whole else infos[0]
        others = [info for info in infos if info is not chosen]
        said_too = (
            [f"Series of one image were left out: {'; '.join(i.sentence() for i in others[:5])}."] if others else []
        )
        return series[chosen.id], said_too
    folders = list(dict.fromkeys(images[0].path.parent for images in series.values()))
    mend = f"choose one with --series: {listed}"
    if len(folders) == len(infos):
        named = ", ".join(shown(folder.relative_to(path)) for folder in folders[:8]) + (" …" if folders[8:] else "")
        mend += f"; or name the folder of one: {named}"
    raise OssicleError(f"the folder holds {len(infos)} series", where=shown(path), mend=mend)


def _open(images: list[_Image], root: Path, where: str, said: list[str]) -> Stack:
    images = _without_copies(images, said)
    first = images[0]
    _check_alike(images, where)
    many = [image for image in images if image.frames > 1]
    if many and len(images) > 1:
        raise OssicleError("the series is spread over several files of many frames", where=where,
                           mend="give one of the files")  # fmt: skip
    if sum(image.frames for image in images) < 2:
        raise OssicleError("there is one single slice, not a volume", where=where, mend="give the whole series")
    rows, columns = int(first.get("Rows")), int(first.get("Columns"))
    claim = (first.frames if many else len(images), rows, columns)
    check_claim(claim, 0, 0, where=where, packed=False)
    frames = _frames_of_one(first) if many else [_frame(image.get, n) for n, image in enumerate(images)]
    layout = arrange(frames, where)
    frames = [frames[i] for i in layout.order]
    if many:
        stack = FrameFile(first.path, first.header, claim).stack(layout.order, root)
    else:
        stack = _stack_of_files([images[i] for i in layout.order], claim, root)
    stack.spacing, stack.spacing_hint, stack.affine = layout.spacing, layout.hint, layout.affine
    stack.warnings = [*said, *layout.warnings]
    if str(first.get("PhotometricInterpretation")) == "MONOCHROME1":
        stack.warnings.append("The images are meant to be shown with low values bright; values were kept as they are.")
    _rescale(stack, frames, first)
    return stack


def _without_copies(images: list[_Image], said: list[str]) -> list[_Image]:
    seen: dict[str, _Image] = {}
    kept = []
    for image in images:
        uid = image.get("SOPInstanceUID")
        if uid is not None and str(uid) in seen:
            continue
        if uid is not None:
            seen[str(uid)] = image
        kept.append(image)
    if len(kept) < len(images):
        said.append(f"{len(images) - len(kept)} files are copies of others by their instance UID, and were left out.")
    return kept


def _check_alike(images: list[_Image], where: str) -> None:
    first = images[0]
    for key in ("Rows", "Columns", "BitsAllocated", "PixelRepresentation"):
        if first.get(key) is None and key != "PixelRepresentation":
            raise OssicleError(f"{first.path.name} lacks {key}: it is no image", where=where, mend="leave it out")
        for image in images:
            if image.get(key) != first.get(key):
                raise OssicleError(
                    f"slices differ in size or type: {shown(image.path.name)} has {key} {image.get(key)}, "
                    f"{shown(first.path.name)} has {first.get(key)}",
                    where=where,
                    mend="give slices of one size and type only",
                )
    if int(first.get("SamplesPerPixel", 1)) != 1:
        raise OssicleError("the images are in colour", where=where, mend="give a series of grey values")
    if int(first.get("BitsAllocated")) not in (8, 16, 32):
        raise OssicleError(f"{first.get('BitsAllocated')} bits a voxel cannot be read", where=where)


def _frame(get: Any, number: int) -> Frame:
    """Gather what a header says about one image; ``get`` looks a keyword up."""
    location, instance = get("SliceLocation"), get("InstanceNumber")
    return Frame(
        position=numbers(get("ImagePositionPatient"), 3),
        orientation=numbers(get("ImageOrientationPatient"), 6),
        pixel_spacing=numbers(get("PixelSpacing"), 2),
        imager_spacing=numbers(get("ImagerPixelSpacing"), 2),
        between=numbers(get("SpacingBetweenSlices"), 1),
        thickness=numbers(get("SliceThickness"), 1),
        location=None if location is None else float(location),
        instance=number if instance is None else int(instance),
        slope=float(get("RescaleSlope", 1.0)),
        intercept=float(get("RescaleIntercept", 0.0)),
    )


def _frames_of_one(image: _Image) -> list[Frame]:
    """Gather frames of an enhanced multi-frame file (PS3.3 C.7.6.16), or of an older one."""
    per_frame = image.get("PerFrameFunctionalGroupsSequence") or []
    shared = image.get("SharedFunctionalGroupsSequence") or []
    if len(per_frame) not in (0, image.frames):
        raise OssicleError(f"it describes {len(per_frame)} of {image.frames} frames", where=shown(image.path))
    if not per_frame and not shared:
        whole = _frame(image.get, 0)
        return [replace(whole, position=None, location=None, instance=n) for n in range(image.frames)]
    frames = []
    for number in range(image.frames):
        groups = [*(per_frame[number : number + 1]), *shared]

        def get(key: str, default: Any = None, groups: list[Any] = groups) -> Any:
            for group in groups:
                for sequence in group:
                    if sequence.VR == "SQ" and len(sequence.value) and key in sequence.value[0]:
                        value = sequence.value[0].get(key)
                        return default if value is None or value == "" else value
            return image.get(key, default)

        frames.append(replace(_frame(get, number), instance=number))
    return frames


def _stack_of_files(images: list[_Image], shape: tuple[int, int, int], root: Path) -> Stack:
    paths = [image.path for image in images]
    signed = bool(images[0].get("PixelRepresentation", 0))
    dtype = np.dtype(f"{'i' if signed else 'u'}{int(images[0].get('BitsAllocated')) // 8}")
    digests: dict[Path, tuple[str, int]] = {}

    def read(z0: int, z1: int) -> NDArray[Any]:
        out = np.empty((z1 - z0, *shape[1:]), dtype)
        for z in range(z0, z1):
            with reading(paths[z], KIND):
                if paths[z].stat().st_size > MOST_IN_A_PLANE * 8:
                    raise OssicleError("the file is too large for one slice", where=shown(paths[z]))
                raw = paths[z].read_bytes()
                digests[paths[z]] = (hashlib.sha256(raw).hexdigest(), len(raw))
                out[z - z0] = decode_single(raw, shape[1:], dtype, shown(paths[z]))
        return out

    return Stack(shape, dtype, read, paths, root, digests=digests)


def _rescale(stack: Stack, frames: list[Frame], first: _Image) -> None:
    bits = int(first.get("BitsStored", first.get("BitsAllocated")))
    if not 1 <= bits <= int(first.get("BitsAllocated")):
        raise OssicleError(f"{bits} bits stored cannot be", where=shown(first.path), mend="copy it again")
    signed = bool(first.get("PixelRepresentation", 0))
    limits = (-(1 << (bits - 1)), (1 << (bits - 1)) - 1) if signed else (0, (1 << bits) - 1)
    slopes, intercepts = {f.slope for f in frames}, {f.intercept for f in frames}
    if len(slopes) == 1 and len(intercepts) == 1:
        stack.rescale(slopes.pop(), intercepts.pop(), limits)
    else:
        scale = np.array([(f.slope, f.intercept) for f in frames])
        if not np.all(np.isfinite(scale)) or np.any(scale[:, 0] == 0):
            raise OssicleError(
                "slices are rescaled by 0 or by no number", where=shown(first.path), mend="copy it again"
            )
        read = stack.read
        stack.dtype = np.dtype(np.float32)
        stack.read = lambda z0, z1: (read(z0, z1) * scale[z0:z1, 0, None, None] + scale[z0:z1, 1, None, None]).astype(
            np.float32
        )
    kind = str(first.get("RescaleType", "")).upper()
    if kind == "HU" or (not kind and first.get("Modality") == "CT" and any(f.intercept for f in frames)):
        stack.grey_unit = "HU"
