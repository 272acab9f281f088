"""Writes the specimen folder: slices, sidecar and truth."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import nibabel as nib
import numpy as np
import tifffile
from numpy.typing import NDArray

from .build import Animal, Options
from .canvas import Canvas
from .dentition import CLASS_NAME

NOTE = "Invented specimen of an invented animal, made by the bench's own generator (benchmarks/foreign)."


def formula(teeth: list[dict[str, Any]]) -> dict[str, Any]:
    """Loci that show an erupted or erupting tooth, per quadrant."""
    quadrants: dict[str, dict[str, int]] = {}
    for jaw in ("upper", "lower"):
        for side in ("left", "right"):
            loci = {
                (t["class"], t["position"])
                for t in teeth
                if t["jaw"] == jaw and t["side"] == side and t["emergence"] != "in_crypt"
            }
            quadrants[f"{jaw}_{side}"] = {k: sum(1 for c, _ in loci if c == CLASS_NAME[k]) for k in "ICPM"}
    best = {
        jaw: {k: max(quadrants[f"{jaw}_{s}"][k] for s in ("left", "right")) for k in "ICPM"}
        for jaw in ("upper", "lower")
    }
    text = " ".join(f"{k}{best['upper'][k]}/{best['lower'][k]}" for k in "ICPM")
    return {"text": text, "quadrants": quadrants}


def tooth_rows(a: Animal, facts: list[dict[str, Any] | None]) -> list[dict[str, Any]]:
    """The truth table of teeth that are in the scan."""
    present = {p.label for p, f in zip(a.teeth, facts, strict=True) if f is not None}
    rows = []
    for p, f in zip(a.teeth, facts, strict=True):
        if f is None:
            continue
        mate = p.partner.label if p.partner is not None and p.partner.label in present else None
        older = p.tooth.generation == "deciduous"
        rows.append(
            {
                "label": p.label,
                "name": p.tooth.name,
                "jaw": p.tooth.jaw,
                "side": p.side,
                "class": CLASS_NAME[p.tooth.cls],
                "position": p.tooth.position,
                "generation": p.tooth.generation,
                "emergence": p.emergence,
                "emergence_fraction": round(p.fraction, 3),
                "complete": not (f["cut"] or p.broken > 0),
                "replaces": None if older else mate,
                "replaced_by": mate if older else None,
                "centroid_mm_xyz": [round(v, 4) for v in f["centroid"]],
                "length_mm": round(f["size"][0], 4),
                "width_mm": round(f["size"][1], 4),
                "crown_height_mm": round(f["size"][2], 4),
                "volume_mm3": round(f["volume"], 5),
                "enamel_volume_mm3": round(f["enamel"], 5),
                "crown_formed": round(p.form.crown_formed, 3),
                "root_formed": round(p.form.root_formed, 3),
                "overlap_lost": round(f["lost"], 3),
            }
        )
    return rows


def _nifti(path: Path, volume: NDArray[np.generic], voxel: float) -> None:
    image = nib.Nifti1Image(np.ascontiguousarray(volume.transpose(2, 1, 0)), np.diag([voxel, voxel, voxel, 1.0]))
    image.header.set_xyzt_units("mm")
    nib.save(image, path)


def write(
    out: Path,
    a: Animal,
    o: Options,
    canvas: Canvas,
    grey: NDArray[np.generic],
    how: dict[str, Any],
    facts: list[dict[str, Any] | None],
) -> dict[str, Any]:
    """Write the folder and return the truth record."""
    (out / "slices").mkdir(parents=True, exist_ok=True)
    (out / "truth").mkdir(exist_ok=True)
    for old in (out / "slices").glob("slice_*.tif"):
        old.unlink()
    for k, plane in enumerate(grey):
        tifffile.imwrite(out / "slices" / f"slice_{k:04d}.tif", plane, compression="zlib")
    spacing = [o.voxel] * 3
    sidecar = {"spacing_mm_zyx": spacing, "grey_unit": "attenuation counts", "invented": True, "note": NOTE}
    (out / "scan.json").write_text(json.dumps(sidecar, indent=1))
    _nifti(out / "truth" / "labels.nii.gz", canvas.labels, o.voxel)
    _nifti(out / "truth" / "tissue.nii.gz", canvas.tissue, o.voxel)
    teeth = tooth_rows(a, facts)
    faults = [
        name
        for name, on in (
            ("missing", o.missing),
            ("broken", o.broken),
            ("wet", o.wet),
            ("cupping", o.cupping),
            ("rings", o.rings),
            (o.part, o.part != "whole"),
            (f"crop-{o.crop}", o.crop != "none"),
        )
        if on
    ]
    parts = [
        {"label": 1, "kind": "bone", "term": "cranium", "side": "midline"},
        {"label": 2, "kind": "bone", "term": "dentary", "side": "left"},
        {"label": 3, "kind": "bone", "term": "dentary", "side": "right"},
    ]
    there = set(np.unique(canvas.labels).tolist())
    parts = [p for p in parts if p["label"] in there]
    parts += [{"label": t["label"], "kind": "tooth", "term": t["name"], "side": t["side"]} for t in teeth]
    truth = {
        "schema": "ossicle-practice-truth/1",
        "invented": True,
        "note": NOTE,
        "preset": f"foreign-{o.animal}-{o.stage}",
        "animal": o.animal,
        "stage": o.stage,
        "seed": o.seed,
        "faults": faults,
        "made_by": {"version": "foreign/2", "settings": {**dataclasses.asdict(o), **how, **a.info}},
        "scan": {
            "shape_zyx": list(canvas.shape),
            "spacing_mm_zyx": spacing,
            "mirrored": False,
            "noise": how["noise_sigma_of_bone"],
            "blur_mm": how["blur_voxels"] * o.voxel,
        },
        "pose": {"scan_to_skull": canvas.to_skull.tolist()},
        "teeth": teeth,
        "formula": formula(teeth),
        "parts": parts,
        "openings": [],
        "jaw": [],
        "ear": [],
        "measurements": [],
        "landmarks": {},
    }
    (out / "truth" / "truth.json").write_text(json.dumps(truth, indent=1))
    return truth
