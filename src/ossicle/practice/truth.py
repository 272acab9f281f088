"""The truth about a specimen, measured on its model: never by reading code, never on the scan.

Coordinates: skull mm as the models have them; scan mm (x, y, z) = index times spacing. In a mirrored stack
the truth is carried over with it, so that labels and points fit the stored volume.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ossicle.practice.grid import Grid
from ossicle.practice.measures import measure
from ossicle.practice.palate import Opening
from ossicle.practice.shapes import Solid
from ossicle.practice.teeth import Tooth
from ossicle.practice.voxels import Specimen, in_scan

__all__ = ["formula", "scan_to_skull", "to_scan", "truth"]

SCHEMA = "ossicle-practice-truth/1"
NOTE = "Invented practice specimen of an invented animal."
LETTERS = ("dI", "dC", "dP", "I", "C", "P", "M")


def scan_to_skull(grid: Grid, mirrored: bool) -> NDArray[np.float64]:
    """4x4 matrix from scan mm of the stored volume to skull mm (real mm); it holds a reflection when the
    stack is mirrored.
    """
    m = grid.scan_to_skull.copy()
    m[:3, 3] *= grid.scale
    if mirrored:
        flip = np.eye(4)
        flip[0, 0], flip[0, 3] = -1.0, (grid.shape[2] - 1) * grid.spacing[2] * grid.scale
        m = m @ flip
    return m


def to_scan(grid: Grid, mirrored: bool, skull: ArrayLike) -> list[float]:
    """Scan mm of a skull point given in design mm, rounded to a micrometre."""
    inv = np.linalg.inv(scan_to_skull(grid, mirrored))
    p = inv[:3, :3] @ (np.asarray(skull, dtype=float) * grid.scale) + inv[:3, 3]
    return [round(float(v), 3) for v in p]


def letter(t: Tooth) -> str:
    """Class letter as in a formula: ``dP``, ``M``."""
    return ("d" if t.generation == "deciduous" else "") + t.kind[0].upper()


def formula(teeth: Iterable[Tooth]) -> dict[str, Any]:
    """Counts of erupted and erupting teeth per quadrant, and the formula's text (sides that differ are both
    written).
    """
    counts = {f"{j}_{s}": dict.fromkeys(LETTERS, 0) for j in ("upper", "lower") for s in ("right", "left")}
    for t in teeth:
        if t.emergence != "in_crypt":
            counts[f"{t.jaw}_{t.side}"][letter(t)] += 1
    deciduous = any(c[k] for c in counts.values() for k in LETTERS[:3])

    def text(side: str) -> str:
        up, low = counts[f"upper_{side}"], counts[f"lower_{side}"]
        keys = LETTERS if deciduous else LETTERS[3:]
        return " ".join(f"{k}{up[k]}/{low[k]}" for k in keys if not deciduous or k.startswith("d") or up[k] or low[k])

    right, left = text("right"), text("left")
    quadrants = {q: {k: n for k, n in c.items() if n or not k.startswith("d")} for q, c in counts.items()}
    return {"text": right if right == left else f"right {right}; left {left}", "quadrants": quadrants}


def tooth_record(t: Tooth, s: Specimen, present: set[int]) -> dict[str, Any]:
    """One row of the tooth table."""
    f, k = t.model.figures, s.grid.scale
    share = in_scan(s, t)
    notes = [*t.notes, *(["cut by the edge of the scan"] if share < 0.995 else [])]
    centre = t.to_skull[:3, :3] @ f.centroid + t.to_skull[:3, 3]

    def partner(other: Tooth | None) -> int | None:
        return other.label + s.offset if other is not None and other.label + s.offset in present else None

    return {
        "label": t.label + s.offset,
        "name": t.name,
        "jaw": t.jaw,
        "side": t.side,
        "class": t.kind,
        "position": t.position,
        "generation": t.generation,
        "emergence": t.emergence,
        "emergence_fraction": round(t.fraction, 3),
        "complete": t.complete and share >= 0.995,
        "share_in_scan": round(share, 3),
        "replaces": partner(t.replaces),
        "replaced_by": partner(t.replaced_by),
        "centroid_mm_xyz": to_scan(s.grid, s.mirrored, centre),
        "length_mm": round(f.length * k, 3),
        "width_mm": round(f.width * k, 3),
        "crown_height_mm": round(f.crown_height * k, 3),
        "volume_mm3": round(f.volume * k**3, 5),
        "enamel_volume_mm3": round(f.enamel_volume * k**3, 5),
        "whole_volume_mm3": round(f.whole_volume * k**3, 5),
        "crown_formed": round(t.state.crown, 3),
        "root_formed": round(t.state.root, 3),
        "root_resorbed": round(t.state.resorbed, 3),
        "worn": round(t.state.wear, 3),
        "notes": notes,
    }


def parts(s: Specimen, present: set[int]) -> list[dict[str, Any]]:
    """Every label of the volume that is there, with its kind, term and side."""
    out = [{"label": label + s.offset, "kind": kind, "term": term, "side": side} for label, kind, term, side in s.names]
    out += [
        {
            "label": t.label + s.offset,
            "kind": "tooth",
            "term": f"{t.jaw} {t.kind} tooth {t.name}",
            "side": t.side,
        }
        for t in s.anatomy.teeth
    ]
    return sorted((r for r in out if r["label"] in present), key=lambda r: int(r["label"]))


def groups(s: Specimen, present: set[int]) -> dict[str, list[int]]:
    """Labels that make up a whole: the cranium's bones."""
    skull = [label for label, kind, term, _ in s.names if kind == "bone" and term != "dentary" and label in present]
    return {"cranium": sorted(skull)}


def landmarks(s: Specimen) -> dict[str, list[float]]:
    """Landmarks in scan mm."""
    a = s.anatomy
    known = {} if a.cranium is None else a.cranium.landmarks
    out = {name: to_scan(s.grid, s.mirrored, p) for name, p in known.items()}
    for side, d in a.dentaries.items():
        for name, p in d.landmarks.items():
            q = a.jaw[side][:3, :3] @ p + a.jaw[side][:3, 3]
            out[f"{name} {side}"] = to_scan(s.grid, s.mirrored, q)
    return out


def jaw_records(s: Specimen) -> list[dict[str, Any]]:
    """Of each dentary: form of the angular process, and its turn in degrees; None where there is none."""
    form = str(s.anatomy.animal.design["angle"])
    turn = {side: None if form == "absent" else round(v, 2) for side, v in s.anatomy.inflection.items()}
    return [{"side": side, "angular_process_inflection_deg": turn[side], "form": form} for side in s.anatomy.dentaries]


def measurements(s: Specimen) -> list[dict[str, Any]]:
    """Lengths and breadths of the model, mm; none where the scan cuts the specimen."""
    a = s.anatomy
    out: list[dict[str, Any]] = []
    if "cropped" not in a.faults:
        labels = {(term, side): label for label, _, term, side in s.names}
        for name, value in measure(a, s.surfaces, labels).items():
            out.append({"name": name, "value": round(value * s.grid.scale, 3), "unit": "mm"})
    if np.isfinite(a.gape_deg) and a.cranium is not None and a.dentaries:
        out.append({"name": "gape", "value": round(a.gape_deg, 2), "unit": "degree"})
    return out


def opening_records(s: Specimen) -> list[dict[str, Any]]:
    """Openings of palate and ear: sizes in closed form, centres in scan mm."""
    a = s.anatomy
    if a.cranium is None:
        return []
    k = s.grid.scale
    rows = [o.record(k) for o in a.openings]
    for ear in a.ears.values():
        rows += [
            Opening(o["term"], o["side"], o["half_axes"], o["centre"], ear.petrosal).record(k) for o in ear.openings
        ]
    for r in rows:
        r["centroid_mm_xyz"] = to_scan(s.grid, s.mirrored, r.pop("centre"))
    return rows


def ear_records(s: Specimen) -> list[dict[str, Any]]:
    """One record an ear; the labyrinth's volume by dense sampling of its model."""
    if s.anatomy.cranium is None:
        return []
    k = s.grid.scale
    out = []
    for ear in s.anatomy.ears.values():
        row = {**ear.figures, "labyrinth_volume_mm3": round(volume_of(ear.labyrinth) * k**3, 5)}
        for name in ("oval_window_mm2", "round_window_mm2"):
            row[name] = round(row[name] * k**2, 5)
        row["cochlear_canal_length_mm"] = round(row["cochlear_canal_length_mm"] * k, 4)
        row["semicircular_canal_radii_mm"] = {n: round(r * k, 4) for n, r in row["semicircular_canal_radii_mm"].items()}
        if row["stapes_minimum_thickness_mm"] is not None:
            row["stapes_minimum_thickness_mm"] = round(row["stapes_minimum_thickness_mm"] * k, 4)
        out.append(row)
    return out


def volume_of(solid: Solid, step: float = 0.04) -> float:
    """Volume (mm3) of a solid by dense sampling, cells on the surface counted by distance."""
    axes = [np.arange(lo - step, hi + 2 * step, step) for lo, hi in zip(solid.lo, solid.hi, strict=True)]
    p = np.stack([g.ravel() for g in np.meshgrid(*axes, indexing="ij")], axis=1)
    return float(np.clip(0.5 - solid.at(p) / step, 0, 1).sum() * step**3)


def specimen_record(s: Specimen, present: set[int]) -> dict[str, Any]:
    """What is true of one specimen of a scan."""
    found = [t for t in s.anatomy.teeth if t.label + s.offset in present]
    return {
        "pose": {"scan_to_skull": scan_to_skull(s.grid, s.mirrored).tolist()},
        "teeth": [tooth_record(t, s, present) for t in found],
        "missing": list(s.anatomy.missing),
        "formula": formula(found),
        "parts": parts(s, present),
        "groups": groups(s, present),
        "openings": opening_records(s),
        "jaw": jaw_records(s),
        "ear": ear_records(s),
        "measurements": measurements(s),
        "landmarks": landmarks(s),
    }


def truth(specimens: Sequence[Specimen], made_by: dict[str, Any], scan: dict[str, Any]) -> dict[str, Any]:
    """The content of ``truth.json``; a second specimen in the scan stands under ``others``."""
    first = specimens[0]
    a = first.anatomy
    present = {int(i) for i in np.flatnonzero(np.bincount(first.labels.ravel())) if i}
    head = {
        "schema": SCHEMA,
        "invented": True,
        "note": NOTE,
        "preset": f"{a.animal.name}-{a.stage_name}",
        "animal": a.animal.title,
        "stage": a.stage_name,
        "seed": a.seed,
        "faults": list(a.faults),
        "made_by": made_by,
        "scan": scan,
    }
    out = {**head, **specimen_record(first, present)}
    if len(specimens) > 1:
        out["others"] = [specimen_record(s, present) for s in specimens[1:]]
    return out
