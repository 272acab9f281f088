"""NIfTI-1 and NIfTI-2, one file (``.nii``, ``.nii.gz``) or header and image apart (``.hdr`` + ``.img``).

The header is read with nibabel; voxels lie with x fastest and are read slice by slice. The affine is the
sform where its code is above 0, else the qform where its code is above 0, else none is stated: the standard's
"method 1" gives spacing only, and no left or right. World axes are right, anterior, superior already.
"""

from __future__ import annotations

import gzip
from pathlib import Path
from typing import Any

import nibabel as nib
import numpy as np
from numpy.typing import NDArray

from ossicle.errors import OssicleError
from ossicle.scans.formats._stack import FlatVoxels, Request, Stack, reading
from ossicle.scans.model import SeriesInfo
from ossicle.scans.naming import shown
from ossicle.scans.spacing import Spacing

__all__ = ["KIND", "list_series", "open_stack", "probe"]

KIND = "NIfTI"
_UNITS = {"mm": 1.0, "micron": 1e-3, "meter": 1000.0}
_LARGEST_HEADER = 1 << 20


def probe(path: Path) -> bool:
    """Return whether the name is that of a NIfTI file."""
    name = path.name.lower()
    if path.is_dir():
        return False
    if name.endswith(".hdr"):
        return _first_bytes(path)[344:348] in (b"ni1\0", b"n+1\0") or _first_bytes(path)[4:7] in (
            b"ni2",
            b"n+2",
        )
    return name.endswith((".nii", ".nii.gz"))


def list_series(path: Path) -> list[SeriesInfo]:
    """Return nothing: a file holds one volume."""
    return []


def _first_bytes(path: Path) -> bytes:
    with path.open("rb") as file:
        magic = file.read(2)
        file.seek(0)
        if magic == b"\x1f\x8b":
            with gzip.GzipFile(fileobj=file) as unpacked:
                return unpacked.read(540)
        return file.read(540)


def open_stack(path: Path, request: Request) -> Stack:
    """Open one volume."""
    request.expect_one(path)
    with reading(path, KIND):
        return _open(path)


def _open(path: Path) -> Stack:
    where, first = shown(path), _first_bytes(path)
    if len(first) < 348:
        raise OssicleError("the header is cut short", where=where, mend="copy it again from where it came")
    second = int.from_bytes(first[:4], "little") == 540 or int.from_bytes(first[:4], "big") == 540
    kind = nib.Nifti2Header if second else nib.Nifti1Header
    header = kind(first[: kind.template_dtype.itemsize], check=True)
    data, packed = _image_file(path)
    shape = [int(n) for n in header.get_data_shape()]
    while len(shape) > 3 and shape[-1] == 1:
        shape.pop()
    if len(shape) != 3:
        raise OssicleError(
            f"it holds {'x'.join(map(str, shape))} values, not one volume",
            where=where,
            mend="export one volume",
        )
    dtype = np.dtype(header.get_data_dtype())
    if dtype.kind not in "uif":
        raise OssicleError(f"voxels of type {dtype} are no grey values", where=where, mend="export grey values")
    offset = int(header.get_data_offset())
    if not 0 <= offset < 1 << 40:
        raise OssicleError(f"its voxels would begin at byte {offset}", where=where, mend="mend the header")
    voxels = FlatVoxels(
        data,
        (shape[2], shape[1], shape[0]),
        dtype,
        offset=0 if packed else offset,
        packing="gzip" if packed else "none",
        skip=offset if packed else 0,
    )
    warnings: list[str] = []
    spacing, affine = _geometry(header, where, warnings)
    slope, intercept = header.get_slope_inter()
    stack = Stack(
        voxels.shape,
        dtype.newbyteorder("="),
        voxels.read,
        [path] if data == path else [path, data],
        path.parent,
        spacing=spacing,
        spacing_hint=" in the header" if spacing is None else "",
        affine=affine,
        parallel=voxels.parallel,
        warnings=warnings,
        close=voxels.close,
    )
    stack.rescale(1.0 if slope is None else float(slope), 0.0 if intercept is None else float(intercept))
    return stack


def _image_file(path: Path) -> tuple[Path, bool]:
    """Return the file of voxels, and whether it is packed by gzip."""
    data = path
    if path.suffix.lower() == ".hdr":
        found = [p for p in (path.with_suffix(".img"), path.with_suffix(".IMG")) if p.is_file()]
        if not found:
            raise OssicleError(
                f"its image {shown(path.with_suffix('.img').name)} is missing",
                where=shown(path),
                mend="put it beside",
            )
        data = found[0]
    with data.open("rb") as file:
        return data, file.read(2) == b"\x1f\x8b"


def _geometry(header: Any, where: str, warnings: list[str]) -> tuple[Spacing | None, NDArray[np.float64] | None]:
    unit = header.get_xyzt_units()[0]
    factor = _UNITS.get(unit)
    if factor is None:
        warnings.append("The header names no unit of length; its spacing was taken as millimetres.")
        factor = 1.0
    zooms = np.abs(np.asarray(header["pixdim"][1:4], dtype=np.float64)) * factor
    pixdim = zooms if np.all(np.isfinite(zooms)) and np.all(zooms > 0) else None
    sform, s_code = header.get_sform(coded=True)
    qform, q_code = header.get_qform(coded=True) if pixdim is not None else (None, 0)
    affine = sform if s_code else qform if q_code else None
    if affine is None:
        return (None, None) if pixdim is None else (_spacing(pixdim), None)
    affine = np.array(affine, dtype=np.float64)
    affine[:3] *= factor
    columns = np.linalg.norm(affine[:3, :3], axis=0)
    if not np.all(np.isfinite(affine)) or np.any(columns <= 0):
        raise OssicleError("its orientation matrix is damaged", where=where, mend="mend the header")
    if pixdim is not None and not np.allclose(columns, pixdim, rtol=0.01):
        warnings.append(
            f"The header gives two spacings: {_text(columns)} mm in its orientation matrix, {_text(pixdim)} "
            "mm in pixdim "
            "(x, y, z); the matrix was followed."
        )
    if s_code and q_code and _mirror_images(sform, qform):
        warnings.append(
            "The header's two orientations (sform, qform) are mirror images of one another; sform was "
            "followed. Left "
            "and right may be swapped."
        )
    return _spacing(columns), affine


def _mirror_images(a: Any, b: Any) -> bool:
    return bool(np.linalg.det(np.asarray(a)[:3, :3]) * np.linalg.det(np.asarray(b)[:3, :3]) < 0)


def _spacing(xyz: NDArray[np.float64]) -> Spacing:
    return Spacing((float(xyz[2]), float(xyz[1]), float(xyz[0])), "the header")


def _text(values: NDArray[np.float64]) -> str:
    return " x ".join(f"{v:.5g}" for v in values)
