"""Files of a publication, each written whole or not at all."""

from __future__ import annotations

from pathlib import Path

from ossicle.account.folder import unwritten, write_whole
from ossicle.errors import OssicleError

__all__ = ["write_bytes"]

_MEND = "name another place with --out"


def write_bytes(out: Path, data: bytes) -> None:
    """Write a file whole or not at all; its folder is made where there is none.

    Raises
    ------
    OssicleError
        It cannot be written there.
    """
    if out.is_dir():
        raise OssicleError("this is a folder", where=out, mend="name a file with --out")
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise unwritten(out, error, _MEND) from error
    write_whole(out, data, mend=_MEND)
