"""Reading a specimen back from the folder of a deposit, and whether its account follows from what lies beside it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ossicle import __version__
from ossicle.account import Account, account_text, account_to_dict, account_to_json
from ossicle.collection import Decision, KeptReading, ReadingInfo, hints_of, replay, words_of
from ossicle.collection.reader import read_specimen
from ossicle.collection.readings import load_reading
from ossicle.errors import OssicleError, said_by
from ossicle.scans import open_store
from ossicle.scans.labels import open_labels

from .specimen_records import SpecimenRecord, decisions_from_json, record_from_json

__all__ = ["Deposited", "deposited", "differences", "replayed_account", "reread_account"]

Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Deposited:
    """A specimen of a deposit: its folder and what its records say."""

    folder: Path
    record: SpecimenRecord
    decisions: tuple[Decision, ...]
    account: Mapping[str, Any]

    @property
    def number(self) -> str:
        """Its catalogue number."""
        return self.record.number

    def labels(self, reading: ReadingInfo) -> Path:
        """Return where the labels of a reading lie."""
        inside = self.folder / "scans" / f"{reading.scan_key}.ome.zarr" / "labels" / reading.uid
        return inside if inside.is_dir() else self.folder / "parts" / f"{reading.uid}.ome.zarr"

    def kept(self, reading: ReadingInfo) -> KeptReading:
        """Return a reading; its labels are read when asked for.

        Raises
        ------
        OssicleError
            It is missing or damaged.
        """
        folder = self.folder / "readings" / reading.uid
        try:
            return load_reading(folder, open_labels(self.labels(reading)))
        except OssicleError as error:
            where = f"{self.folder.name}/readings/{reading.uid}"
            raise OssicleError(error.what, where=where, mend="fetch the deposit again from where it lies") from error

    def others(self) -> Iterator[KeptReading]:
        """Give the readings that the account is not of."""
        return (self.kept(r) for r in self.record.readings if r.uid != self.record.reading)


def deposited(folder: Path) -> list[Deposited]:
    """Return the specimens of a deposit.

    Raises
    ------
    OssicleError
        There is none, or its records are not those of a deposit.
    """
    places = sorted(p.parent for p in folder.glob("specimens/*/specimen.json"))
    if not places:
        raise OssicleError("this deposit holds no specimen", where=folder.name, mend="name a deposit that is whole")
    return [_one(place) for place in places]


def _one(folder: Path) -> Deposited:
    try:
        record = record_from_json((folder / "specimen.json").read_bytes())
        decisions = decisions_from_json((folder / "decisions.json").read_bytes())
        account = json.loads((folder / "account.json").read_bytes())
        if not isinstance(account, dict):
            raise ValueError("its account is none")
    except (OSError, ValueError, LookupError, TypeError, AttributeError, RecursionError) as error:
        raise OssicleError(
            f"its records cannot be read ({said_by(error)})",
            where=f"specimens/{folder.name}",
            mend="fetch the deposit again from where it lies, or use a later version of Ossicle",
        ) from error
    return Deposited(folder, record, decisions, account)


def replayed_account(one: Deposited) -> Account:
    """Return the account that follows from the reading and the decisions of a deposit.

    Raises
    ------
    OssicleError
        Records do not fit one another, so that none follows, or it cannot be written, or a decision not be told.
    """
    try:
        account = _replayed(one, one.kept(one.record.last))
        account_text(account)
        account_to_json(account)
        for decision in one.decisions:
            words_of(decision)
        for reading in one.record.readings:
            hints_of(one.decisions, reading.scan_key)
    except OssicleError:
        raise
    except Exception as error:  # whatever records that do not fit one another lead to
        raise OssicleError(
            f"no account follows from its reading and decisions ({said_by(error)})",
            where=one.number,
            mend="fetch the deposit again from where it lies",
        ) from error
    return account


def _replayed(one: Deposited, kept: KeptReading, heeded: Iterable[int] | None = None) -> Account:
    return replay(
        kept.structures(one.others()),
        kept.facts,
        kept.made_by,
        one.decisions,
        heeded=kept.heeded if heeded is None else heeded,
        warnings=kept.warnings,
    ).account


def reread_account(one: Deposited, *, threads: int = 2, progress: Progress | None = None) -> Account:
    """Read the scan of a deposit anew, with its decisions, and return the account.

    Raises
    ------
    OssicleError
        The deposit names its scan and does not hold it.
    """
    last = one.record.last
    store = one.folder / "scans" / f"{last.scan_key}.ome.zarr"
    if not store.is_dir():
        raise OssicleError(
            "this deposit does not hold the scan", where=one.number, mend="ask the collection that it names for it"
        )
    scan = next(s for s in one.record.scans if s.key == last.scan_key)
    before = one.kept(last)
    heeded = [d for d in one.decisions if d.number <= max(before.heeded, default=0)]
    elsewhere = any(d.scan not in ("", last.scan_key) for d in heeded)
    kept = read_specimen(
        open_store(store, threads=threads),
        last.scan_key,
        heeded,
        box_zyx=scan.box_zyx,
        dentition=str(last.settings.get("dentition", "auto")),
        threads=threads,
        progress=progress,
        earlier=before.structures(one.others()) if elsewhere else None,
    )
    return _replayed(one, kept, before.heeded)


def differences(one: Deposited, account: Account, tolerance: float = 0.0) -> list[str]:
    """Return where an account says something else than that of the deposit, a sentence each, at most ten.

    What a reading cost and by what version it was made is not compared. ``tolerance`` is relative, for numbers.
    """
    ours, theirs = account_to_dict(account), dict(one.account)
    version = str(theirs.get("made_by", {}).get("version"))
    found: list[str] = []
    for key in sorted({*ours, *theirs} - {"made_by"}):
        _compare(key, theirs.get(key), ours.get(key), tolerance, found)
    note = "" if version == __version__ else f" (the deposit was made by version {version}, this is {__version__})"
    return [f"{one.number}: {said}{note}." for said in found[:10]]


def _compare(at: str, theirs: Any, ours: Any, tolerance: float, found: list[str]) -> None:
    if isinstance(theirs, dict) and isinstance(ours, dict):
        for key in sorted({*theirs, *ours}):
            _compare(f"{at}.{key}", theirs.get(key), ours.get(key), tolerance, found)
    elif isinstance(theirs, list) and isinstance(ours, list) and len(theirs) == len(ours):
        for n, (a, b) in enumerate(zip(theirs, ours, strict=True)):
            name = a.get("id") or a.get("name") or n if isinstance(a, dict) else n
            _compare(f"{at}[{name}]", a, b, tolerance, found)
    elif isinstance(theirs, int | float) and isinstance(ours, int | float) and not isinstance(theirs, bool):
        if abs(theirs - ours) > tolerance * max(abs(theirs), abs(ours)):
            found.append(f"{at} is {theirs} in the deposit and {ours} now")
    elif theirs != ours:
        found.append(f"{at} is {_short(theirs)} in the deposit and {_short(ours)} now")


def _short(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) < 90 else text[:87] + "..."
