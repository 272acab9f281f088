"""A folder that ``ossicle read --out`` wrote, on the desk: to look at, not to decide in.

Such a folder holds the account and the parts but not the scan, and no catalogue to keep decisions in, so slices and
decisions ask for a collection. Rows have no fitted curve there; they are laid out by how far back each tooth stands.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from platformdirs import user_cache_path

from ossicle.account import Account, load_account
from ossicle.collection import Job, KeptReading, Page, ReadingInfo, Replayed, ScanInfo, Specimen
from ossicle.collection.files import Layout
from ossicle.errors import OssicleError
from ossicle.reading.boxes import Box
from ossicle.reading.records import Pose, Reading, ScanStatistics
from ossicle.reading.tally import boxes_of
from ossicle.scans import Scan
from ossicle.scans.model import ArrayLike3D
from ossicle.scans.naming import shown as plain_name

from .workbench import Shown, Workbench

__all__ = ["FolderBench", "ReadingFolder", "is_reading_folder"]

NO_DECISIONS = "a folder of one reading keeps no decisions"
NO_GREYS = "a folder of one reading holds the parts but not the scan, so it shows no greys"
_MEND = "take the scan into a collection with `ossicle intake SOURCE --into COLLECTION`"


def is_reading_folder(folder: Path) -> bool:
    """Return whether a folder is one that ``ossicle read --out`` wrote."""
    return (folder / "account.json").is_file() and not (folder / "collection.toml").exists()


class ReadingFolder:
    """What the desk asks of a collection, of one reading folder.

    Raises
    ------
    OssicleError
        The folder lacks its account or parts, or they do not belong together.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder.resolve()
        self.account = load_account(self.folder)
        parts = self.folder / "parts.nii.gz"
        if not parts.is_file():
            raise OssicleError(
                "this folder holds no parts.nii.gz", where=plain_name(folder), mend="write it again with `ossicle read`"
            )
        self.uid = hashlib.sha256(parts.read_bytes()).hexdigest()[:32]
        self.layout = Layout(user_cache_path("ossicle") / "desk" / self.uid)
        name = plain_name(self.folder.name)
        self.only = Specimen(1, name, "", "", "", {}, False, 1, scans=0, readings=1, decisions=0)

    def kept(self) -> KeptReading:
        """Return the reading as far as the folder holds it, coordinates index times spacing."""
        account = self.account
        labels = _volume(self.folder / "parts.nii.gz", account)
        enamel = self.folder / "enamel.nii.gz"
        z, y, x = account.scan.spacing_mm_zyx
        to_scan = np.eye(4)
        if account.scan.affine_mm is not None:
            to_scan = np.asarray(account.scan.affine_mm, float) @ np.diag([1 / x, 1 / y, 1 / z, 1.0])
        to_grid = np.linalg.inv(to_scan)

        def moved(point: Any) -> tuple[float, float, float]:
            p = to_grid @ np.array([*point, 1.0])
            return float(p[0]), float(p[1]), float(p[2])

        reading = Reading(
            labels=labels.astype(np.int32, copy=False),
            statistics=ScanStatistics(math.nan, None, math.nan, math.nan, None, math.nan, math.nan, math.nan),
            pose=Pose(
                np.asarray(account.pose.scan_to_skull, float) @ to_scan,
                account.pose.confidence,
                0.0,
                0.0,
                account.pose.found,
                account.pose.questions,
            ),
            parts=tuple(replace(p, centroid_mm_xyz=moved(p.centroid_mm_xyz)) for p in account.parts),
            teeth=tuple(replace(t, centroid_mm_xyz=moved(t.centroid_mm_xyz)) for t in account.teeth),
            rows=(),
            formula=account.formula.quadrants,
            dentition=account.formula.dentition,
            dentition_confidence=account.formula.dentition_confidence,
            dentition_candidates=account.formula.candidates,
            warnings=account.warnings,
            enamel=_volume(enamel, account) > 0 if enamel.is_file() else np.zeros(labels.shape, bool),
        )
        return KeptReading(reading, account.scan, account.made_by, self.uid, {})

    # -- what routes ask of a collection

    def specimens(self, words: str = "", *, page: int = 1, per_page: int = 50) -> Page[Specimen]:
        """Return the one specimen."""
        found = (self.only,) if all(w in self.only.catalog_number.lower() for w in words.lower().split()) else ()
        return Page(found if page == 1 else (), page, 1, len(found))

    def specimen(self, handle: str | int) -> Specimen:
        """Return the one specimen; raises `OssicleError` for any other."""
        if str(handle).lstrip("#") != "1":
            raise OssicleError(f"there is no specimen {handle}", mend="this folder holds one")
        return self.only

    def scans(self, handle: str | int) -> list[ScanInfo]:
        """Return no scan."""
        return []

    def jobs(self, *, unfinished: bool = False) -> list[Job]:
        """Return no job."""
        return []


def _volume(file: Path, account: Account) -> npt.NDArray[Any]:
    import nibabel

    try:
        data = np.asarray(nibabel.load(file).dataobj)
    except Exception as error:
        raise OssicleError(
            "this file is damaged", where=plain_name(file.name), mend="write it again with `ossicle read --out`"
        ) from error
    volume = np.ascontiguousarray(data.transpose(2, 1, 0)) if data.ndim == 3 else data
    if volume.shape != tuple(account.scan.shape_zyx):
        raise OssicleError(
            "it does not have the scan's shape", where=plain_name(file.name), mend="write it again with `ossicle read`"
        )
    return volume


class FolderBench(Workbench):
    """The workbench of one reading folder."""

    def __init__(self, folder: ReadingFolder) -> None:
        super().__init__(folder, NO_DECISIONS)  # type: ignore[arg-type]
        self._folder = folder
        self._one: Shown | None = None

    def shown(self, number: int) -> Shown:
        """Return the specimen."""
        with self.lock:
            specimen = self._folder.specimen(number)
            if self._one is None:
                kept = self._folder.kept()
                boxes = boxes_of(kept.reading.labels)
                account = self._folder.account
                made = account.made_by
                info = ReadingInfo(
                    1,
                    self._folder.uid,
                    "",
                    made.settings,
                    made.version,
                    made.seconds or 0.0,
                    made.peak_mb or 0.0,
                    (),
                    "",
                )
                self._one = Shown(
                    specimen,
                    info,
                    kept,
                    Replayed(account, kept.reading, ()),
                    (),
                    kept.reading.labels,
                    boxes,
                    dict.fromkeys(boxes, self._folder.uid[:12]),
                )
            return self._one

    def as_read(self, shown: Shown) -> tuple[ArrayLike3D, dict[int, Box]]:
        """Return labels and boxes."""
        return shown.labels, shown.boxes

    def scan(self, shown: Shown) -> Scan:
        """Raise `OssicleError`: there is no scan here."""
        raise OssicleError(NO_GREYS, mend=_MEND)
