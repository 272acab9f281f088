"""Comparison end to end: differences told between readings of practice scans, against those that are true.

    python -m benchmarks.comparison SPECIMEN=READING SPECIMEN=READING .. [--json FILE]

SPECIMEN is a folder that `ossicle practice make` wrote (with truth/), READING the folder that `ossicle read --out` made
of it. Every pair is compared twice, by truth and by readings. A difference of loci is true where the truth's accounts
differ there; one that only the readings tell is false, one that only the truth tells is missed. Three or more specimens
are also ordered as a series, and the order compared with that of the specimens' ages. All specimens are invented.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.truth_teeth import tooth_of_truth
from ossicle.account import Account, MadeBy, ScanFacts
from ossicle.account.records import FormulaFacts, PoseFacts, StageFacts
from ossicle.compare import Compared, arrange, compare_two, from_folder
from ossicle.errors import OssicleError

STAGES = ("newborn", "juvenile", "subadult", "adult", "old")


def account_of_truth(truth: Mapping[str, Any]) -> Account:
    """The account that a reading without a fault would give of the teeth."""
    spacing = tuple(float(v) for v in truth["scan"]["spacing_mm_zyx"])
    teeth = tuple(tooth_of_truth(t) for t in truth["teeth"])
    pose = tuple(tuple(float(v) for v in row) for row in truth["pose"]["scan_to_skull"])
    stage = StageFacts(truth["stage"], "truth", 1.0)
    return Account(
        ScanFacts(tuple(truth["scan"]["shape_zyx"]), spacing, handedness="stated"),  # type: ignore[arg-type]
        PoseFacts(pose, 1.0, True),
        teeth,
        FormulaFacts(truth["formula"]["text"], None, {}, None, 1.0, (), stage),
        (),
        (),
        (),
        MadeBy("truth", {}),
    )


def score_pair(true: tuple[Compared, Compared], read: tuple[Compared, Compared]) -> dict[str, Any]:
    """Loci told to differ against those that do; ``sure`` leaves out what the readings themselves call uncertain."""
    wanted = {d.id: d.values for d in compare_two(*true).differences if d.states is not None}
    told = {d.id: d for d in compare_two(*read).differences if d.states is not None}
    sure = {i for i, d in told.items() if d.confidence >= 0.7}
    same = {i for i in told if i in wanted and told[i].values == wanted[i]}
    return {
        "pair": [s.name for s in true],
        "true": len(wanted),
        "told": len(told),
        "told_and_true": len(set(told) & set(wanted)),
        "told_in_the_same_words": len(same),
        "missed": sorted(set(wanted) - set(told)),
        "false": sorted(set(told) - set(wanted)),
        "sure": len(sure),
        "sure_and_false": len(sure - set(wanted)),
    }


def run(pairs: Mapping[Path, Path]) -> dict[str, Any]:
    """Score all pairs, and the series where there are three or more."""
    true, read = [], []
    for specimen, reading in pairs.items():
        truth = json.loads((specimen / "truth" / "truth.json").read_text(encoding="utf-8"))
        true.append(Compared(specimen.name, account_of_truth(truth)))
        read.append(from_folder(reading, specimen.name))
    rows = [score_pair((true[i], true[j]), (read[i], read[j])) for i, j in combinations(range(len(true)), 2)]
    out: dict[str, Any] = {"invented": True, "pairs": rows}
    if len(true) > 2:
        age = [STAGES.index(str(t.account.formula.stage.name)) for t in true]
        out["series_true"] = [true[i].name for i in np.argsort(age, kind="stable")]
        out["series_told"] = [e.specimen.name for e in arrange(read).entries]
    return out


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("pairs", nargs="+", help="SPECIMEN=READING")
    parser.add_argument("--json", type=Path, help="file to write")
    given = parser.parse_args()
    pairs = {}
    for text in given.pairs:
        specimen, sign, reading = text.partition("=")
        if not sign:
            raise OssicleError(f"{text!r} is no pair", mend="write SPECIMEN=READING")
        pairs[Path(specimen)] = Path(reading)
    found = run(pairs)
    text = json.dumps(found, indent=1) + "\n"
    if given.json is not None:
        given.json.write_text(text, encoding="utf-8")
    print(text, end="")


if __name__ == "__main__":
    main()
