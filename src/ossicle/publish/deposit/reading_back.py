"""Reading a specimen back from the folder of a deposit, and whether its account follows from what lies beside it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ossicle import __version__
from ossicle.account import Account, account_to_dict
from ossicle.collection import Decision, KeptReading, replay
from ossicle.collection.anchors import Anchor
from ossicle.collection.reader import read_specimen
from ossicle.collection.readings import load_reading
from ossicle.errors import OssicleError
from ossicle.scans import open_store
from ossicle.scans.labels import open_labels

__all__ = ["SPECIMEN_FORMAT", "Deposited", "deposited", "differences", "replayed_account", "reread_account"]

SPECIMEN_FORMAT = "ossicle-deposit-specimen/1"
Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Deposited:
    """A specimen of a deposit: its folder and what its records say."""

    folder: Path
    record: Mapping[str, Any]
    decisions: tuple[Decision, ...]
    account: Mapping[str, Any]

    @property
    def number(self) -> str:
        """Its catalogue number."""
        return str(self.record["catalogNumber"])

    def labels(self, reading: Mapping[str, Any]) -> Path:
        """Return where the labels of a reading lie."""
        inside = self.folder / "scans" / f"{reading['scan_key']}.ome.zarr" / "labels" / str(reading["uid"])
        return inside if inside.is_dir() else self.folder / "parts" / f"{reading['uid']}.ome.zarr"

    def kept(self, reading: Mapping[str, Any]) -> KeptReading:
        """Return a reading; its labels are read when asked for."""
        return load_reading(self.folder / "readings" / str(reading["uid"]), open_labels(self.labels(reading)))


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
    where = f"specimens/{folder.name}"
    try:
        record = json.loads((folder / "specimen.json").read_bytes())
        if record["format"] != SPECIMEN_FORMAT:
            raise OssicleError(
                f"its format is {record['format']!r}, this version knows {SPECIMEN_FORMAT!r}",
                where=where,
                mend="use a later version of Ossicle",
            )
        decisions = tuple(_decision(row) for row in json.loads((folder / "decisions.json").read_bytes()))
        account = json.loads((folder / "account.json").read_bytes())
        one = Deposited(folder, record, decisions, account)
        if not one.number or not all(_plain(r["uid"]) and _plain(r["scan_key"]) for r in record["readings"]):
            raise ValueError("its names are none that this program makes")
        return one
    except (OSError, ValueError, LookupError, TypeError, AttributeError, RecursionError) as error:
        raise OssicleError(
            f"its records cannot be read ({type(error).__name__}: {error})"[:300],
            where=where,
            mend="fetch the deposit again from where it lies",
        ) from error


def _plain(name: Any) -> bool:
    return isinstance(name, str) and name.isascii() and name.isalnum()


def _decision(row: Mapping[str, Any]) -> Decision:
    return Decision(**{**row, "anchors": tuple(Anchor.from_json(a) for a in row["anchors"])})


def _last(one: Deposited) -> Mapping[str, Any]:
    found = [r for r in one.record["readings"] if r["uid"] == one.record["reading"]]
    if not found:
        raise OssicleError("the reading of its account is missing", where=one.number, mend="fetch the deposit again")
    last: Mapping[str, Any] = found[0]
    return last


def _others(one: Deposited, last: Mapping[str, Any]) -> Iterator[KeptReading]:
    return (one.kept(r) for r in one.record["readings"] if r["uid"] != last["uid"])


def replayed_account(one: Deposited) -> Account:
    """Return the account that follows from the reading and the decisions of a deposit."""
    last = _last(one)
    kept = one.kept(last)
    structures = kept.structures(_others(one, last))
    return replay(
        structures, kept.facts, kept.made_by, one.decisions, heeded=kept.heeded, warnings=kept.warnings
    ).account


def reread_account(one: Deposited, *, threads: int = 2, progress: Progress | None = None) -> Account:
    """Read the scan of a deposit anew, with its decisions, and return the account.

    Raises
    ------
    OssicleError
        The deposit names its scan and does not hold it.
    """
    last = _last(one)
    store = one.folder / "scans" / f"{last['scan_key']}.ome.zarr"
    if not store.is_dir():
        raise OssicleError(
            "this deposit does not hold the scan", where=one.number, mend="ask the collection that it names for it"
        )
    scan = next(s for s in one.record["scans"] if s["key"] == last["scan_key"])
    before = one.kept(last)
    heeded = [d for d in one.decisions if d.number <= max(before.heeded, default=0)]
    elsewhere = any(d.scan not in ("", last["scan_key"]) for d in heeded)
    kept = read_specimen(
        open_store(store, threads=threads),
        last["scan_key"],
        heeded,
        box_zyx=scan["box_zyx"],
        dentition=str(last["settings"].get("dentition", "auto")),
        threads=threads,
        progress=progress,
        earlier=before.structures(_others(one, last)) if elsewhere else None,
    )
    structures = kept.structures(_others(one, last))
    return replay(
        structures, kept.facts, kept.made_by, one.decisions, heeded=before.heeded, warnings=kept.warnings
    ).account


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
