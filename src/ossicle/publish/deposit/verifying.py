"""Whether a deposit is whole, and its accounts follow from what it holds."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from ossicle.collection.decisions import broken_at
from ossicle.errors import OssicleError
from ossicle.scans.naming import shown

from .crate import METADATA
from .manifest import faults_of
from .packing import altered, unpacked
from .reading_back import Deposited, deposited, differences, replayed_account, reread_account

__all__ = ["Verified", "crate_faults", "verify"]

REREAD_TOLERANCE = 1e-4
"""By how much numbers of a new reading may differ: processors round differently."""
Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Verified:
    """What a check found: ``faults`` a sentence each, ``specimens`` what was reproduced, in words."""

    files: int
    faults: tuple[str, ...]
    specimens: tuple[str, ...] = field(default=())

    @property
    def sound(self) -> bool:
        """Whether nothing is wrong."""
        return not self.faults


def verify(path: Path, *, reread: bool = False, threads: int = 2, progress: Progress | None = None) -> Verified:
    """Check a deposit, folder or archive: every byte, the records, and that each account is reproduced.

    Parameters
    ----------
    reread
        Read the scans anew as well; takes as long as reading them did.

    Raises
    ------
    OssicleError
        It is no deposit, or an archive that cannot be unpacked.
    """
    tell = progress or (lambda stage, share: None)
    with tempfile.TemporaryDirectory(prefix="ossicle-deposit-") as work, unpacked(path, Path(work)) as folder:
        faults = faults_of(folder, tell)
        if not faults and path.is_file():
            changed = altered(path, folder, Path(work))
            if changed is not None:
                faults = [f"{path.name}: is altered or was packed anew: {changed}; every file in it is whole."]
        count = sum(1 for p in folder.rglob("*") if p.is_file())
        if faults:
            return Verified(count, tuple(faults))
        faults += crate_faults(folder)
        said: list[str] = []
        for one in deposited(folder):
            _specimen(one, reread, threads, tell, faults, said)
    return Verified(count, tuple(faults), tuple(said))


def crate_faults(folder: Path) -> list[str]:
    """Return what a deposit's metadata (RO-Crate) tells of and the folder does not hold, each as a sentence."""
    try:
        graph = json.loads((folder / METADATA).read_bytes())["@graph"]
        named = [str(e["@id"]) for e in graph if "File" in e.get("@type", ()) or "Dataset" in e.get("@type", ())]
    except (OSError, ValueError, LookupError, TypeError, AttributeError, RecursionError) as error:
        return [f"{METADATA}: cannot be read ({shown(str(error))})."]
    return [
        f"{METADATA}: tells of {shown(name)}, which is not there."
        for name in named
        if not os.path.exists(folder / name)
    ]


def _specimen(one: Deposited, reread: bool, threads: int, tell: Progress, faults: list[str], said: list[str]) -> None:
    broken = broken_at(one.decisions)
    if broken is not None:
        faults.append(f"{one.number}: decision {broken} is not as it was kept.")
        return
    tell(f"{one.number}: account from reading and decisions", 0.0)
    found = differences(one, replayed_account(one))
    faults += found
    if not found:
        said.append(f"{one.number}: the account follows from reading and {len(one.decisions)} decisions.")
    if not reread:
        return
    try:
        again = differences(one, reread_account(one, threads=threads, progress=tell), REREAD_TOLERANCE)
    except OssicleError as error:
        faults.append(error.sentence())
        return
    faults += again
    if not again:
        said.append(f"{one.number}: a new reading of the scan gives the same account.")
