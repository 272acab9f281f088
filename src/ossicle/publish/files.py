"""Files of a publication, each written whole or not at all."""

from __future__ import annotations

import os
import secrets
from pathlib import Path

from ossicle.errors import OssicleError

__all__ = ["write_bytes"]


def write_bytes(out: Path, data: bytes) -> None:
    """Write a file whole or not at all; its folder is made where there is none.

    Raises
    ------
    OssicleError
        It cannot be written there.
    """
    if out.is_dir():
        raise OssicleError("this is a folder", where=out, mend="name a file with --out")
    partial = out.parent / f".{out.name}.partial-{secrets.token_hex(4)}"
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        partial.write_bytes(data)
        os.replace(partial, out)
    except OSError as error:
        raise OssicleError(
            f"the file could not be written ({error.strerror or error})",
            where=out,
            mend="name another place with --out",
        ) from error
    finally:
        if partial.parent.is_dir():
            partial.unlink(missing_ok=True)
