"""The records of a specimen in a deposit, files from elsewhere: their types are checked before anything uses them."""

from __future__ import annotations

import json
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Annotated, Any, TypeVar

from pydantic import Field, TypeAdapter, ValidationError

from ossicle.anatomy import ToothName
from ossicle.collection import Decision, ReadingInfo, ScanInfo
from ossicle.collection.kinds import Kind
from ossicle.reading.records import Generation, Side, Vector

__all__ = ["SPECIMEN_FORMAT", "SpecimenRecord", "decisions_from_json", "record_from_json"]

T = TypeVar("T")

SPECIMEN_FORMAT = "ossicle-deposit-specimen/1"
_MOST = 1_000_000
"""Readings and decisions of one specimen; both are numbered."""


@dataclass(frozen=True)
class SpecimenRecord:
    """What ``specimen.json`` tells: catalogue data by Darwin Core term, scans, readings, and which one the account is
    of."""

    format: str
    number: Annotated[str, Field(alias="catalogNumber")]
    terms: Mapping[str, str | int | float | bool]
    scans: tuple[ScanInfo, ...]
    readings: tuple[ReadingInfo, ...]
    reading: str
    human_remains: Annotated[bool, Field(alias="humanRemains")] = False

    @property
    def last(self) -> ReadingInfo:
        """The reading that the account is of."""
        return next(r for r in self.readings if r.uid == self.reading)


@dataclass(frozen=True)
class _OfFinding:
    finding: str
    value: Any
    unit: str | None = None
    was_said: str = ""
    was: Any = None
    statement: str | None = None


@dataclass(frozen=True)
class _Named:
    name: str


@dataclass(frozen=True)
class _OfGeneration:
    generation: Generation


@dataclass(frozen=True)
class _OfSide:
    side: Side


@dataclass(frozen=True)
class _OfCut:
    seeds_mm: list[Vector]
    stroke_mm: list[Vector] = field(default_factory=list)
    view: list[float] = field(default_factory=list)


@dataclass(frozen=True)
class _OfMidplane:
    up: Vector | None
    front: Vector | None


@dataclass(frozen=True)
class _OfScore:
    character: str
    state: str
    computed: str | None = None


@dataclass(frozen=True)
class _Nothing:
    pass


_SAID: dict[Kind, tuple[Hashable, int]] = {
    "agree": (_OfFinding, 0),
    "amend": (_OfFinding, 0),
    "dispute": (_OfFinding, 0),
    "rename": (_Named, 1),
    "generation": (_OfGeneration, 1),
    "join": (_Nothing, 2),
    "cut": (_OfCut, 1),
    "discard": (_Nothing, 1),
    "add": (_Nothing, 1),
    "landmark": (_Named, 1),
    "side": (_OfSide, 1),
    "midplane": (_OfMidplane, 1),
    "score": (_OfScore, 0),
    "undo": (_Nothing, 0),
    "redo": (_Nothing, 0),
}
"""What a decision of each kind says, and how many anchors it has at least (`ossicle.collection.deciding`)."""


def record_from_json(raw: bytes) -> SpecimenRecord:
    """Return the record of a specimen.

    Raises
    ------
    ValueError
        It is no JSON, lacks something, or holds it in another type; one line.
    """
    _finite(raw)
    record: SpecimenRecord = _checked(_adapter(SpecimenRecord), raw)
    if record.format != SPECIMEN_FORMAT:
        raise ValueError(f"its format is {record.format!r}, this version knows {SPECIMEN_FORMAT!r}")
    uids, numbers = [r.uid for r in record.readings], [r.number for r in record.readings]
    keys = [s.key for s in record.scans]
    if not record.number.strip() or not all(name.isascii() and name.isalnum() for name in (*uids, *keys)):
        raise ValueError("its names are none that this program makes")
    if len({*uids}) < len(uids) or len({*numbers}) < len(numbers) or len({*keys}) < len(keys):
        raise ValueError("two of its readings or scans bear one name")
    if record.reading not in uids or not {r.scan_key for r in record.readings} <= {*keys}:
        raise ValueError("it names a reading or a scan that it does not tell of")
    if not all(0 < n < _MOST for r in record.readings for n in (r.number, *r.heeded)):
        raise ValueError("a reading has a number that no reading has")
    return record


def decisions_from_json(raw: bytes) -> tuple[Decision, ...]:
    """Return decisions; what they say is as it was written, so that their digests can be worked out.

    Raises
    ------
    ValueError
        They are no JSON, lack something, or hold it in another type; one line.
    """
    rows = _finite(raw)
    checked: list[Decision] = _checked(_adapter(list[Decision]), raw)
    if any(not 0 < n < _MOST for d in checked for n in (d.number, d.reading, d.target) if n is not None):
        raise ValueError("a decision names a number that none has")
    for d in checked:
        said, anchors = _SAID[d.kind]
        _checked(_adapter(said), json.dumps(d.said).encode(), f"decision {d.number}.")
        if len(d.anchors) < anchors or not all(a.points_mm for a in d.anchors):
            raise ValueError(f"decision {d.number} lacks a place")
        if d.kind == "rename":
            ToothName.parse(d.said["name"])
        if d.kind in ("undo", "redo") and not 0 < (d.target or 0) < d.number:
            raise ValueError(f"decision {d.number} is about none before it")
    return tuple(Decision.from_json(row) for row in rows)


def _finite(raw: bytes) -> Any:
    """Return JSON, which knows no NaN and no infinity (RFC 8259)."""
    data = json.loads(raw)
    json.dumps(data, allow_nan=False)
    return data


def _checked(kind: TypeAdapter[T], raw: bytes, where: str = "") -> T:
    try:
        return kind.validate_json(raw, strict=True)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        raise ValueError(f"{where}{'.'.join(map(str, first['loc']))}: {first['msg']}") from error


@cache
def _adapter(kind: Hashable) -> TypeAdapter[Any]:
    return TypeAdapter(kind)
