"""One module a family of formats, all of one shape; the table of them is made by looking into this folder.

A module takes part by having a name without a leading underscore and

- ``KIND: str``: what to call the family in a sentence,
- ``probe(path) -> bool``: whether it can read a file or folder, judged by names and first bytes only,
- ``open_stack(path, request) -> Stack``: headers read and checked, voxels not yet,
- ``list_series(path) -> list[SeriesInfo]``: the stacks to choose from, where there can be several,
- ``ORDER: int`` (optional, 50 otherwise): modules with lower numbers are asked first.
"""

from __future__ import annotations

import importlib
import pkgutil
from functools import cache
from pathlib import Path
from typing import Protocol

from ossicle.errors import OssicleError
from ossicle.scans.formats._stack import Request, Stack, reading
from ossicle.scans.model import SeriesInfo
from ossicle.scans.naming import shown

__all__ = ["FormatFamily", "Request", "Stack", "families", "family_of"]


class FormatFamily(Protocol):
    """What a module of this folder offers."""

    KIND: str

    def probe(self, path: Path) -> bool:
        """Return whether this family can read ``path``."""

    def open_stack(self, path: Path, request: Request) -> Stack:
        """Open ``path``."""

    def list_series(self, path: Path) -> list[SeriesInfo]:
        """List the stacks in ``path``."""


@cache
def families() -> tuple[FormatFamily, ...]:
    """Return every family, in the order in which they are asked."""
    modules = [
        importlib.import_module(f"{__name__}.{info.name}")
        for info in pkgutil.iter_modules(__path__)
        if not info.name.startswith("_")
    ]
    modules.sort(key=lambda module: (getattr(module, "ORDER", 50), module.__name__))
    return tuple(modules)


def family_of(path: Path) -> FormatFamily:
    """Return the family that reads a file or folder.

    Raises
    ------
    OssicleError
        None does, or the folder is empty.
    """
    for family in families():
        with reading(path, family.KIND):
            if family.probe(path):
                return family
    kinds = ", ".join(family.KIND for family in families())
    if path.is_dir():
        with reading(path, "a folder"):
            empty = not any(path.iterdir())
        raise OssicleError(
            "the folder is empty" if empty else "the folder holds no slices that can be read",
            where=shown(path),
            mend=f"give the folder that holds the slices ({kinds})",
        )
    raise OssicleError("this kind of file cannot be read", where=shown(path), mend=f"give one of: {kinds}")
