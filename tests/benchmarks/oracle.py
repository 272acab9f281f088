"""A reader that knows the truth, to test the bench itself."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import nibabel as nib
import numpy as np


def read(slices: Path, out: Path) -> None:
    """Write the truth in the form of a reading."""
    root = slices.parent
    truth = json.loads((root / "truth" / "truth.json").read_text())
    out.mkdir(parents=True, exist_ok=True)
    teeth = [
        {**{k: v for k, v in t.items() if k != "label"}, "part": t["label"], "confidence": 0.97} for t in truth["teeth"]
    ]
    account = {"teeth": teeth, "formula": truth["formula"], "pose": truth["pose"], "warnings": []}
    (out / "account.json").write_text(json.dumps(account))
    shutil.copy(root / "truth" / "labels.nii.gz", out / "parts.nii.gz")
    tissue = nib.load(root / "truth" / "tissue.nii.gz")
    enamel = (np.asarray(tissue.dataobj) == 4).astype(np.uint8)
    nib.save(nib.Nifti1Image(enamel, tissue.affine), out / "enamel.nii.gz")


def blunder(slices: Path, out: Path) -> None:
    """A reader that misses a tooth, merges two, invents one and misnames one."""
    read(slices, out)
    account = json.loads((out / "account.json").read_text())
    image = nib.load(out / "parts.nii.gz")
    parts = np.asarray(image.dataobj).copy()
    big = sorted(account["teeth"], key=lambda t: -int((parts == t["part"]).sum()))[:4]
    missed, kept, merged, misnamed = (t["part"] for t in big)
    parts[parts == missed] = 0
    parts[parts == merged] = kept
    parts[:4, :4, :4] = 999
    account["teeth"] = [t for t in account["teeth"] if t["part"] not in (missed, merged)]
    for t in account["teeth"]:
        if t["part"] == misnamed:
            t["position"] += 1
    account["teeth"].append({**account["teeth"][0], "part": 999, "replaces": None, "replaced_by": None})
    nib.save(nib.Nifti1Image(parts, image.affine), out / "parts.nii.gz")
    (out / "account.json").write_text(json.dumps(account))


def refuse(slices: Path, out: Path) -> None:
    """A reader that fails."""
    raise ValueError("cannot read this")
