"""Putting the specimens of a deposit into a collection: scans, readings and decisions as they were."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from ossicle.collection import Collection, ScanInfo
from ossicle.collection.decisions import broken_at
from ossicle.collection.receiving import Arriving, receivable
from ossicle.collection.terms import TERMS
from ossicle.errors import OssicleError

from .manifest import faults_of
from .packing import unpacked
from .reading_back import Deposited, deposited, replayed_account

__all__ = ["receive"]

Progress = Callable[[str, float], None]


def receive(
    path: Path, held: Collection, *, who: str | None = None, threads: int = 2, progress: Progress | None = None
) -> list[str]:
    """Put the specimens of a deposit into a collection and return their catalogue numbers.

    Locality and its precision stay as generalised as the deposit has them.

    Raises
    ------
    OssicleError
        The deposit is altered, lacks a scan or a file, or a specimen of the same number, or the same scan from other
        files, is there. All specimens are looked at before the first is kept, so that nothing is kept then.
    """
    tell = progress or (lambda stage, share: None)
    with tempfile.TemporaryDirectory(prefix="ossicle-deposit-") as work, unpacked(path, Path(work)) as folder:
        faults = faults_of(folder, tell)
        if faults:
            raise OssicleError(
                faults[0].rstrip("."), where=path, mend="look at it with `ossicle deposit --verify`, or fetch it again"
            )
        found = deposited(folder)
        for one in found:
            _check(one, held)
        for one in found:
            _one(one, held, who, threads, tell)
    return [one.number for one in found]


def _check(one: Deposited, held: Collection) -> None:
    try:
        held.specimen(one.number)
    except OssicleError:
        pass
    else:
        raise OssicleError(
            f"{one.number} is in the collection already", mend="receive it into another collection, or rename that"
        )
    if not (one.folder / "scans").is_dir():
        raise OssicleError(
            "this deposit names its scan and does not hold it",
            where=one.number,
            mend="take the scan in yourself; its account can be looked at as it is",
        )
    scans = {s.key: (_store(one, s), s.content_sha256) for s in one.record.scans}
    try:
        receivable(held.catalogue, held.layout, scans, _readings(one))
    except OssicleError as error:
        raise OssicleError(error.what, where=one.number, mend=error.mend) from error
    if broken_at(one.decisions) is not None:
        raise OssicleError("its decisions are not as they were kept", where=one.number, mend="fetch it again")
    replayed_account(one)


def _one(one: Deposited, held: Collection, who: str | None, threads: int, tell: Progress) -> None:
    said = _terms(one)
    for scan in one.record.scans:
        held.take_in(
            _store(one, scan),
            said,
            box_zyx=scan.box_zyx,
            keep="reference",
            who=who,
            threads=threads,
            progress=tell,
        )
    held.receive(one.number, _readings(one), one.decisions)


def _store(one: Deposited, scan: ScanInfo) -> Path:
    return one.folder / "scans" / f"{scan.key}.ome.zarr"


def _readings(one: Deposited) -> list[Arriving]:
    return [(r, one.folder / "readings" / r.uid, one.labels(r)) for r in one.record.readings]


def _terms(one: Deposited) -> dict[str, str]:
    """Return the catalogue data that the collection takes; how a locality was generalised goes among the remarks."""
    terms: dict[str, Any] = dict(one.record.terms)
    told = [str(terms.pop(t)) for t in ("dataGeneralizations", "informationWithheld") if t in terms]
    said = {k: str(v) for k, v in terms.items() if k in TERMS}
    if told:
        said["occurrenceRemarks"] = "; ".join(
            [*([said["occurrenceRemarks"]] if "occurrenceRemarks" in said else []), *told]
        )
    if one.record.human_remains:
        said["humanRemains"] = "yes"
    return {**said, "catalogNumber": one.number}
