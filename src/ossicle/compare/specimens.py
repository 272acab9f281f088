"""A specimen as this layer takes it: its name, its account, and its labelled parts where they are at hand."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import nibabel as nib
import numpy as np
import numpy.typing as npt
from nibabel.filebasedimages import ImageFileError

from ossicle.account import Account, load_account
from ossicle.errors import OssicleError
from ossicle.reading.records import Part
from ossicle.reading.tally import boxes_of
from ossicle.scans.model import ArrayLike3D

if TYPE_CHECKING:
    from ossicle.collection import Collection

__all__ = ["Compared", "from_collection", "from_folder", "named_apart", "part_numbers"]

FloatArray = npt.NDArray[np.float64]
Labels = npt.NDArray[np.integer] | npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Compared:
    """One specimen of a comparison.

    ``read_parts`` and ``read_enamel`` return labels (z, y, x) on the scan's own grid, or None where there are none;
    they are called when surfaces are asked for, and once. ``placed`` are landmarks (scan mm) that a person placed and
    that the account does not list yet.
    """

    name: str
    account: Account
    read_parts: Callable[[], ArrayLike3D | None] = field(default=lambda: None, repr=False, compare=False)
    read_enamel: Callable[[], ArrayLike3D | None] = field(default=lambda: None, repr=False, compare=False)
    placed: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)

    @cached_property
    def parts(self) -> ArrayLike3D | None:
        """Labels of parts (z, y, x), in memory or read where they are asked for; or None."""
        return self.read_parts()

    @cached_property
    def enamel(self) -> ArrayLike3D | None:
        """Which voxels are enamel (z, y, x), or None."""
        return self.read_enamel()

    @cached_property
    def boxes(self) -> list[tuple[slice, slice, slice] | None]:
        """The box (z, y, x) of each part, that of part 1 first; none where there are no labels."""
        found = {} if self.parts is None else boxes_of(self.parts)
        return [found.get(part) for part in range(1, max(found, default=0) + 1)]

    @property
    def voxel_mm(self) -> float:
        """Edge of a cube of a voxel's volume, mm."""
        return float(np.cbrt(np.prod(self.account.scan.spacing_mm_zyx)))

    @property
    def to_skull(self) -> FloatArray:
        """4x4 from scan mm to skull mm."""
        return np.asarray(self.account.pose.scan_to_skull, float)

    @property
    def index_to_skull(self) -> FloatArray:
        """4x4 from index (x, y, z, 1) to skull mm."""
        affine = self.account.scan.affine_mm
        z, y, x = self.account.scan.spacing_mm_zyx
        to_scan = np.diag([x, y, z, 1.0]) if affine is None else np.asarray(affine, float)
        out: FloatArray = self.to_skull @ to_scan
        return out

    def skull(self, scan_mm: npt.ArrayLike) -> FloatArray:
        """Scan points (..., 3), mm, in skull coordinates, mm."""
        m = self.to_skull
        out: FloatArray = np.asarray(scan_mm, float) @ m[:3, :3].T + m[:3, 3]
        return out

    @property
    def landmarks(self) -> dict[str, FloatArray]:
        """Landmarks by name, skull mm."""
        listed = {str(row["name"]): row["point_mm_xyz"] for row in self.account.landmarks}
        return {name: self.skull(point) for name, point in {**listed, **self.placed}.items()}

    def part(self, number: int) -> Part | None:
        """The part of a number, None where there is none."""
        return next((p for p in self.account.parts if p.part == number), None)


def from_folder(path: Path, name: str | None = None) -> Compared:
    """Return the specimen whose account `ossicle read --out` wrote.

    Raises
    ------
    OssicleError
        There is none, or its files do not belong together.
    """
    account = load_account(path)
    folder = path if path.is_dir() else path.parent
    called = name or folder.resolve().name.removeprefix("reading-") or "specimen"

    def labels(file: str) -> Labels | None:
        whole = folder / file
        if not whole.is_file():
            return None
        try:
            image = nib.load(whole)
            found: Labels = np.asarray(image.dataobj).transpose(2, 1, 0)
        except (OSError, ValueError, EOFError, ImageFileError) as error:
            raise OssicleError(
                f"the labels cannot be read ({error})", where=whole, mend="write them again with `ossicle read --out`"
            ) from error
        if found.shape != tuple(account.scan.shape_zyx):
            raise OssicleError(
                f"the labels have the shape {found.shape}, the scan of the account {account.scan.shape_zyx}",
                where=whole,
                mend="write both again with `ossicle read --out`",
            )
        return found

    return Compared(called, account, lambda: labels("parts.nii.gz"), lambda: labels("enamel.nii.gz"))


def from_collection(held: Collection, handle: str) -> Compared:
    """Return a specimen of a collection as its last reading and its decisions have it."""
    replayed = held.replayed(handle)
    return Compared(
        handle,
        replayed.account,
        lambda: replayed.reading.labels,
        lambda: replayed.reading.enamel,
        replayed.landmarks,
    )


def named_apart(specimens: list[Compared]) -> list[Compared]:
    """Number those that bear one name, so that each can be told."""
    seen: dict[str, int] = {}
    out = []
    for s in specimens:
        seen[s.name] = seen.get(s.name, 0) + 1
        name = s.name if seen[s.name] == 1 else f"{s.name} ({seen[s.name]})"
        out.append(replace(s, name=name))
    return out


def part_numbers(s: Compared, wanted: str) -> list[int]:
    """Return the numbers of the parts of a name: a term, a side before it if wanted, or a tooth with side and jaw.

    Raises
    ------
    OssicleError
        There is no such part; the sentence names those there are.
    """
    named: dict[str, list[int]] = {}
    for p in s.account.parts:
        side = "" if p.side in (None, "midline") else f"{p.side} "
        for name in {p.term, f"{side}{p.term}"}:
            if p.kind != "tooth":
                named.setdefault(name.lower(), []).append(p.part)
    for t in s.account.teeth:
        named.setdefault(f"{t.side} {t.jaw} {t.name}".lower(), []).append(t.part)
    found = named.get(" ".join(wanted.lower().split()))
    if not found:
        terms = sorted(
            {n for n in named if not n.startswith(("left upper", "left lower", "right upper", "right lower"))}
        )
        raise OssicleError(
            f"it has no part {wanted!r}",
            where=s.name,
            mend=f"choose from {', '.join(terms)}, or a tooth as 'left upper P4'",
        )
    return found
