"""A reading as it lies on disk: ``reading.json`` (records), ``arrays.npz`` (pictures, curves, enamel), and the parts as
labels beside the scan. Written once, never changed. Readings of the first format lack enamel and structures."""

from __future__ import annotations

import io
import json
import math
import zipfile
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from ossicle.account import MadeBy, ScanFacts, Source
from ossicle.errors import OssicleError, said_by
from ossicle.reading.boxes import Box, boxes_from_json, boxes_to_json
from ossicle.reading.records import (
    Calibration,
    Ground,
    Part,
    Pose,
    Reading,
    Row,
    RowStrip,
    ScanStatistics,
    ToothObservation,
    ToothRecord,
    Vacancy,
    Vector,
)
from ossicle.reading.structures import Structures as StructureRecords
from ossicle.reading.tally import boxes_of
from ossicle.scans.model import ArrayLike3D
from ossicle.scans.naming import shown

from .alignment import way_between
from .anchors import Structures
from .files import plain, read_json, write_file
from .packing import Mask, pack, unpack

__all__ = ["KeptReading", "load_reading", "write_reading"]

SCHEMA = "ossicle-reading/2"
KNOWN = ("ossicle-reading/1", SCHEMA)


@dataclass(frozen=True)
class KeptReading:
    """A reading with what its account needs. ``inner`` are points inside each part, mm (x, y, z)."""

    reading: Reading
    facts: ScanFacts
    made_by: MadeBy
    scan: str
    inner: Mapping[int, tuple[Vector, ...]]
    heeded: tuple[int, ...] = ()
    warnings: tuple[str, ...] = ()
    boxes: Mapping[int, Box] | None = None
    """The least box of each part; None where it was not kept."""

    def structures(self, others: Iterable[KeptReading] = ()) -> Structures:
        """Return its structures, to find anchors in; ``others`` are readings of other scans of the specimen, from
        which anchors are to be carried over."""
        ways = {o.scan: way_between(o.reading, self.reading) for o in others if o.scan != self.scan}
        known = {scan: way for scan, way in ways.items() if way is not None}
        return Structures(self.reading, self.facts.spacing_mm_zyx, self.inner, self.scan, known)


def write_reading(folder: Path, kept: KeptReading) -> None:
    """Write a reading, but for its labels, into a folder that is moved into place afterwards."""
    arrays: dict[str, Any] = {}
    r = kept.reading
    rows = []
    for i, row in enumerate(r.rows):
        arrays[f"row{i}.curve"] = np.asarray(row.curve_skull_mm, np.float64)
        if row.strip is not None:
            arrays[f"row{i}.projection"] = row.strip.projection
            arrays[f"row{i}.section"] = row.strip.section
            arrays[f"row{i}.parts"] = row.strip.parts
        rows.append(
            {
                "jaw": row.jaw,
                "side": row.side,
                "parts": list(row.parts),
                "strip_spacing_mm": None if row.strip is None else row.strip.spacing_mm,
            }
        )
    for name, view in r.views.items():
        arrays[f"view.{name}"] = view
    if r.enamel is not None:
        enamel = Mask.of(r.enamel)
        arrays |= {"enamel.shape": np.asarray(enamel.shape), "enamel.box": enamel.box, "enamel.bits": enamel.bits}
        if enamel.factor > 1:
            arrays["enamel.factor"] = np.asarray(enamel.factor)
    data = {
        "schema": SCHEMA,
        "scan": kept.scan,
        "facts": asdict(kept.facts),
        "made_by": asdict(kept.made_by),
        "heeded": list(kept.heeded),
        "warnings": list(kept.warnings),
        "inner_mm": {str(part): points for part, points in kept.inner.items()},
        "reading": {
            "statistics": asdict(r.statistics),
            "pose": {**asdict(r.pose), "scan_to_skull": np.asarray(r.pose.scan_to_skull, float).tolist()},
            "parts": [asdict(p) for p in r.parts],
            "teeth": [asdict(t) for t in r.teeth],
            "rows": rows,
            "formula": r.formula,
            "dentition": r.dentition,
            "dentition_confidence": r.dentition_confidence,
            "dentition_candidates": r.dentition_candidates,
            "view_spacing_mm": r.view_spacing_mm,
            "stages": dict(r.stages),
            "warnings": list(r.warnings),
            "structures": None if r.structures is None else pack(r.structures, arrays, "structures"),
            "vacancies": [asdict(v) for v in r.vacancies],
            "observations": [asdict(o) for o in r.observations],
            "ground": None if r.ground is None else asdict(r.ground),
            "boxes": boxes_to_json(boxes_of(r.labels)),
        },
    }
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **arrays)
    write_file(folder / "arrays.npz", buffer.getvalue())
    text = json.dumps(plain(data), ensure_ascii=False, indent=1, allow_nan=False)
    write_file(folder / "reading.json", text.encode())


def load_reading(folder: Path, labels: ArrayLike3D) -> KeptReading:
    """Read a reading back; its labels are read from the store when they are asked for.

    Raises
    ------
    OssicleError
        A file is missing or damaged, or of a later Ossicle.
    """
    data = read_json(folder / "reading.json")
    if data.get("schema") not in KNOWN:
        raise OssicleError(
            f"this reading has the format {data.get('schema')!r}, this version knows {SCHEMA!r}",
            where=shown(folder),
            mend="use a later version of Ossicle",
        )
    try:
        return _back(data, _arrays(folder / "arrays.npz"), labels)
    except _DAMAGED as error:
        raise OssicleError(
            f"this reading is damaged ({said_by(error)})",
            where=shown(folder),
            mend="run `ossicle check` on the collection",
        ) from error


_DAMAGED = (
    OSError, LookupError, TypeError, ValueError, AttributeError, ArithmeticError, EOFError, MemoryError, RecursionError,
    zipfile.BadZipFile, zlib.error, NotImplementedError,
)  # fmt: skip
"""What reading a file back may raise that is not as it was written."""
MOST_BYTES = 4 << 30
"""Bytes that the arrays of a reading may unfold to; a reading of the largest scans takes less than a twentieth."""


def _arrays(path: Path) -> dict[str, Any]:
    """Return named arrays; what would unfold to more than `MOST_BYTES` is refused before it is unfolded."""
    with zipfile.ZipFile(path) as packed:
        if sum(item.file_size for item in packed.infolist()) > MOST_BYTES:
            raise ValueError("its arrays are larger than any reading's")
    with np.load(path, allow_pickle=False) as kept:
        return {name: kept[name] for name in kept.files}


def _back(data: Mapping[str, Any], arrays: Mapping[str, Any], labels: ArrayLike3D) -> KeptReading:
    r, facts, made = data["reading"], data["facts"], data["made_by"]
    rows = []
    for i, row in enumerate(r["rows"]):
        strip = None
        if row["strip_spacing_mm"] is not None:
            projection, section, parts = (arrays[f"row{i}.{name}"] for name in ("projection", "section", "parts"))
            strip = RowStrip(projection, section, parts, row["strip_spacing_mm"])
        rows.append(Row(row["jaw"], row["side"], arrays[f"row{i}.curve"], tuple(row["parts"]), strip))
    pose = {**r["pose"], "scan_to_skull": np.asarray(r["pose"]["scan_to_skull"], float)}
    pose["questions"] = tuple(pose["questions"])
    reading = Reading(
        labels=labels,
        statistics=_statistics(r["statistics"]),
        pose=Pose(**pose),
        parts=tuple(_record(Part, p) for p in r["parts"]),
        teeth=tuple(_record(ToothRecord, t) for t in r["teeth"]),
        rows=tuple(rows),
        formula=r["formula"],
        dentition=r["dentition"],
        dentition_confidence=r["dentition_confidence"],
        dentition_candidates=tuple((name, p) for name, p in r["dentition_candidates"]),
        views={name.removeprefix("view."): a for name, a in arrays.items() if name.startswith("view.")},
        view_spacing_mm=r["view_spacing_mm"],
        stages=r["stages"],
        warnings=tuple(r["warnings"]),
        enamel=_enamel(arrays),
        structures=None if r.get("structures") is None else unpack(StructureRecords, r["structures"], arrays),
        vacancies=tuple(_record(Vacancy, v) for v in r.get("vacancies", ())),
        observations=tuple(_record(ToothObservation, o) for o in r.get("observations", ())),
        ground=Ground(**r["ground"]) if r.get("ground") else None,
    )
    _hold_together(reading)
    affine = facts["affine_mm"]
    return KeptReading(
        reading=reading,
        facts=replace(
            ScanFacts(**{**facts, "sources": tuple(Source(**s) for s in facts["sources"])}),
            shape_zyx=tuple(facts["shape_zyx"]),
            spacing_mm_zyx=tuple(facts["spacing_mm_zyx"]),
            affine_mm=None if affine is None else tuple(tuple(row) for row in affine),
        ),
        made_by=MadeBy(**made),
        scan=data["scan"],
        inner={int(part): tuple((p[0], p[1], p[2]) for p in points) for part, points in data["inner_mm"].items()},
        heeded=tuple(data["heeded"]),
        warnings=tuple(data["warnings"]),
        boxes=_boxes(r.get("boxes"), labels.shape),
    )


def _hold_together(reading: Reading) -> None:
    """Raise `ValueError` where records name parts that the reading does not have."""
    parts = {p.part for p in reading.parts}
    teeth = {t.part for t in reading.teeth}
    pairs = {p for t in reading.teeth for p in (t.replaces, t.replaced_by) if p is not None}
    if not all(0 < part <= np.iinfo(np.int32).max for part in parts) or len(parts) < len(reading.parts):
        raise ValueError("its parts are not numbered as labels are")
    for what, named, known in (
        ("tooth", teeth, parts),
        ("row", {p for r in reading.rows for p in r.parts}, parts),
        ("pair", pairs, teeth),
    ):
        if not named <= known:
            raise ValueError(f"a {what} names a part that it does not have")


def _boxes(data: Mapping[str, Any] | None, shape: Sequence[int]) -> dict[int, Box] | None:
    return None if data is None else boxes_from_json(data, shape)


def _enamel(arrays: Mapping[str, Any]) -> Mask | None:
    if "enamel.bits" not in arrays:
        return None
    z, y, x = (int(n) for n in arrays["enamel.shape"])
    return Mask((z, y, x), arrays["enamel.box"], arrays["enamel.bits"], int(arrays.get("enamel.factor", 1)))


def _statistics(data: Mapping[str, Any]) -> ScanStatistics:
    found = ScanStatistics(**{k: _nan(ScanStatistics, k, v) for k, v in data.items()})
    known = data.get("calibration")
    return found if known is None else replace(found, calibration=Calibration(**known))


def _record(cls: type[Any], data: Mapping[str, Any]) -> Any:
    values = {key: _nan(cls, key, value) for key, value in data.items()}
    return cls(**{key: tuple(v) if isinstance(v, list) else v for key, v in values.items()})


def _nan(cls: type[Any], name: str, value: Any) -> Any:
    """Return NaN for a number that was not finite when written (JSON has no word for it)."""
    kinds = {f.name: f.type for f in fields(cls)}
    return math.nan if value is None and kinds[name] in ("float", float) else value
