"""How well bone is told apart: overlap of cranium and dentaries with the truth, given the true teeth and pose.

    python -m benchmarks.elements FOLDER...

reads specimen folders (practice or ``benchmarks.foreign``), gives `find_elements` the true teeth with their jaws and
sides, and prints the Dice overlap of the cranium and of each dentary (of what is solid in the scan), and by how much
(mm) each dentary is read too short or too long from end to end.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ossicle.reading.elements import find_elements
from ossicle.reading.greys import normalise
from ossicle.reading.records import Jaw, Side
from ossicle.reading.rows import JawSplit

from .score_labels import load_slices, load_volume


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", type=Path, nargs="+")
    given = parser.parse_args(arguments)
    for folder in given.folders:
        print(json.dumps(overlap(folder)), flush=True)


def overlap(folder: Path) -> dict[str, Any]:
    """Dice by bone, and the error (mm) of each dentary's length along the skull."""
    truth = json.loads((folder / "truth" / "truth.json").read_text(encoding="utf-8"))
    own = load_volume(folder / "truth" / "labels.nii.gz")
    normal = normalise(load_slices(folder).astype(np.float32))[0]
    spacing = tuple(truth["scan"]["spacing_mm_zyx"])
    pose = np.array(truth["pose"]["scan_to_skull"], float)
    where: dict[int, tuple[Jaw, Side]] = {t["label"]: (t["jaw"], t["side"]) for t in truth["teeth"]}
    teeth = np.where(np.isin(own, list(where)), own, 0).astype(np.int32)
    split = JawSplit(np.zeros(0, bool), (0.0, 0.0, 0.0), ("upper", "lower"), 1.0)
    began = time.process_time()
    labels, elements = find_elements(teeth, normal, spacing, pose, split, where, 1000)
    took = time.process_time() - began
    # how bone is parted is judged, not where its outline lies
    bones = [m for _, marks, _ in _bones(truth, {}) for m in marks]
    solid = (normal.values > 0.5) & np.isin(own, bones)
    said = {(e.term, e.side): e.label for e in elements}
    out: dict[str, Any] = {"specimen": folder.name, "voxel_mm": spacing[0], "seconds": round(took, 1)}
    for name, marks, label in _bones(truth, said):
        true, found = np.isin(own, marks) & solid, (labels == label) & solid
        out[name] = None if label < 0 else round(2 * float((true & found).sum()) / float(true.sum() + found.sum()), 4)
        if name != "cranium" and label >= 0:
            out[f"{name} length"] = round(_long(found, spacing, pose) - _long(true, spacing, pose), 2)
    return out


def _bones(truth: Mapping[str, Any], said: Mapping[Any, int]) -> list[tuple[str, list[int], int]]:
    groups = truth.get("groups")
    skull = groups["cranium"] if groups else [p["label"] for p in truth["parts"] if p["term"] == "cranium"]
    rows = [("cranium", skull, said.get(("cranium", None), -1))] if skull else []
    for p in truth["parts"]:
        if p["term"] == "dentary":
            rows.append((f"{p['side']} dentary", [p["label"]], said.get(("dentary", p["side"]), -1)))
    return rows


def _long(mask: np.ndarray[Any, Any], spacing: Sequence[float], pose: np.ndarray[Any, Any]) -> float:
    at = (np.argwhere(mask) * np.array(spacing))[:, ::-1] @ pose[2, :3]
    # one voxel in ten thousand left out at either end, so that a stray one does not tell the length
    return float(np.ptp(np.quantile(at, [1e-4, 1 - 1e-4]))) if len(at) else 0.0


if __name__ == "__main__":
    main()
