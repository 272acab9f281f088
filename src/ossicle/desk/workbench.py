"""What the desk works on: the specimens of a collection as they stand now, with what has been worked out of them.

Nothing here is kept but in the collection: decisions go into its catalogue before an answer goes out, and all else can
be made again.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from ossicle.account import Account
from ossicle.collection import (
    Collection,
    Decision,
    Fate,
    KeptReading,
    ReadingInfo,
    Replayed,
    Request,
    Seen,
    Specimen,
    person,
    replay,
)
from ossicle.collection.local import LocalReadings, is_stale
from ossicle.errors import OssicleError
from ossicle.publish.groups import group_of
from ossicle.reading.boxes import Box
from ossicle.reading.records import Vector
from ossicle.scans import Scan
from ossicle.scans.model import ArrayLike3D

from .guard import ACTING
from .volume_labels import InMemory, kept_boxes

__all__ = ["NotRead", "Shown", "Workbench"]

_KEPT = 12
_NEAR = "followed at its place; a new reading heeds it throughout"
_IN_MEMORY = 400_000_000
"""Voxels of labels that are held in memory as they are."""


class NotRead(OssicleError):
    """The specimen has no reading yet."""


@dataclass(frozen=True)
class Shown:
    """A specimen as it is shown: its last reading with all decisions, at one moment.

    ``version`` is the number of its last decision, 0 where there is none.
    """

    specimen: Specimen
    info: ReadingInfo
    kept: KeptReading
    replayed: Replayed
    decisions: tuple[Decision, ...]
    labels: ArrayLike3D
    boxes: dict[int, Box]
    shapes: dict[int, str]
    """A key of each part that changes when its voxels do."""
    told: dict[str, bytes] = field(default_factory=dict, compare=False, repr=False)
    """Answers that are the same for everybody, once worked out."""

    @property
    def version(self) -> int:
        """Number of the last decision."""
        return self.decisions[-1].number if self.decisions else 0

    @property
    def account(self) -> Account:
        """The account with decisions."""
        return self.replayed.account

    @property
    def spacing(self) -> Vector:
        """Spacing of the grid, z, y, x, mm."""
        return self.kept.facts.spacing_mm_zyx

    @cached_property
    def grid_to_skull(self) -> npt.NDArray[np.float64]:
        """4x4, index (x, y, z) times spacing to skull mm."""
        return np.asarray(self.kept.reading.pose.scan_to_skull, float)

    @cached_property
    def grid_to_scan(self) -> npt.NDArray[np.float64]:
        """4x4, index (x, y, z) times spacing to scan mm as the account has them."""
        affine = self.kept.facts.affine_mm
        if affine is None:
            return np.eye(4)
        z, y, x = self.spacing
        return np.asarray(np.asarray(affine, float) @ np.diag([1 / x, 1 / y, 1 / z, 1.0]))

    @cached_property
    def scan_to_grid(self) -> npt.NDArray[np.float64]:
        """The inverse of `grid_to_scan`."""
        return np.asarray(np.linalg.inv(self.grid_to_scan))

    @cached_property
    def scan_to_skull(self) -> npt.NDArray[np.float64]:
        """4x4, scan mm as the account has them to skull mm."""
        return np.asarray(self.account.pose.scan_to_skull, float)

    def groups(self) -> dict[int, str]:
        """Return the group of each part."""
        teeth = {t.part: t for t in self.replayed.reading.teeth}
        return {p.part: group_of(p, teeth.get(p.part)) for p in self.replayed.reading.parts}


class Workbench:
    """The specimens of one collection. Safe to use from several threads.

    Parameters
    ----------
    cabinet
        An open collection.
    read_only
        Why nothing can be decided here, where that is so.
    """

    def __init__(self, cabinet: Collection, read_only: str | None = None) -> None:
        self.cabinet, self.read_only = cabinet, read_only
        self.lock = threading.RLock()
        self._shown: OrderedDict[tuple[int, str, int], Shown] = OrderedDict()
        self._labels: OrderedDict[str, tuple[ArrayLike3D, dict[int, Box]]] = OrderedDict()
        self._scans: OrderedDict[str, Scan] = OrderedDict()
        self._local = LocalReadings()
        self._prepared: set[str] = set()

    def shown(self, number: int) -> Shown:
        """Return a specimen as it stands now.

        Raises
        ------
        OssicleError
            There is no such specimen.
        NotRead
            It has not been read.
        """
        with self.lock:
            handle = f"#{number}"
            try:
                specimen = self.cabinet.specimen(handle)
            except OssicleError as error:
                if error.what.startswith("no specimen"):
                    raise OssicleError(
                        f"there is no specimen {number} in this collection", mend="choose one from the list"
                    ) from None
                raise
            known = self.cabinet.readings(handle)
            if not known:
                raise NotRead(
                    f"{specimen.catalog_number} has not been read yet", mend="start its reading, or read it with "
                    "`ossicle read SPECIMEN --in COLLECTION`"
                )  # fmt: skip
            info = known[-1]
            before = next((s.decisions for (n, *_), s in reversed(self._shown.items()) if n == number), ())
            decisions = tuple(self.cabinet.decisions(handle, before))
            key = (number, info.uid, decisions[-1].number if decisions else 0)
            if key not in self._shown:
                self._shown[key] = self._made(specimen, info, decisions)
                while len(self._shown) > _KEPT:
                    self._shown.popitem(last=False)
            self._shown.move_to_end(key)
            return self._shown[key]

    def _made(self, specimen: Specimen, info: ReadingInfo, decisions: tuple[Decision, ...]) -> Shown:
        as_read = self.cabinet.reading(f"#{specimen.id}", info.number)
        labels, boxes = self._volume(info.uid, as_read)
        held = replace(as_read, reading=replace(as_read.reading, labels=labels))
        near = self._local.of(info.uid, held, boxes, decisions, lambda: self._scan(as_read.scan))
        replayed = replay(
            self.cabinet.structures(f"#{specimen.id}", near.kept, decisions),
            near.kept.facts,
            near.kept.made_by,
            decisions,
            heeded=[*as_read.heeded, *near.followed],
            warnings=near.kept.warnings,
        )
        fates = tuple(_fate(f, near.followed) for f in replayed.fates)
        shapes = dict.fromkeys(near.boxes, info.uid[:12])
        shapes |= {part: f"{info.uid[:12]}.{number}" for part, number in near.shapes.items()}
        return Shown(
            specimen,
            info,
            near.kept,
            replace(replayed, fates=fates, stale=is_stale(as_read, decisions)),
            decisions,
            near.kept.reading.labels,
            dict(near.boxes),
            shapes,
        )

    def _volume(self, uid: str, kept: KeptReading) -> tuple[ArrayLike3D, dict[int, Box]]:
        if uid not in self._labels:
            labels: ArrayLike3D = kept.reading.labels
            if int(np.prod(labels.shape)) <= _IN_MEMORY:
                labels = InMemory(labels)
            while len(self._labels) >= 6:
                self._labels.popitem(last=False)
            own = kept.boxes
            if own is None:  # of a reading kept before boxes were
                own = kept_boxes(self.cabinet.layout.root / "drawn", uid, kept.reading.labels)
            self._labels[uid] = labels, dict(own)
        self._labels.move_to_end(uid)
        return self._labels[uid]

    def prepare(self, shown: Shown, after_s: float = 0.0) -> None:
        """Work out once for a reading, a while later, what its first decision would otherwise wait for."""
        with self.lock:
            if self.read_only is not None or shown.info.uid in self._prepared:
                return
            self._prepared.add(shown.info.uid)
        later = threading.Timer(after_s, _prepare, [shown])
        later.daemon = True
        later.start()

    def as_read(self, shown: Shown) -> tuple[ArrayLike3D, dict[int, Box]]:
        """Return the labels and boxes of a specimen as its reading left them, without later decisions."""
        with self.lock:
            return self._volume(shown.info.uid, self.cabinet.reading(f"#{shown.specimen.id}", shown.info.number))

    def scan(self, shown: Shown) -> Scan:
        """Return the scan that a specimen's reading was made from; voxels are read when asked for."""
        return self._scan(shown.kept.scan)

    def _scan(self, key: str) -> Scan:
        with self.lock:
            if key not in self._scans:
                self._scans[key] = self.cabinet.scan(key)
            return self._scans[key]

    def decide(
        self, number: int, said: Sequence[Request], *, who: str, why: str = "", expected: int | None = None
    ) -> Shown:
        """Keep what a person said, all or nothing, and return the specimen as it stands then.

        Raises
        ------
        Conflict
            Others have decided since ``expected``; nothing was kept.
        OssicleError
            What is meant is not there, or cannot be.
        """
        self.writable()
        with self.lock:
            now = self.shown(number)
            seen = Seen(now.kept, now.decisions, now.replayed)
            self.cabinet.decide_all(
                f"#{number}", said, who=who, why=why, expected=expected, reading=now.info.number, seen=seen
            )
            return self.shown(number)

    def writable(self) -> None:
        """Raise `OssicleError` where nothing can be decided."""
        if self.read_only is not None:
            raise OssicleError(self.read_only, mend="take the scan into a collection with `ossicle intake`")

    def who(self, said: str | None) -> str:
        """Return who decides: at a shared desk who signed in, else the name given, else whom the collection knows."""
        acting = ACTING.get()
        if acting is not None:
            return acting.name
        return " ".join(said.split()) if said and said.strip() else person()


def _prepare(shown: Shown) -> None:
    from ossicle.reading.local import prepare

    with suppress(OssicleError, OSError):  # the first decision tells what is wrong
        prepare(shown.kept.reading)


def _fate(fate: Fate, followed: Sequence[int]) -> Fate:
    """The fate of a decision, with what following it at its place means for it."""
    if fate.number not in followed:
        return fate
    later = [n for n in followed if n > fate.number]
    if fate.holds == "no longer fits" and later:
        return replace(fate, holds="superseded", why=f"by decision {later[0]}")
    return replace(fate, why=fate.why or _NEAR)


def plain_matrix(matrix: npt.NDArray[np.floating] | Sequence[Sequence[float]]) -> list[list[float]]:
    """Return a matrix as lists."""
    return [[float(v) for v in row] for row in np.asarray(matrix, float)]


def rounded(values: Any, digits: int = 4) -> list[float]:
    """Return numbers rounded, as a list."""
    return [round(float(v), digits) for v in values]
