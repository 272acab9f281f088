"""Files put in their place whole or not at all. Any layer may import it; it imports none."""

from __future__ import annotations

import errno
import os
import secrets
from pathlib import Path

__all__ = ["put", "put_bytes"]


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
