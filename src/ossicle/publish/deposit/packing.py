"""A deposit as one file: a ZIP archive that is the same bytes for the same content.

Members are stored and not compressed (what takes room is compressed already), by name, with one date, so that any
changed byte of the archive shows: in a member's content, or against the archive that the same content gives.
"""

from __future__ import annotations

import io
import lzma
import shutil
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path, PurePosixPath
from typing import IO

from ossicle.errors import OssicleError

__all__ = ["COMMENT", "altered", "pack", "packed", "unpacked"]

COMMENT = b"ossicle-deposit/1"
_DATE = (1980, 1, 1, 0, 0, 0)
_STEP = 1 << 20
_DAMAGED = (
    zipfile.BadZipFile, zlib.error, lzma.LZMAError, OSError, EOFError, NotImplementedError, RuntimeError, ValueError,
)  # fmt: skip
"""What a damaged archive ends in, by how its members are compressed."""
Progress = Callable[[str, float], None]


def pack(folder: Path, out: IO[bytes], progress: Progress | None = None) -> None:
    """Write the files of a folder as an archive."""
    files = sorted((p.relative_to(folder).as_posix(), p) for p in folder.rglob("*") if p.is_file())
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED, allowZip64=True) as archive:
        archive.comment = COMMENT
        for number, (name, path) in enumerate(files):
            if progress is not None and number % 64 == 0:
                progress("packing", number / len(files))
            with open(path, "rb") as source:
                _add(archive, name, path.stat().st_size, source)


def packed(members: Mapping[str, bytes]) -> bytes:
    """Return a small archive of the same kind, of members by name."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as archive:
        for name in sorted(members):
            _add(archive, name, len(members[name]), io.BytesIO(members[name]))
    return out.getvalue()


def _add(archive: zipfile.ZipFile, name: str, size: int, source: IO[bytes]) -> None:
    info = zipfile.ZipInfo(name, _DATE)
    info.file_size = size
    info.create_system = 3
    info.external_attr = 0o100644 << 16
    with archive.open(info, "w") as target:
        shutil.copyfileobj(source, target, _STEP)


@contextmanager
def unpacked(path: Path, work: Path, most_bytes: int | None = None) -> Iterator[Path]:
    """Give a deposit as a folder: as it is, or unpacked below ``work``.

    Raises
    ------
    OssicleError
        It is neither a folder nor an archive, or the archive cannot be unpacked safely.
    """
    if path.is_dir():
        yield path
        return
    if not path.is_file():
        raise OssicleError("there is no such deposit", where=path, mend="name a folder or a .zip")
    target = work / "deposit"
    target.mkdir(parents=True)
    try:
        with zipfile.ZipFile(path) as archive:
            members = archive.infolist()
            limit = shutil.disk_usage(work).free if most_bytes is None else most_bytes
            if sum(m.file_size for m in members) > limit:
                raise OssicleError("it unfolds to more than there is room for", where=path, mend="make room first")
            for member in members:
                if member.filename.endswith("/"):  # is_dir() of Python 3.11 fails on a member without a name
                    continue
                place = _safe(target, member, path)
                place.parent.mkdir(parents=True, exist_ok=True)
                with archive.open(member) as source, open(place, "wb") as out:
                    shutil.copyfileobj(source, out, _STEP)
    except _DAMAGED as error:
        raise OssicleError(
            f"the archive is damaged ({error})"[:300], where=path, mend="fetch it again from where it was deposited"
        ) from error
    yield target


def _safe(target: Path, member: zipfile.ZipInfo, path: Path) -> Path:
    name = PurePosixPath(member.filename)
    kind = member.external_attr >> 28
    if name.is_absolute() or ".." in name.parts or "\\" in member.filename or kind not in (0, 8) or not name.parts:
        raise OssicleError(
            f"the archive holds {member.filename[:80]!r}, which does not lie within it",
            where=path,
            mend="do not use it; ask those who made it",
        )
    return target.joinpath(*name.parts)


def altered(path: Path, folder: Path, work: Path) -> str | None:
    """Return what is altered in an archive whose files are all whole; None where it is as it was packed.

    Parameters
    ----------
    folder
        The same archive, unpacked.
    work
        Where it may be packed anew.
    """
    again = work / "again.zip"
    with open(again, "wb") as out:
        pack(folder, out)
    at = 0
    try:
        with open(path, "rb") as original, open(again, "rb") as new:
            while True:
                a, b = original.read(_STEP), new.read(_STEP)
                if a != b:
                    same = next((n for n, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), min(len(a), len(b)))
                    return f"byte {at + same} of the archive, {_near(path, at + same)}"
                if not a:
                    return None
                at += len(a)
    finally:
        again.unlink(missing_ok=True)


def _near(path: Path, at: int) -> str:
    try:
        with zipfile.ZipFile(path) as archive:
            before = [m for m in archive.infolist() if m.header_offset <= at]
            ends = max((m.header_offset + m.file_size for m in archive.infolist()), default=0)
    except (zipfile.BadZipFile, OSError, ValueError):
        return "in its list of files"
    if not before or at > ends + 1024:
        return "in its list of files"
    return f"at the header of {before[-1].filename}"
