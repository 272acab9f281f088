"""Measures taken again and again, to tell how well they repeat: lines of JSON in ``repeats/``, never changed."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from typing import Any

from ossicle.errors import OssicleError
from ossicle.scans.naming import shown

from .files import FileLock, Layout, plain, unwritable

__all__ = ["add_repeat", "repeats_of"]


def add_repeat(layout: Layout, specimen: int, said: Mapping[str, Any]) -> None:
    """Keep one measure of a specimen; on disk when this returns."""
    file = layout.root / "repeats" / f"{specimen}.jsonl"
    line = json.dumps(plain({"specimen": specimen, **said}), ensure_ascii=False, allow_nan=False) + "\n"
    try:
        file.parent.mkdir(exist_ok=True)
        with FileLock(layout.work / f"repeats-{specimen}.lock"), open(file, "ab+") as out:
            out.seek(0, os.SEEK_END)
            if out.tell():
                out.seek(-1, os.SEEK_END)
                if out.read(1) != b"\n":  # a line cut off when the machine died
                    out.write(b"\n")
            out.write(line.encode())
            out.flush()
            os.fsync(out.fileno())
    except OSError as error:
        raise unwritable(file, error) from error


def repeats_of(layout: Layout, specimen: int | None = None) -> list[dict[str, Any]]:
    """Return the repeated measures of a specimen, or of all, in the order taken; half a line at the end is left out.

    Raises
    ------
    OssicleError
        They cannot be read.
    """
    folder = layout.root / "repeats"
    names = sorted(folder.glob("*.jsonl")) if specimen is None else [folder / f"{specimen}.jsonl"]
    out = []
    for file in names:
        if not file.is_file():
            continue
        try:
            lines = file.read_bytes().splitlines()
        except OSError as error:
            raise OssicleError(
                f"this cannot be read ({error.strerror})", where=shown(file), mend="mend that"
            ) from error
        for line in lines:
            try:
                row = json.loads(line)
            except ValueError:
                continue
            if isinstance(row, dict):
                out.append(row)
    return out
