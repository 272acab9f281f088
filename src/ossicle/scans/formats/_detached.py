"""Headers that name other files for their voxels: which may be named, and how slices are spread over them."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path, PurePosixPath, PureWindowsPath

from ossicle.errors import OssicleError
from ossicle.scans.naming import shown

__all__ = ["data_files", "join_files"]


def data_files(header: Path, names: Sequence[str], where: str) -> list[Path]:
    """Return the files a header names, all in its own folder or below.

    Raises
    ------
    OssicleError
        A name is empty, absolute, leads out of the folder, or is no file.
    """
    if not names:
        raise OssicleError("the header names no file of voxels", where=where, mend="mend the header")
    files = []
    for name in names:
        plain = name.replace("\\", "/") if os.sep == "/" and PureWindowsPath(name).drive == "" else name
        steps = PurePosixPath(plain).parts
        if not steps or PurePosixPath(plain).is_absolute() or PureWindowsPath(name).drive or ".." in steps:
            raise OssicleError(
                f"the header names “{shown(name)}”, outside its own folder",
                where=where,
                mend="put the voxels beside the header and name them so",
            )
        path = header.parent / plain
        if "\0" in plain or not path.is_file():
            raise OssicleError(f"the file “{shown(plain)}” that the header names is missing", where=where,
                               mend="put it beside the header")  # fmt: skip
        files.append(path)
    return files


def join_files(
    files: Sequence[Path], shape_zyx: tuple[int, int, int], where: str
) -> list[tuple[Path, tuple[int, int, int]]]:
    """Return each file with the shape of its share of the slices.

    Raises
    ------
    OssicleError
        The slices cannot be shared out evenly.
    """
    z, y, x = shape_zyx
    if z < 1 or z % len(files):
        raise OssicleError(f"{z} slices cannot be spread over {len(files)} files", where=where, mend="mend the header")
    return [(path, (z // len(files), y, x)) for path in files]
