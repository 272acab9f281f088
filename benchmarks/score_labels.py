"""Score a label volume against a specimen's truth, with or without an account.

``python -m benchmarks.score_labels SPECIMEN_DIR PRED.npy|PRED.nii.gz [account.json]``

Without an account every label above 0 is taken for a tooth. Arrays are z, y, x; NIfTI files x, y, z.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import nibabel as nib
import numpy as np
import tifffile
from numpy.typing import NDArray

from .scoring import SpecimenScore, score


def load_volume(path: Path) -> NDArray[Any]:
    """A volume as z, y, x."""
    if path.suffix == ".npy":
        return np.asarray(np.load(path))
    return np.ascontiguousarray(np.asarray(nib.load(path).dataobj).transpose(2, 1, 0))


def load_slices(folder: Path) -> NDArray[Any]:
    """The greys of a specimen folder as they were written, z, y, x."""
    return np.stack([tifffile.imread(p) for p in sorted((folder / "slices").glob("*.tif"))])


def score_labels(
    folder: Path | str, pred: NDArray[Any], account: dict[str, Any] | None = None, show: bool = True
) -> SpecimenScore:
    """Score ``pred`` (z, y, x) against the truth of a specimen folder; prints a table unless told not to."""
    root = Path(folder)
    truth = json.loads((root / "truth" / "truth.json").read_text())
    labels = load_volume(root / "truth" / "labels.nii.gz")
    tissue = load_volume(root / "truth" / "tissue.nii.gz")
    s = score(truth, account, labels, pred, tissue)
    if show:
        print(table(s, root.name, named=account is not None))
    return s


def table(s: SpecimenScore, title: str, named: bool) -> str:
    """One line a tooth, then the sums."""
    lines = []
    for t in s.teeth:
        enamel = "  - " if t.enamel_inside is None else f"{t.enamel_inside:.2f}"
        lines.append(
            f"{t.label:4d} {t.jaw:5s} {t.side:5s} {t.name:4s} {t.emergence:9s} "
            f"{t.voxels:6d} voxels  dice {t.dice:.2f}"
            f"  enamel inside {enamel}  {t.said or ''} {t.remark}"
        )
    lines += [f"false: {i}" for i in s.invented]
    dice = [t.dice for t in s.teeth if t.part is not None] or [0.0]
    crypt = [t.part is not None for t in s.teeth if t.emergence == "in_crypt"]
    lines.append(
        f"{title}: recall {s.found}/{s.true_teeth} = {s.found / max(s.true_teeth, 1):.3f}, precision "
        f"{1 - s.false_teeth / max(s.predicted, 1):.3f} ({s.false_teeth} false), "
        f"dice median {np.median(dice):.3f}, "
        f"10th percentile {np.quantile(dice, 0.1):.3f}, in crypts {sum(crypt)}/{len(crypt)}"
    )
    if named:
        lines.append(
            f"locus {s.locus_right}, generation {s.generation_right}, emergence {s.emergence_right} of "
            f"{s.true_teeth}; pairs {s.pairs_right}/{s.pairs_true}, "
            f"false {s.pairs_false}; formula {s.formula_right}; "
            f"pose error {s.pose_error_deg}, "
            f"sides swapped {s.sides_swapped}"
        )
    return "\n".join(lines)


def main() -> None:
    """Command line."""
    if len(sys.argv) not in (3, 4):
        raise SystemExit(__doc__)
    account = json.loads(Path(sys.argv[3]).read_text()) if len(sys.argv) == 4 else None
    score_labels(sys.argv[1], load_volume(Path(sys.argv[2])), account)


if __name__ == "__main__":
    main()
