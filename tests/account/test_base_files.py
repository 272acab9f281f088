"""A finished file takes the place of a file, never of a device or a pipe. Pipes stand in for devices, which only the
superuser can make."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from ossicle.account.folder import write_text
from ossicle.compare.charts.sheet import _written
from ossicle.errors import OssicleError
from ossicle.files import put_bytes
from ossicle.practice.files import write_file
from ossicle.publish.files import write_bytes
from ossicle.scans.geometry import Geometry
from ossicle.scans.parts import write_parts_nifti

LABELS = np.zeros((3, 4, 5), np.uint8)
WRITERS: dict[str, Callable[[Path], object]] = {
    "account": lambda out: write_text(out, "x"),
    "publication": lambda out: write_bytes(out, b"x"),
    "chart": lambda out: list(_written(out.parent, out.stem, [(out.suffix[1:], b"x")])),
    "practice": lambda out: write_file(out, b"x"),
    "labels": lambda out: write_parts_nifti(out, LABELS, Geometry((0.1, 0.1, 0.1))),
}


@pytest.mark.parametrize("linked", [False, True])
@pytest.mark.parametrize("who", WRITERS)
def test_a_device_or_pipe_is_left_as_it_is(who: str, linked: bool, tmp_path: Path) -> None:
    pipe = tmp_path / "out.nii"
    os.mkfifo(pipe)
    out = tmp_path / "link.nii" if linked else pipe
    if linked:
        out.symlink_to(pipe)
    with pytest.raises(OssicleError, match="what is there is no file"):
        WRITERS[who](out)
    assert stat.S_ISFIFO(pipe.stat().st_mode)
    assert out.is_symlink() == linked
    assert len(list(tmp_path.iterdir())) == 1 + linked


@pytest.mark.parametrize("who", WRITERS)
def test_a_file_is_replaced(who: str, tmp_path: Path) -> None:
    out = tmp_path / "out.nii"
    out.write_bytes(b"older")
    WRITERS[who](out)
    assert out.read_bytes() != b"older"
    assert list(tmp_path.iterdir()) == [out]


def test_what_cannot_be_put_there_leaves_what_was(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    with pytest.raises(OSError, match="no file"):
        put_bytes(tmp_path / "out", b"x")
    assert list(tmp_path.iterdir()) == [tmp_path / "out"]
