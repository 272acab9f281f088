"""The folder of a collection: where things lie, digests, locks, and writes that are whole or not at all.

collection.toml           what the collection is and where its catalogue lies
persons.json              who may work at it where its desk is shared: names, roles, digests of passwords
catalogue.sqlite          the catalogue, unless it is PostgreSQL
scans/<key>.ome.zarr      a scan, several resolutions; its ``labels/<uid>`` are the parts of a reading
sources/<key>/            copies of the files that the scan came from, where copying was asked for
readings/<uid>/           what a reading said, without the labels
attachments/<sha256>      files kept with a specimen, by content
steps/<specimen>.json     views kept for a lesson, with what is said to them
talks/<specimen>/<id>/    a recorded talk: voice and changes of the stage, in the pieces in which they came
work/                     what is being made; may be emptied whenever nothing runs
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import math
import os
import re
import secrets
import shutil
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from ossicle.errors import OssicleError
from ossicle.scans.naming import shown
from ossicle.scans.removal import remove_folder

__all__ = [
    "FORMAT",
    "FileLock",
    "Layout",
    "digest_file",
    "digest_tree",
    "plain",
    "read_json",
    "sweep_work",
    "sync",
    "sync_tree",
    "unwritable",
    "work_folder",
    "write_file",
]

FORMAT = "ossicle-collection/1"
_KEY = re.compile(r"[0-9A-Za-z]{1,64}")
_FOLDERS = ("scans", "sources", "readings", "attachments", "work")


@dataclass(frozen=True)
class Layout:
    """Paths within a collection's folder."""

    root: Path

    @property
    def marker(self) -> Path:
        """The file that makes a folder a collection."""
        return self.root / "collection.toml"

    @property
    def sqlite(self) -> Path:
        """The catalogue, where it is SQLite."""
        return self.root / "catalogue.sqlite"

    @property
    def work(self) -> Path:
        """What is being made."""
        return self.root / "work"

    @property
    def placing(self) -> Path:
        """The lock held while something is put into place and entered in the catalogue."""
        return self.root / "work" / "placing.lock"

    def scan(self, key: str) -> Path:
        """Return the store of a scan."""
        return self.root / "scans" / f"{_named(key)}.ome.zarr"

    def labels(self, key: str, uid: str) -> Path:
        """Return the parts of a reading of a scan."""
        return self.scan(key) / "labels" / _named(uid)

    def sources(self, key: str) -> Path:
        """Return the copies of a scan's source files."""
        return self.root / "sources" / _named(key)

    def reading(self, uid: str) -> Path:
        """Return the folder of a reading."""
        return self.root / "readings" / _named(uid)

    def attachment(self, sha256: str) -> Path:
        """Return an attached file."""
        return self.root / "attachments" / _named(sha256)

    def make(self) -> None:
        """Make the folders that are missing."""
        try:
            for name in _FOLDERS:
                (self.root / name).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise unwritable(self.root, error) from error

    def read_marker(self) -> dict[str, Any]:
        """Return what the marker says.

        Raises
        ------
        OssicleError
            The folder is no collection, or one of a later Ossicle.
        """
        if not self.marker.is_file():
            what = "there is no such folder" if not self.root.exists() else "this is no collection"
            raise OssicleError(
                what, where=shown(self.root), mend="make one with `ossicle intake SOURCE --into COLLECTION`"
            )
        try:
            data = tomllib.loads(self.marker.read_text(encoding="utf-8"))
        except (OSError, ValueError, RecursionError) as error:
            raise OssicleError(f"it cannot be read ({error})", where=shown(self.marker), mend="mend it") from error
        if data.get("format") != FORMAT:
            raise OssicleError(
                f"this collection has the format {data.get('format')!r}, this version knows {FORMAT!r}",
                where=shown(self.root),
                mend="use the version of Ossicle that made it, or a later one",
            )
        return data

    def write_marker(self, **said: str) -> None:
        """Write the marker, whole or not at all."""
        lines = [f"{key} = {json.dumps(value)}\n" for key, value in {"format": FORMAT, **said}.items()]
        write_file(self.marker, "".join(lines).encode())


def _named(name: str) -> str:
    """Return a key as it may stand in a path; a catalogue from elsewhere must not lead out of the folder.

    Raises
    ------
    OssicleError
        It is none that Ossicle makes.
    """
    if not _KEY.fullmatch(name):
        raise OssicleError(
            f"the catalogue names {shown(name[:80])!r}, which is no key of this program",
            where="catalogue",
            mend="restore the catalogue from a copy; do not use one that you were given by strangers",
        )
    return name


def unwritable(path: Path, error: OSError) -> OssicleError:
    """Return the sentence for a failed write; of a tree that could not be copied, the first reason is told."""
    why = error.args[0][0][2] if isinstance(error, shutil.Error) else error.strerror or error
    return OssicleError(f"this cannot be written ({why})", where=shown(path), mend="mend that and run again")


def write_file(path: Path, data: bytes, mode: int = 0o666) -> None:
    """Write a file, whole or not at all, and see it to the disk; ``mode`` less the umask is its mode."""
    partial = path.parent / f".{path.name}.{secrets.token_hex(4)}"
    try:
        with open(os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode), "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(partial, path)
    except OSError as error:
        raise unwritable(path, error) from error
    finally:
        partial.unlink(missing_ok=True)


def plain(value: Any) -> Any:
    """Return JSON values: keys as text, tuples as lists, numbers that are not finite as None."""
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if hasattr(value, "item"):
        value = value.item()
    return None if isinstance(value, float) and not math.isfinite(value) else value


def read_json(path: Path) -> dict[str, Any]:
    """Read a JSON object that Ossicle wrote; raises `OssicleError` where it is missing or damaged."""
    try:
        data = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError) as error:
        raise OssicleError(
            f"this file is damaged or missing ({error})",
            where=shown(path),
            mend="run `ossicle check` on the collection",
        ) from error
    if not isinstance(data, dict):
        raise OssicleError("this file is damaged", where=shown(path), mend="run `ossicle check` on the collection")
    return data


def digest_file(path: Path) -> str:
    """Return the SHA-256 of a file, hexadecimal."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def digest_tree(folder: Path, *, leave_out: tuple[str, ...] = ()) -> str:
    """Return one digest of a folder: SHA-256 of the lines ``<sha256>  <relative name>``, sorted by name.

    Top-level names in ``leave_out`` are not looked at.
    """
    lines = []
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        name = path.relative_to(folder)
        if name.parts[0] not in leave_out:
            lines.append(f"{digest_file(path)}  {name.as_posix()}\n")
    return hashlib.sha256("".join(lines).encode()).hexdigest()


def sync(path: Path) -> None:
    """See a file, or the names in a folder, to the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_tree(folder: Path) -> None:
    """See every file of a folder to the disk, before it is moved into place."""
    for path in folder.rglob("*"):
        if path.is_file():
            sync(path)


class FileLock:
    """A lock that the system lets go when its holder ends, however it ends.

    Parameters
    ----------
    path
        A file, made where it is missing.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._handle: int | None = None

    def take(self, *, wait: bool = True) -> bool:
        """Take the lock; without ``wait`` return False where another holds it."""
        self.path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
        except BlockingIOError:
            os.close(handle)
            return False
        except BaseException:
            os.close(handle)
            raise
        self._handle = handle
        return True

    def let_go(self) -> None:
        """Let the lock go."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None

    def __enter__(self) -> Self:
        self.take()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.let_go()


@contextmanager
def work_folder(layout: Layout) -> Iterator[Path]:
    """Give a new folder under ``work/``, locked while it is in use and removed afterwards."""
    name = secrets.token_hex(8)
    folder, lock = layout.work / name, FileLock(layout.work / f"{name}.lock")
    try:
        lock.take()
        folder.mkdir(parents=True)
        yield folder
    except OSError as error:
        raise unwritable(layout.root, error) from error
    finally:
        remove_folder(folder)
        lock.path.unlink(missing_ok=True)
        lock.let_go()


def sweep_work(layout: Layout) -> list[Path]:
    """Remove what ended work left behind under ``work/``; return what was removed. Work in progress is let be."""
    removed = []
    for path in sorted(layout.work.iterdir()) if layout.work.is_dir() else []:
        if path.suffix == ".lock":
            continue
        lock = FileLock(layout.work / f"{path.name}.lock")
        if lock.take(wait=False):
            shutil.rmtree(path, ignore_errors=True)
            with suppress(OSError):
                path.unlink(missing_ok=True)
            lock.path.unlink(missing_ok=True)
            lock.let_go()
            removed.append(path)
    return removed
