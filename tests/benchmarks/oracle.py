"""A reader that knows the truth, to test the bench itself."""

from __future__ import annotations

import json
import shutil
from pathlib import Path


def read(slices: Path, out: Path) -> None:
    """Write the truth in the form of a reading."""
    root = slices.parent
    truth = json.loads((root / "truth" / "truth.json").read_text())
    out.mkdir(parents=True, exist_ok=True)
    teeth = [
        {**{k: v for k, v in t.items() if k != "label"}, "part": t["label"], "confidence": 0.97}
        for t in truth["teeth"]
    ]
    account = {"teeth": teeth, "formula": truth["formula"], "pose": truth["pose"], "warnings": []}
    (out / "account.json").write_text(json.dumps(account))
    shutil.copy(root / "truth" / "labels.nii.gz", out / "parts.nii.gz")


def refuse(slices: Path, out: Path) -> None:
    """A reader that fails."""
    raise ValueError("cannot read this")
