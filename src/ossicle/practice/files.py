"""Write a practice specimen as a folder: slices, sidecar, truth. All or nothing."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import nibabel as nib
import numpy as np
import tifffile
from numpy.typing import NDArray

from ossicle.errors import OssicleError
from ossicle.files import put_bytes

__all__ = ["write_file", "write_folder"]

Progress = Callable[[str, float], None]


def _nifti(path: Path, volume: NDArray[Any], spacing_zyx: tuple[float, float, float]) -> None:
    affine = np.diag([spacing_zyx[2], spacing_zyx[1], spacing_zyx[0], 1.0])
    image = nib.Nifti1Image(np.ascontiguousarray(volume.transpose(2, 1, 0)), affine)
    image.header.set_xyzt_units("mm")
    nib.save(image, path)


def write_folder(
    out: Path,
    values: NDArray[Any],
    spacing_zyx: tuple[float, float, float],
    labels: NDArray[np.uint16],
    tissue: NDArray[np.uint8],
    truth: dict[str, Any],
    sidecar: dict[str, Any],
    progress: Progress | None = None,
) -> Path:
    """Write everything beside the target and put it in place in one step.

    Raises
    ------
    OssicleError
        If the target is there already, or cannot be written.
    """
    say = progress or (lambda _what, _share: None)
    out = Path(out)
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise OssicleError("there is something here already", where=out, mend="name a folder that does not exist yet")
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        work = Path(tempfile.mkdtemp(prefix=f".{out.name}-", dir=out.parent))
    except OSError as e:
        raise OssicleError(
            f"cannot write here ({e.strerror})", where=out, mend="choose a folder you may write to"
        ) from e
    try:
        (work / "slices").mkdir()
        (work / "truth").mkdir()
        digits = max(4, len(str(len(values) - 1)))
        for i, page in enumerate(values):
            tifffile.imwrite(work / "slices" / f"slice_{i:0{digits}d}.tif", page)
            if i % 32 == 0:
                say("write slices", i / len(values))
        (work / "scan.json").write_text(json.dumps(sidecar, indent=1) + "\n", encoding="utf-8")
        say("write truth", 0.0)
        _nifti(work / "truth" / "labels.nii.gz", labels, spacing_zyx)
        _nifti(work / "truth" / "tissue.nii.gz", tissue, spacing_zyx)
        (work / "truth" / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
        os.chmod(work, 0o755)
        if out.is_dir():
            out.rmdir()
        work.rename(out)
        say("write truth", 1.0)
    except BaseException:
        shutil.rmtree(work, ignore_errors=True)
        raise
    return out


def write_file(path: Path, data: bytes) -> None:
    """Write a file whole or not at all; its folder is made where there is none.

    Raises
    ------
    OssicleError
        It cannot be written there.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        put_bytes(path, data)
    except OSError as error:
        raise OssicleError(
            f"cannot write here ({error.strerror})", where=path, mend="choose a folder you may write to"
        ) from error
