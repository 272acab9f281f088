"""The four tooth rows as drawn from the specimen's own crowns, seen from the cheek and unrolled.

Millimetres on the page: x along the row from the midline backwards, y downwards, dorsal up (y is less skull y): crowns
of upper rows point down, those of lower rows up.
"""

from __future__ import annotations

import json
import threading
from collections import OrderedDict
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from ossicle.account import account_to_dict
from ossicle.account.findings.common import tooth_ids
from ossicle.account.silhouettes import Silhouette, silhouettes, unrolled
from ossicle.account.words import QUADRANTS, quadrant_key
from ossicle.collection.files import write_file
from ossicle.errors import OssicleError
from ossicle.reading.records import ToothRecord

from .specimen import surfaces_key
from .workbench import Shown

__all__ = ["Rows"]

Json = dict[str, Any]
MAKE = 1
"""Counts changes of how outlines are made, so that older ones are made again."""


class Rows:
    """Rows of specimens; outlines are kept as long as the voxels of the parts do not change.

    Parameters
    ----------
    folder
        Where the outlines of readings are kept between runs, where anywhere.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self.folder = folder
        self._lock = threading.Lock()
        self._shapes: OrderedDict[tuple[str, int, str, str], Silhouette] = OrderedDict()
        self._looked: set[str] = set()

    def of(self, shown: Shown) -> Json:
        """Return the rows by quadrant, and the formula."""
        shapes = {s.tooth.part: s for s in self._silhouettes(shown)}
        quadrants = {quadrant_key(jaw, side): _row(shown, jaw, side, shapes) for jaw, side in QUADRANTS}
        return {
            "version": shown.version,
            "shape": surfaces_key(shown),
            "quadrants": quadrants,
            "formula": account_to_dict(shown.account)["formula"],
        }

    def _silhouettes(self, shown: Shown) -> list[Silhouette]:
        reading = shown.replayed.reading
        with self._lock:
            self._recall(shown)
            missing = [t for t in reading.teeth if self._key(shown, t) not in self._shapes]
            if missing:
                some = replace(reading, teeth=tuple(missing), labels=shown.labels)
                for found in silhouettes(some, shown.spacing, shown.boxes):
                    self._shapes[self._key(shown, found.tooth)] = found
                while len(self._shapes) > 2000:
                    self._shapes.popitem(last=False)
                self._remember(shown)
            out = []
            for tooth in reading.teeth:
                kept = self._shapes.get(self._key(shown, tooth))
                if kept is not None:
                    out.append(replace(kept, tooth=tooth, margin=_margin(kept, tooth)))
            return out

    def _file(self, shown: Shown) -> Path | None:
        return None if self.folder is None else self.folder / f"{shown.info.uid}-rows-{MAKE}.json"

    def _recall(self, shown: Shown) -> None:
        """Take in the outlines that were kept of this reading; damaged ones are made again."""
        file, uid = self._file(shown), shown.info.uid
        if file is None or uid in self._looked:
            return
        self._looked.add(uid)
        teeth = {t.part: t for t in shown.replayed.reading.teeth}
        with suppress(OSError, ValueError, KeyError, TypeError):
            for kept in json.loads(file.read_bytes()):
                if kept["part"] in teeth:
                    rings = tuple(np.asarray(ring, float).reshape(-1, 2) for ring in kept["polygons"])
                    low, high, along = (float(kept[name]) for name in ("low", "high", "along"))
                    key = uid, int(kept["part"]), str(kept["shape"]), str(kept["row"])
                    self._shapes[key] = Silhouette(teeth[kept["part"]], rings, None, low, high, along)

    def _remember(self, shown: Shown) -> None:
        """Keep the outlines of this reading for the next run."""
        file = self._file(shown)
        if file is None:
            return
        rows = [
            {
                "part": part,
                "shape": shape,
                "row": row,
                "polygons": [ring.tolist() for ring in kept.polygons],
                "low": kept.low,
                "high": kept.high,
                "along": kept.along,
            }
            for (uid, part, shape, row), kept in self._shapes.items()
            if uid == shown.info.uid
        ]
        with suppress(OssicleError, OSError):
            file.parent.mkdir(parents=True, exist_ok=True)
            write_file(file, json.dumps(rows).encode())

    @staticmethod
    def _key(shown: Shown, tooth: ToothRecord) -> tuple[str, int, str, str]:
        return shown.info.uid, tooth.part, shown.shapes.get(tooth.part, ""), f"{tooth.jaw} {tooth.side}"


def _margin(shape: Silhouette, tooth: ToothRecord) -> float | None:
    if tooth.emergence == "in_crypt" or not np.isfinite(tooth.crown_height_mm):
        return None
    return shape.high - tooth.emergence_fraction * tooth.crown_height_mm


def _row(shown: Shown, jaw: Any, side: Any, shapes: dict[int, Silhouette]) -> Json:
    reading = shown.replayed.reading
    teeth = [t for t in reading.teeth if (t.jaw, t.side) == (jaw, side)]
    ids = tooth_ids(reading.teeth)
    turn = 1.0 if jaw == "upper" else -1.0
    findings = {f.evidence.parts[0]: f.id for f in shown.account.findings if f.region == "teeth" and f.evidence.parts}
    slots = [_slot(t, shapes.get(t.part), ids, findings, turn, reading.warnings) for t in teeth]
    slots.sort(key=lambda s: (s["x_mm"] is None, s["x_mm"] if s["x_mm"] is not None else 0.0, s["state"] != "tooth"))
    known = sorted((s.along, s.margin) for s in shapes.values() if s.tooth in teeth and s.margin is not None)
    drawn = [s for s in shapes.values() if s.tooth in teeth]
    along = [float(v) for s in drawn for p in s.polygons for v in (p[:, 0].min(), p[:, 0].max())]
    heights = [turn * v for s in drawn for v in (s.low, s.high)]
    return {
        "jaw": jaw,
        "side": side,
        "slots": [*slots, *_gaps(shown, jaw, side, teeth, shapes, turn)],
        "baseline": [[round(float(a), 3), round(turn * float(b), 3)] for a, b in known],
        "bounds_mm": [round(f(v), 3) for f in (min, max) for v in (along, heights)] if drawn else None,
    }


def _slot(
    tooth: ToothRecord,
    shape: Silhouette | None,
    ids: dict[int, str],
    findings: dict[int, str],
    turn: float,
    warnings: tuple[str, ...],
) -> Json:
    too_many = any(f": part {tooth.part} is a tooth too many" in w for w in warnings)
    remarks = [*tooth.remarks, *(["a tooth too many for the formula"] if too_many else [])]
    return {
        "locus": ids[tooth.part],
        "name": tooth.name,
        "part": tooth.part,
        "state": "tooth",
        "finding": findings.get(tooth.part),
        "anomaly": "; ".join(remarks) or None,
        "successor": tooth.replaced_by,
        "replaces": tooth.replaces,
        "class": tooth.tooth_class,
        "position": tooth.position,
        "generation": tooth.generation,
        "emergence": tooth.emergence,
        "emergence_fraction": round(tooth.emergence_fraction, 4),
        "completeness": tooth.completeness,
        "confidence": round(tooth.confidence, 4),
        "decided_by": tooth.decided_by,
        "length_mm": round(tooth.length_mm, 3) if np.isfinite(tooth.length_mm) else None,
        "outline": "" if shape is None else _path(shape, turn),
        "x_mm": None if shape is None else round(shape.along, 3),
        "y_mm": None if shape is None else round(turn * (shape.low + shape.high) / 2, 3),
        "tip_mm": None if shape is None else round(turn * shape.high, 3),
        "root_mm": None if shape is None else round(turn * shape.low, 3),
        "margin_mm": None if shape is None or shape.margin is None else round(turn * shape.margin, 3),
    }


def _path(shape: Silhouette, turn: float) -> str:
    return " ".join("M" + "L".join(f"{a:.3f},{turn * b:.3f}" for a, b in ring) + "Z" for ring in shape.polygons)


def _gaps(
    shown: Shown, jaw: Any, side: Any, teeth: list[ToothRecord], shapes: dict[int, Silhouette], turn: float
) -> list[Json]:
    """Return a slot for each place without a tooth that the reading tells, and for each gap of the account besides.

    ``state`` is ``empty_alveolus``, ``gap`` or ``closed`` (the neighbours have closed up). Whether a tooth was lost
    there or never was, the account's words say as far as they can.
    """
    out = []
    row = next((r for r in shown.replayed.reading.rows if (r.jaw, r.side) == (jaw, side)), None)
    told: set[tuple[int | None, int | None]] = set()
    parts = {t.part for t in teeth}
    findings = {f.id: f for f in shown.account.findings}
    unnamed = 0
    for vacancy in shown.replayed.reading.vacancies:
        unnamed += vacancy.name is None
        if (vacancy.jaw, vacancy.side) != (jaw, side):
            continue
        if any(t.name == vacancy.name for t in teeth):  # a tooth has been added or renamed there
            continue
        middle = np.asarray([vacancy.middle], float)
        name = f"completeness/{jaw}-{side}-{vacancy.name or f'socket-{unnamed}'}"
        beside = [p for p in (vacancy.before, vacancy.behind) if p in parts]
        told.add((vacancy.before, vacancy.behind))
        ends = _ends([shapes[p] for p in beside if p in shapes]) if len(beside) == 2 else None
        out.append(
            {
                "locus": None if vacancy.name is None else f"{jaw}-{side}/{vacancy.name}",
                "name": vacancy.name,
                "part": None,
                "state": vacancy.state,
                "finding": name if name in findings else None,
                "between": beside,
                "length_mm": None if vacancy.gap_mm is None else round(vacancy.gap_mm, 3),
                "depth_mm": None if vacancy.depth_mm is None else round(vacancy.depth_mm, 3),
                "x_mm": round(float(unrolled(row, middle)[0]), 3),
                "y_mm": round(-float(middle[0, 1]), 3),
                "from_mm": None if ends is None else ends[0],
                "to_mm": None if ends is None else ends[1],
                "margin_mm": None,
                "confidence": round(vacancy.confidence, 4),
            }
        )
    for finding in shown.account.findings:
        if not finding.id.startswith(f"dentition/{jaw}-{side}/gap/") or len(finding.evidence.parts) != 2:
            continue
        before, behind = finding.evidence.parts
        one, two = shapes.get(before), shapes.get(behind)
        if one is None or two is None or (before, behind) in told:
            continue
        start, stop = _ends([one, two])
        levels = [m for m in (one.margin, two.margin) if m is not None]
        out.append(
            {
                "locus": None,
                "name": None,
                "part": None,
                "state": "gap",
                "finding": finding.id,
                "between": [before, behind],
                "length_mm": finding.value,
                "depth_mm": None,
                "x_mm": round((start + stop) / 2, 3),
                "y_mm": None,
                "from_mm": start,
                "to_mm": stop,
                "margin_mm": round(turn * float(np.mean(levels)), 3) if levels else None,
                "confidence": round(finding.confidence, 4),
            }
        )
    return out


def _ends(beside: list[Silhouette]) -> tuple[float, float]:
    """Where the gap between two crowns begins and ends along the row, mm."""
    one, two = sorted(beside, key=lambda s: s.along)[0], sorted(beside, key=lambda s: s.along)[-1]
    start = max(float(p[:, 0].max()) for p in one.polygons)
    return round(start, 3), round(min(float(p[:, 0].min()) for p in two.polygons), 3)
