"""Files read within bounds, and put in their place whole or not at all. Any layer may import it; it imports none."""

from __future__ import annotations

import errno
import io
import os
import secrets
from pathlib import Path

__all__ = ["put", "put_bytes", "read_within", "text_within"]

MOST_OF_A_TEXT = 64 << 20
"""Bytes of the largest text that a person hands over (a description, a table)."""


def read_within(path: Path, most: int) -> bytes:
    """Read a file of at most ``most`` bytes; of a larger or endless one (a scan, a device) no more is read.

    Raises
    ------
    OSError
        It cannot be read, or is larger (EFBIG).
    """
    with open(path, "rb") as file:
        data = file.read(most + 1)
    if len(data) > most:
        raise OSError(errno.EFBIG, f"it is larger than {most >> 20} MB", str(path))
    return data


def text_within(path: Path, most: int = MOST_OF_A_TEXT, encoding: str = "utf-8") -> str:
    """Read a text of at most ``most`` bytes; its lines end in ``\\n``, however they ended.

    Raises
    ------
    OSError
        As of `read_within`.
    UnicodeDecodeError
        It is no such text.
    """
    return io.TextIOWrapper(io.BytesIO(read_within(path, most)), encoding=encoding).read()


def put(partial: Path, out: Path) -> None:
    """Rename a finished file to ``out``, in place of the file that is there.

    What is there and is no file (a device, a pipe, a folder), or a link to such, is left as it is: who may do so would
    otherwise lose ``/dev/null`` for a file.

    Raises
    ------
    OSError
        It cannot be put there; ``partial`` is where it was.
    """
    if os.path.exists(out) and not os.path.isfile(out):
        raise OSError(errno.EEXIST, "what is there is no file", str(out))
    os.replace(partial, out)


def put_bytes(out: Path, data: bytes) -> None:
    """Write a file whole or not at all; its folder is there.

    Raises
    ------
    OSError
        It cannot be written; nothing has changed then.
    """
    partial = out.absolute().parent / f".{out.name}.partial-{secrets.token_hex(4)}"
    try:
        partial.write_bytes(data)
        put(partial, out)
    finally:
        partial.unlink(missing_ok=True)
