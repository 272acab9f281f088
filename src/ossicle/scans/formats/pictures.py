"""PNG, BMP and JPEG: one file a slice, read with Pillow.

None of these states a distance between slices, so the spacing must come from a sidecar or the option.
"""

from __future__ import annotations

import io
import warnings
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from ossicle.errors import OssicleError
from ossicle.scans.formats._grey import grey_of_channels
from ossicle.scans.formats._slices import choose_stack, files_with_suffix, slice_stack, stacks_as_series
from ossicle.scans.formats._stack import Request, Stack
from ossicle.scans.limits import MOST_EXPANSION, check_plane
from ossicle.scans.model import SeriesInfo
from ossicle.scans.naming import shown

__all__ = ["KIND", "ORDER", "list_series", "open_stack", "probe"]

KIND = "PNG, BMP or JPEG"
ORDER = 60  # after TIFF: folders of slices often hold a preview picture
SUFFIXES = (".png", ".bmp", ".jpg", ".jpeg")
_LOSSY_TOLERANCE = 4


def probe(path: Path) -> bool:
    """Return whether this is such a picture or a folder of them."""
    if path.is_dir():
        return bool(files_with_suffix(path, SUFFIXES))
    return path.suffix.lower() in SUFFIXES


def list_series(path: Path) -> list[SeriesInfo]:
    """List the stacks in a folder."""
    return stacks_as_series(path, SUFFIXES) if path.is_dir() else []


def open_stack(path: Path, request: Request) -> Stack:
    """Open a folder of slices."""
    if not path.is_dir():
        raise OssicleError(
            "this is one single slice, not a volume",
            where=shown(path),
            mend="give the folder that holds all slices",
        )
    chosen, said = choose_stack(path, SUFFIXES, request)
    if Path(chosen.names[0]).suffix.lower() in (".jpg", ".jpeg"):
        said.append("The slices are JPEG: grey values were changed by its compression before they came here.")
    return slice_stack(path, chosen, _decode, KIND, said)


def _decode(raw: bytes, path: Path) -> NDArray[Any]:
    where = shown(path)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", Image.DecompressionBombWarning)  # bounds of our own follow
        picture: Image.Image = Image.open(io.BytesIO(raw), formats=("PNG", "BMP", "JPEG"))
    with picture:
        columns, rows = picture.size
        check_plane(rows, columns, where=where)
        if rows * columns > max(len(raw), 1) * MOST_EXPANSION * 8:
            raise OssicleError(
                f"the picture claims {columns} x {rows} voxels in {len(raw)} bytes",
                where=where,
                mend="copy it again from where it came",
            )
        if getattr(picture, "n_frames", 1) > 1:
            raise OssicleError("the picture is animated", where=where, mend="give plain slices")
        if picture.mode == "P":
            picture = picture.convert("RGBA" if "transparency" in picture.info else "RGB")
        mode = picture.mode
        array = np.asarray(picture)
    if mode == "1":
        array = array.astype(np.uint8)
    elif mode == "I":  # 16-bit PNG in older versions of Pillow
        if array.min() < 0 or array.max() > 65535:
            raise OssicleError("values beyond 16 bits", where=where, mend="export 16-bit slices")
        array = array.astype(np.uint16)
    elif mode not in ("L", "LA", "RGB", "RGBA", "I;16", "I;16B", "I;16L"):
        raise OssicleError(f"a picture of mode {mode} holds no grey values", where=where, mend="export in grey")
    lossy = _LOSSY_TOLERANCE if raw[:2] == b"\xff\xd8" else 0
    grey = grey_of_channels(array, where=where, tolerance=lossy, alpha=mode in ("LA", "RGBA"))
    return grey.astype(grey.dtype.newbyteorder("="), copy=False)
