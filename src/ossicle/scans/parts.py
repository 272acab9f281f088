"""Labels of parts, written on the scan's own grid as NIfTI-1 (NIfTI-2 where an axis is longer than 32767)."""

from __future__ import annotations

import gzip
import os
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ossicle.errors import OssicleError
from ossicle.files import put
from ossicle.scans.geometry import Geometry
from ossicle.scans.lazy import least_and_greatest
from ossicle.scans.model import ArrayLike3D
from ossicle.scans.naming import shown

__all__ = ["write_parts_nifti"]

_LONGEST_AXIS = 32767
_CODE = {True: 1, False: 2}


def write_parts_nifti(path: Path, labels_zyx: ArrayLike3D, geometry: Geometry) -> None:
    """Write integer labels; the file is there whole or not at all.

    NIfTI index (i, j, k) = (column x, row y, slice z). The affine is the scan's, or its spacing on the
    diagonal where the scan has none (transform code 1 "scanner" and 2 "aligned" respectively, so that readers
    follow it). Values are kept in the smallest unsigned type that NIfTI readers share (8, 16 or 32 bits).
    Slabs are read as needed: ``labels_zyx`` may be a stored volume.

    Parameters
    ----------
    path
        Ends in ``.nii`` or ``.nii.gz``.
    labels_zyx
        Whole numbers from 0 up, shape (z, y, x).
    geometry
        Of the scan.

    Raises
    ------
    OssicleError
        The labels are not whole numbers from 0 up, or the file cannot be written.
    """
    packed = path.name.lower().endswith(".nii.gz")
    if not packed and not path.name.lower().endswith(".nii"):
        raise OssicleError("labels are written as .nii or .nii.gz", where=shown(path), mend="name the file so")
    if labels_zyx.dtype.kind not in "biu" or len(labels_zyx.shape) != 3:
        raise OssicleError(f"labels of type {labels_zyx.dtype} are not whole numbers", where=shown(path))
    shape = labels_zyx.shape
    thick = max(1, (64 << 20) // max(1, shape[1] * shape[2] * 8))
    slabs = [(z, min(z + thick, shape[0])) for z in range(0, shape[0], thick)]
    low, high = least_and_greatest(labels_zyx)
    if low < 0 or high > np.iinfo(np.uint32).max:
        raise OssicleError(f"labels run from {low} to {high}", where=shown(path), mend="number parts from 1 up")
    dtype = np.dtype(np.uint8 if high < 256 else np.uint16 if high < 65536 else np.uint32).newbyteorder("<")
    header = _header(shape, dtype, geometry)
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".new")
    except OSError as error:
        raise _unwritable(path, error) from error
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as raw:
            if packed:
                with gzip.GzipFile(filename="", fileobj=raw, mode="wb", compresslevel=4, mtime=0) as file:
                    _write(file, header, labels_zyx, slabs, dtype)
            else:
                _write(raw, header, labels_zyx, slabs, dtype)
        temporary.chmod(0o644)
        put(temporary, path)
    except OSError as error:
        raise _unwritable(path, error) from error
    finally:
        temporary.unlink(missing_ok=True)


def _write(file: Any, header: bytes, labels: ArrayLike3D, slabs: list[tuple[int, int]], dtype: np.dtype[Any]) -> None:
    file.write(header)
    for a, b in slabs:
        slab: NDArray[Any] = labels[a:b]
        file.write(np.ascontiguousarray(slab, dtype=dtype).data)


def _header(shape_zyx: tuple[int, ...], dtype: np.dtype[Any], geometry: Geometry) -> bytes:
    import nibabel as nib

    kind = nib.Nifti1Header if max(shape_zyx) <= _LONGEST_AXIS else nib.Nifti2Header
    header = kind(endianness="<")
    header.set_data_dtype(dtype)
    header.set_data_shape(shape_zyx[::-1])
    header.set_zooms(geometry.spacing_mm_xyz)
    code = _CODE[geometry.affine is not None]
    header.set_qform(geometry.matrix, code=code, strip_shears=True)
    header.set_sform(geometry.matrix, code=code)
    header.set_xyzt_units("mm")
    header.set_slope_inter(1, 0)
    header["intent_code"] = 1002  # NIFTI_INTENT_LABEL
    header["vox_offset"] = header.single_vox_offset
    header["magic"] = header.single_magic
    block = bytes(header.binaryblock)
    return block.ljust(int(header.single_vox_offset), b"\0")


def _unwritable(path: Path, error: OSError) -> OssicleError:
    return OssicleError(
        f"the labels cannot be written ({error.strerror or error})",
        where=shown(path),
        mend="free some space, or choose another folder",
    )
