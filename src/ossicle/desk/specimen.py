"""A specimen as the page takes it in: its account, parts, pose, progress, what may be undone."""

from __future__ import annotations

import json
import threading
from typing import Any

import numpy as np

from ossicle.account import account_to_dict
from ossicle.account.prose import cautions_of
from ossicle.collection import Decision, Fate, Specimen, words_of
from ossicle.publish.groups import lifts

from .deciding import act_of, act_words
from .workbench import Shown, plain_matrix, rounded

__all__ = ["bounds", "history_rows", "list_row", "specimen_json", "specimen_view", "summary", "surfaces_key"]

Json = dict[str, Any]
_PLACES = ("locality", "verbatimLocality", "decimalLatitude", "decimalLongitude")
"""Terms that tell where an animal was found."""
_MAKING = threading.Lock()
"""Twenty persons who ask at once wait for one answer, and do not make twenty."""


def list_row(specimen: Specimen, figures: Json | None, *, being_read: bool = False) -> Json:
    """Return one line of the list; ``figures`` are its `summary`, None where it was not read or not opened yet."""
    empty: Json = dict.fromkeys(("teeth", "formula", "decided", "awaiting", "picture_url", "fault"))
    return {
        "id": specimen.id,
        "catalogue_number": specimen.catalog_number,
        "taxon": specimen.scientific_name or None,
        "stage": specimen.life_stage or None,
        "sex": specimen.sex or None,
        "invented": "invented" in " ".join([specimen.scientific_name, *map(str, specimen.terms.values())]).lower(),
        "human_remains": specimen.human_remains,
        "scans": specimen.scans,
        "read": specimen.readings > 0,
        "being_read": being_read,
        "decisions": specimen.decisions,
        **empty,
        **(figures or {}),
    }


def summary(shown: Shown) -> Json:
    """Return the figures of a specimen that the list shows."""
    looked = _looked(shown)
    number = shown.specimen.id
    has_picture = bool(shown.kept.reading.views)
    return {
        "teeth": len(shown.account.teeth),
        "formula": shown.account.formula.text,
        "decided": looked,
        "awaiting": len(shown.account.findings) - looked,
        "picture_url": f"/api/specimens/{number}/picture.png?reading={shown.info.uid[:12]}" if has_picture else None,
    }


def _looked(shown: Shown) -> int:
    return sum(f.standing != "computed" for f in shown.account.findings)


def specimen_view(shown: Shown, who: str) -> Json:
    """Return all that the page needs of a specimen but its surfaces. ``who`` is the person whose undoing is told."""
    return {**_common(shown), **_own(shown, who)}


def specimen_json(shown: Shown, who: str) -> bytes:
    """Return `specimen_view` as JSON. What is the same for everybody is worked out once for all who ask."""
    with _MAKING:
        common = shown.told.get("specimen")
        if common is None:
            common = shown.told["specimen"] = _dumped(_common(shown))
    return common[:-1] + b"," + _dumped(_own(shown, who))[1:]


def _dumped(data: Json) -> bytes:
    return json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


def _own(shown: Shown, who: str) -> Json:
    """What one person may undo and do again."""
    decisions = shown.decisions
    return {
        "undoable": act_words(act_of(decisions, who, "undo")),
        "redoable": act_words(act_of(decisions, who, "redo")),
    }


def _common(shown: Shown) -> Json:
    reading = shown.replayed.reading
    matrix = shown.grid_to_skull
    teeth = {t.part: t for t in reading.teeth}
    present = [p for p in reading.parts if p.part in shown.boxes]
    centres = {p.part: matrix[:3, :3] @ np.asarray(p.centroid_mm_xyz) + matrix[:3, 3] for p in present}
    ways = lifts(present, teeth, reading.rows, centres)
    groups = shown.groups()
    parts = [
        {
            "part": p.part,
            "kind": p.kind,
            "group": groups[p.part],
            "term": p.term,
            "side": p.side,
            "name": teeth[p.part].name if p.part in teeth else p.term,
            "jaw": teeth[p.part].jaw if p.part in teeth else None,
            "volume_mm3": round(float(p.volume_mm3), 4) if np.isfinite(p.volume_mm3) else None,
            "centroid_skull_mm": rounded(centres[p.part]),
            "lift": rounded(ways[p.part]),
            "present": True,
            "shape": shown.shapes[p.part],
        }
        for p in present
    ]
    decisions = shown.decisions
    by_number = {d.number: d for d in decisions}
    low, high = bounds(shown)
    return {
        "id": shown.specimen.id,
        "version": shown.version,
        "reading": {
            "number": shown.info.number,
            "at": shown.info.at,
            "stale": shown.replayed.stale,
            "code_version": shown.info.code_version,
            "seconds": shown.info.seconds,
        },
        "specimen": {
            "catalogue_number": shown.specimen.catalog_number,
            "taxon": shown.specimen.scientific_name or None,
            "stage": shown.specimen.life_stage or None,
            "sex": shown.specimen.sex or None,
            "human_remains": shown.specimen.human_remains,
            "terms": dict(shown.specimen.terms),
        },
        "account": account_to_dict(shown.account),
        "parts": parts,
        "scan": {
            "shape_zyx": list(shown.kept.facts.shape_zyx),
            "spacing_mm_zyx": list(shown.spacing),
            "scan_to_skull": plain_matrix(shown.scan_to_skull),
        },
        "surfaces_url": f"/api/specimens/{shown.specimen.id}/surfaces.glb?shape={surfaces_key(shown)}",
        "cautions": list(
            cautions_of(
                human_remains=shown.specimen.human_remains,
                located=any(str(shown.specimen.terms.get(term) or "").strip() for term in _PLACES),
            )
        ),
        "landmarks": {name: rounded(point) for name, point in shown.replayed.landmarks.items()},
        "progress": {"looked": _looked(shown), "all": len(shown.account.findings)},
        "unfit": [_fate(f, by_number) for f in shown.replayed.unfit],
        "waiting": [_fate(f, by_number) for f in shown.replayed.waiting],
        "bounds_skull_mm": [rounded(low), rounded(high)],
    }


def surfaces_key(shown: Shown) -> str:
    """Return a key that changes when any part's voxels do."""
    import hashlib

    text = ",".join(f"{part}:{key}" for part, key in sorted(shown.shapes.items()))
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def bounds(shown: Shown) -> tuple[Any, Any]:
    """Return the lowest and highest skull coordinates of what is solid: the corners of the parts' boxes, turned."""
    matrix, spacing = shown.grid_to_skull, np.asarray(shown.spacing)
    corners = []
    for box in shown.boxes.values():
        ends = [(s.start * step, (s.stop - 1) * step) for s, step in zip(box, spacing, strict=True)]
        corners += [(x, y, z) for z in ends[0] for y in ends[1] for x in ends[2]]
    if not corners:
        return np.zeros(3), np.zeros(3)
    skull = np.asarray(corners) @ matrix[:3, :3].T + matrix[:3, 3]
    return skull.min(axis=0), skull.max(axis=0)


def _fate(fate: Fate, decisions: dict[int, Decision]) -> Json:
    d = decisions[fate.number]
    return {
        "number": fate.number,
        "kind": d.kind,
        "who": d.who,
        "at": d.at,
        "words": words_of(d),
        "why": fate.why,
        "part": fate.part,
        "finding": fate.finding,
    }


def history_rows(shown: Shown) -> list[Json]:
    """Return all decisions of a specimen, oldest first, with what became of each."""
    fates = {f.number: f for f in shown.replayed.fates}
    return [
        {
            "number": d.number,
            "kind": d.kind,
            "who": d.who,
            "at": d.at,
            "reason": d.why,
            "words": words_of(d),
            "target": d.target,
            "reading": d.reading,
            "holds": fates[d.number].holds if d.number in fates else None,
            "why": fates[d.number].why if d.number in fates else "",
            "part": fates[d.number].part if d.number in fates else None,
            "finding": fates[d.number].finding if d.number in fates else None,
        }
        for d in shown.decisions
    ]
