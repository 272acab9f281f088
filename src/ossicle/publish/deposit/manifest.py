"""The list of a deposit's files with their SHA-256, in the form that ``sha256sum --check`` reads, and its check.

``manifest-sha256.txt`` lists every file but itself and ``tagmanifest-sha256.txt``, which lists the manifest.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from pathlib import Path

from ossicle.collection.files import digest_file
from ossicle.errors import OssicleError

__all__ = ["MANIFEST", "TAG", "faults_of", "write_manifest"]

MANIFEST, TAG = "manifest-sha256.txt", "tagmanifest-sha256.txt"
_LINE = re.compile(r"([0-9a-f]{64})  (.+)")
Progress = Callable[[str, float], None]


def _files(folder: Path) -> dict[str, Path]:
    return {p.relative_to(folder).as_posix(): p for p in sorted(folder.rglob("*")) if not p.is_dir() or p.is_symlink()}


def write_manifest(folder: Path) -> None:
    """List all files of a folder."""
    lines = [f"{digest_file(path)}  {name}\n" for name, path in _files(folder).items() if name not in (MANIFEST, TAG)]
    data = "".join(lines).encode()
    (folder / MANIFEST).write_bytes(data)
    (folder / TAG).write_text(f"{hashlib.sha256(data).hexdigest()}  {MANIFEST}\n", encoding="ascii")


def faults_of(folder: Path, progress: Progress | None = None) -> list[str]:
    """Return what is altered, missing or too much in a deposit, a sentence each.

    Raises
    ------
    OssicleError
        The folder is no deposit at all.
    """
    if not (folder / MANIFEST).is_file():
        raise OssicleError(
            f"this holds no {MANIFEST}", where=folder.name, mend="name a deposit that `ossicle deposit` made, whole"
        )
    raw = (folder / MANIFEST).read_bytes()
    expected: dict[str, str] = {}
    odd = []
    for number, line in enumerate(raw.decode("utf-8", "replace").split("\n")[:-1] or [""], start=1):
        found = _LINE.fullmatch(line)
        if found is None or found.group(2) in expected:
            odd.append(f"{MANIFEST}: line {number} is altered.")
        else:
            expected[found.group(2)] = found.group(1)
    if not raw.endswith(b"\n"):
        odd.append(f"{MANIFEST}: its end is altered.")
    held = _files(folder)
    faults: list[str] = []
    names = sorted({*expected, *held} - {MANIFEST, TAG})
    for number, name in enumerate(names):
        if progress is not None and number % 32 == 0:
            progress("computing checksums", number / max(len(names), 1))
        path = held.get(name)
        if path is not None and path.is_symlink():
            faults.append(f"{name}: is a link and no file.")
        elif path is None:
            faults.append(f"{name}: is missing.")
        elif name not in expected:
            faults.append(f"{name}: does not belong to the deposit.")
        elif digest_file(path) != expected[name]:
            faults.append(f"{name}: is altered, its checksum is not that of the manifest.")
    tag = (folder / TAG).read_bytes() if (folder / TAG).is_file() else None
    stated = f"{hashlib.sha256(raw).hexdigest()}  {MANIFEST}\n".encode()
    if tag == stated:
        return [*odd, *faults]
    if not faults and not odd:
        return [
            f"{TAG}: is missing." if tag is None else f"{TAG}: is altered; the manifest that it stands for is whole."
        ]
    return [f"{MANIFEST}: is altered.", *odd, *faults]
