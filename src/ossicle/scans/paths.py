"""File names that every system takes, and paths that were written on another system.

What is named after specimens and parts may be unpacked anywhere: names follow the strictest of the usual file systems.
Reserved names and trailing dots: Microsoft, "Naming Files, Paths, and Namespaces"; composed and decomposed letters:
Unicode Standard Annex 15. Both from memory.
"""

from __future__ import annotations

import os
import re
import unicodedata
from pathlib import Path

__all__ = ["file_name", "missing", "path_hint", "written_elsewhere"]

RESERVED = frozenset(
    ["con", "prn", "aux", "nul", "conin$", "conout$"]
    + [f"{device}{n}" for device in ("com", "lpt") for n in (*"0123456789", "¹", "²", "³")]
)
"""Names that Windows keeps for devices, also with an ending (``aux.txt``), in whatever case."""
LONGEST = 100
"""Characters, so that a name with an ending stays within 255 bytes of UTF-8 (ext4, APFS) even in wide scripts."""
_DRIVE = re.compile(r"^([A-Za-z]):[\\/](.*)$", re.DOTALL)


def file_name(name: str, fallback: str = "specimen", *, plain: bool = False, taken: set[str] | None = None) -> str:
    """Return a name of a specimen or a part as the stem of a file's name.

    Parameters
    ----------
    name
        A catalogue number or the like: anything that a person typed.
    fallback
        Stands where nothing of the name can be kept.
    plain
        Keep ASCII letters and digits only; else letters and digits of all scripts, composed (NFC).
    taken
        Names that are in use, folded; the one returned differs from them also where case does not count, and is added.

    >>> file_name("OTC 12/b")
    'OTC-12-b'
    >>> file_name("aux"), file_name("CON.1"), file_name("..")
    ('aux-', 'CON-.1', 'specimen')
    """
    composed = unicodedata.normalize("NFC", name)
    kept = "".join(c if (c.isalnum() and (c.isascii() or not plain)) or c in "-_." else "-" for c in composed)
    kept = re.sub("-{2,}", "-", kept).strip("-.")[:LONGEST].rstrip("-.") or fallback
    stem, dot, ending = kept.partition(".")
    if stem.casefold() in RESERVED:
        kept = f"{stem}-{dot}{ending}"
    if taken is None:
        return kept
    found, count = kept, 1
    while found.casefold() in taken:
        count += 1
        found = f"{kept}-{count}"
    taken.add(found.casefold())
    return found


def written_elsewhere(folder: Path, text: str) -> Path:
    """Return the file below a folder that a table names, though it was written on another system.

    As it stands, where that is there; else with backslashes as separators, and with letters and accents composed
    otherwise (macOS writes them apart). Where nothing answers, the path as it stands. Case counts.
    """
    exact = folder / text
    if os.path.exists(exact):  # False as well for a name that no file can have
        return exact
    found = folder
    for piece in re.split(r"[\\/]+", text.strip()):
        if piece in ("", "."):
            continue
        if os.path.exists(found / piece):
            found = found / piece
            continue
        wanted = unicodedata.normalize("NFC", piece)
        try:
            same = [p for p in found.iterdir() if unicodedata.normalize("NFC", p.name) == wanted]
        except OSError:
            same = []
        if len(same) != 1:
            return exact
        found = same[0]
    return found if found != folder else exact


def path_hint(text: str) -> str:
    """Return what to do about a path that is not there, by how it is written.

    >>> path_hint(r"D:\\scans\\OTC 12")
    'this is a path of Windows: within its Linux subsystem the same place is /mnt/d/scans/OTC 12'
    """
    drive = _DRIVE.match(text)
    if drive:
        rest = drive[2].replace("\\", "/")
        return (
            "this is a path of Windows: within its Linux subsystem the same place is "
            f"/mnt/{drive[1].lower()}/{rest}".rstrip("/")
        )
    if text.startswith("\\\\"):
        return "this is a network place of Windows: mount it, and name the folder where it is mounted"
    if "\\" in text:
        return f"write it with slashes: {text.replace(chr(92), '/')}"
    if text.startswith(("smb:", "afp:", "file:", "http:", "https:")):
        return "this is an address: mount or fetch it, and name the folder or file on this machine"
    if text != text.strip() or text[:1] in "'\"":
        return "leave out the blanks and quotation marks around it"
    return "check the path"


def missing(path: Path) -> str:
    """Return what to do about a path that is not there: how to write it, or which neighbour differs in case alone."""
    hint = path_hint(str(path))
    if hint != "check the path":
        return hint
    wanted = unicodedata.normalize("NFC", path.name).casefold()
    try:
        near = [p.name for p in path.parent.iterdir() if unicodedata.normalize("NFC", p.name).casefold() == wanted]
    except OSError:
        near = []
    return f"there is {near[0]!r}: write it so" if len(near) == 1 else hint
