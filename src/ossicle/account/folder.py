"""The folder of an account on disk: written whole or not at all.

A new folder is filled under a hidden name beside its place and renamed when it is complete. In a folder that
holds an earlier account the files are replaced one by one, ``account.json`` last, and whatever else lies
there is left alone.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import shutil
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path

from ossicle.errors import OssicleError
from ossicle.files import put_bytes, text_within

from .codec import account_from_json
from .records import SCHEMA, Account

__all__ = ["check_place", "load_account", "unwritten", "write_folder", "write_text", "write_texts", "write_whole"]

_MOST_BYTES = 512 << 20


def check_place(out: Path) -> None:
    """Raise `OssicleError` where an account cannot be written to ``out``, before any long work."""
    if out.is_symlink() and not out.exists():
        raise OssicleError("this link leads nowhere", where=out, mend="name another folder with --out")
    if out.exists() and not out.is_dir():
        raise OssicleError("this is a file, not a folder", where=out, mend="name another folder with --out")
    if out.is_dir():
        held = {p.name for p in out.iterdir()}
        if held and not _is_account(out):
            raise OssicleError(
                f"this folder holds something else ({_some(held)})",
                where=out,
                mend="name a new or empty folder, or one that `ossicle read` wrote, with --out",
            )
    base = out if out.is_dir() else _standing(out)
    if not base.is_dir():
        raise OssicleError("this is a file, not a folder", where=base, mend="name another folder with --out")
    if not os.access(base, os.W_OK | os.X_OK):
        raise OssicleError("you may not write here", where=base, mend="name another folder with --out")


def write_folder(out: Path, fill: Callable[[Path], None]) -> None:
    """Write files into ``out``, all of them or none.

    Parameters
    ----------
    out
        A folder that does not exist, is empty, or holds an earlier account.
    fill
        Writes the files into the folder that it is given; ``account.json`` is put in place last.

    Raises
    ------
    OssicleError
        If the place cannot be written to or the disk is full; nothing has changed then.
    """
    check_place(out)
    out = out.absolute()
    base = _standing(out)
    made = [p for p in out.parents if base in p.parents]
    partial = out.parent / f".{out.name}.partial-{secrets.token_hex(4)}"
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        partial.mkdir()
        fill(partial)
        files = sorted(partial.iterdir(), key=lambda p: p.name == "account.json")
        for file in files:
            _sync(file)
        if out.is_dir() and any(out.iterdir()):
            for file in files:
                os.replace(file, out / file.name)
        else:
            os.replace(partial, out)
        made = []
    except OSError as error:
        raise OssicleError(
            f"the account could not be written ({error.strerror or error})",
            where=out,
            mend="mend that and run again",
        ) from error
    finally:
        shutil.rmtree(partial, ignore_errors=True)
        for folder in made:
            with suppress(OSError):
                folder.rmdir()


def write_text(out: Path, text: str) -> None:
    """Write a text file (UTF-8), whole or not at all."""
    if out.is_dir():
        raise OssicleError("this is a folder", where=out, mend="name a file with --out")
    if not out.absolute().parent.is_dir():
        raise OssicleError(
            "there is no such folder",
            where=out.absolute().parent,
            mend="make it, or name another file with --out",
        )
    write_whole(out, text.encode("utf-8"), mend="mend that and run again")


def write_texts(out: Path, texts: Mapping[str, str]) -> None:
    """Write text files into a folder, which is made where there is none; each whole or not at all.

    Raises
    ------
    OssicleError
        The folder cannot be made, or a file cannot be written.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OssicleError(
            f"this folder cannot be made ({error.strerror or error})", where=out, mend="name another with --out"
        ) from error
    for name, text in texts.items():
        write_text(out / name, text)


def write_whole(out: Path, data: bytes, *, mend: str) -> None:
    """Write a file whole or not at all; its folder is there.

    Raises
    ------
    OssicleError
        It cannot be written; ``mend`` is what it advises.
    """
    try:
        put_bytes(out, data)
    except OSError as error:
        raise unwritten(out, error, mend) from error


def unwritten(out: Path, error: OSError, mend: str) -> OssicleError:
    """Return what is said where a file cannot be written."""
    return OssicleError(f"the file could not be written ({error.strerror or error})", where=out, mend=mend)


def load_account(path: Path) -> Account:
    """Read the account that a folder (or an ``account.json``) holds.

    Raises
    ------
    OssicleError
        If there is none, or if its parts file is not the one that it was written with.
    """
    file = path / "account.json" if path.is_dir() else path
    if not path.exists():
        raise OssicleError(
            "there is no such folder",
            where=path,
            mend="give a folder that `ossicle read SOURCE --out DIR` wrote",
        )
    if not file.is_file():
        raise OssicleError(
            "this folder holds no account.json",
            where=path,
            mend="give a folder that `ossicle read SOURCE --out DIR` wrote",
        )
    try:
        text = text_within(file, _MOST_BYTES)
    except (OSError, UnicodeDecodeError) as error:
        raise OssicleError(
            f"the account cannot be read ({error})",
            where=file,
            mend="write it again with `ossicle read --out`",
        ) from error
    account = account_from_json(text, file)
    parts = file.parent / "parts.nii.gz"
    expected = account.made_by.parts_sha256
    if expected is not None and parts.is_file() and hashlib.sha256(parts.read_bytes()).hexdigest() != expected:
        raise OssicleError(
            "parts.nii.gz is not the one that account.json was written with",
            where=file.parent,
            mend="write both again with `ossicle read --out`",
        )
    return account


def _is_account(folder: Path) -> bool:
    try:
        with open(folder / "account.json", encoding="utf-8") as file:
            return f'"schema": "{SCHEMA.split("/")[0]}/' in file.read(200)
    except (OSError, UnicodeDecodeError):
        return False


def _standing(path: Path) -> Path:
    """Return the nearest place above ``path`` that exists."""
    for parent in path.absolute().parents:
        if parent.exists():
            return parent
    return Path(path.anchor or ".")


def _sync(file: Path) -> None:
    with open(file, "rb+") as opened:
        os.fsync(opened.fileno())


def _some(names: set[str]) -> str:
    shown = sorted(names)[:3]
    return ", ".join(shown) + (", ..." if len(names) > 3 else "")
