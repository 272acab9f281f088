"""Folders on this machine from which scans may be taken in: those below the allowed roots, and no others."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ossicle.errors import OssicleError
from ossicle.scans.formats import Request, family_of
from ossicle.scans.naming import shown
from ossicle.scans.sidecar import find_sidecar

__all__ = ["Places"]

MOST = 2000
"""Entries of a folder that are listed, at most."""


class Places:
    """What may be chosen.

    Parameters
    ----------
    roots
        Folders; the person's home and the working folder where None.
    """

    def __init__(self, roots: list[Path] | None) -> None:
        wanted = [Path.home(), Path.cwd()] if roots is None else roots
        self.roots = list(dict.fromkeys(p.resolve() for p in wanted if p.is_dir()))

    def resolved(self, path: str) -> Path:
        """Return a path with all links followed, if it lies below a root.

        Raises
        ------
        OssicleError
            It does not, or is not there; the same is said of both, so that nothing is told of what lies elsewhere.
        """
        refused = OssicleError(
            "there is no such folder or file below those that may be chosen",
            where=shown(path),
            mend="choose another, or start the desk with --below FOLDER",
        )
        if "\0" in path:
            raise refused
        try:
            found = Path(path).resolve(strict=True)
        except (OSError, RuntimeError) as error:
            raise refused from error
        if not any(found == root or root in found.parents for root in self.roots):
            raise refused
        return found

    def listed(self, path: str | None) -> dict[str, Any]:
        """Return folders and scans in a folder; the roots where ``path`` is None."""
        if not path:
            return {
                "path": None,
                "parent": None,
                "folders": [{"name": str(root), "path": str(root)} for root in self.roots],
                "scans": [],
                "more": False,
            }
        here = self.resolved(path)
        if not here.is_dir():
            raise OssicleError("this is a file, not a folder", where=shown(here.name), mend="choose its folder")
        folders, files = [], []
        try:
            entries = sorted(p for p in here.iterdir() if not p.name.startswith("."))
        except OSError as error:
            raise OssicleError(
                f"this folder cannot be read ({error.strerror})", where=shown(here.name), mend="choose another"
            ) from error
        for entry in entries[:MOST]:
            if entry.is_dir() and self._within(entry):
                folders.append({"name": entry.name, "path": str(entry)})
            elif entry.is_file() and self._within(entry):
                files.append(entry)
        scans = []
        own = _format(here)
        if own is not None:
            scans.append({"name": here.name, "path": str(here), "format": own, "whole_folder": True})
        else:
            scans = [
                {"name": f.name, "path": str(f), "format": kind, "whole_folder": False}
                for f in files
                if (kind := _format(f)) is not None
            ]
        parent = here.parent if here not in self.roots else None
        return {
            "path": str(here),
            "parent": None if parent is None else str(parent),
            "folders": folders,
            "scans": scans,
            "more": len(entries) > MOST,
        }

    def _within(self, path: Path) -> bool:
        try:
            found = path.resolve()
        except (OSError, RuntimeError):
            return False
        return any(found == root or root in found.parents for root in self.roots)

    def looked_at(self, path: str) -> dict[str, Any]:
        """Return what a scan's headers say; no voxel is read.

        ``spacing_mm_zyx`` is None where it is not stated, and must then be given; ``hint`` says where one may look.
        """
        here = self.resolved(path)
        family = family_of(here)
        series = family.list_series(here)
        told: dict[str, Any] = {
            "path": str(here),
            "name": here.name,
            "format": family.KIND,
            "series": [{"id": s.id, "words": s.sentence()} for s in series] if len(series) > 1 else [],
            "shape_zyx": None,
            "spacing_mm_zyx": None,
            "hint": None,
            "handedness_known": None,
        }
        if len(series) <= 1:
            stack = family.open_stack(here, Request())
            try:
                told["shape_zyx"] = [int(n) for n in stack.shape_zyx]
                sidecar = find_sidecar(here)
                stated = stack.spacing or (None if sidecar is None else sidecar.spacing)
                if stated is not None:
                    told["spacing_mm_zyx"] = [float(v) for v in stated.mm_zyx]
                    told["said_by"] = stated.said_by
                told["hint"] = stack.spacing_hint.lstrip(":, ") or None
                told["handedness_known"] = stack.handedness_known
            finally:
                stack.close()
        return told


def _format(path: Path) -> str | None:
    try:
        return family_of(path).KIND
    except OssicleError:
        return None
