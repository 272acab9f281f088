"""What two constants of the reading were set by, counted from the records of the accuracy bench.

``python -m benchmarks.stated docs/accuracy.json``

Told are how many teeth were missed and not named right where crowns are short (``ossicle.reading.sampling.SHORT``), and
how far stated confidence and share right lie apart for the specimens of either maker, as stated and with log odds
lowered (``ossicle.reading.naming.teeth.OVERSURE``; records made since it came in have it in them already).
"""

from __future__ import annotations

import argparse
import json
import statistics
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import minimize
from scipy.special import expit, logit

from ossicle.reading.naming.teeth import OVERSURE
from ossicle.reading.sampling import SHORT

from .summary import calibration_error, reliability

LEAST_TEETH = 8
"""Specimens with fewer true teeth say little of either."""


def crowns(scores: Sequence[dict[str, Any]]) -> dict[str, tuple[int, float, float]]:
    """Specimens, share of teeth missed and share not named right, of those with short crowns and of the others."""
    found: dict[str, list[dict[str, Any]]] = {"short": [], "others": []}
    for score in scores:
        lengths = [t["length_mm"] for t in score["teeth"] if t["length_mm"]]
        if score["true_teeth"] >= LEAST_TEETH and lengths:
            voxels = statistics.median(lengths) / score["voxel_mm"]
            found["short" if voxels < SHORT else "others"].append(score)
    out = {}
    for name, some in found.items():
        teeth = sum(s["true_teeth"] for s in some)
        seen, right = (sum(s[key] for s in some) for key in ("found", "locus_right"))
        out[name] = len(some), 1 - seen / teeth, 1 - right / teeth
    return out


def line(stated: np.ndarray, right: np.ndarray) -> tuple[float, float]:
    """Shift and slope of the logistic line through stated and right (Platt 1999), by greatest likelihood."""

    def cost(at: np.ndarray) -> float:
        p = np.clip(expit(at[0] + at[1] * logit(stated)), 1e-6, 1 - 1e-6)
        return float(-np.mean(np.where(right, np.log(p), np.log(1 - p))))

    shift, slope = minimize(cost, [0.0, 1.0], method="Nelder-Mead").x
    return float(shift), float(slope)


def gap(stated: np.ndarray, right: np.ndarray) -> float:
    """Mean gap between stated and right, by the bins of docs/accuracy.md."""
    return calibration_error(reliability(zip(stated, right, strict=True)))


def main(argv: Sequence[str] | None = None) -> int:
    """Command line."""
    p = argparse.ArgumentParser(
        prog="python -m benchmarks.stated", description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    p.add_argument("records", type=Path, help="accuracy.json of the bench")
    p.add_argument("--lowered", type=float, default=OVERSURE, help="log odds")
    args = p.parse_args(argv)
    records = [r for r in json.loads(args.records.read_text())["specimens"] if "score" in r]
    for name, (count, missed, wrong) in crowns([r["score"] for r in records]).items():
        print(f"crowns, {name}: {count} specimens, {missed:.1%} of teeth missed, {wrong:.1%} not named right")
    for maker in ("practice", "foreign"):
        some = [r["score"]["reliability"] for r in records if r["specimen"]["source"] == maker]
        pairs = np.array([pair for pairs in some for pair in pairs], float)
        stated, right = np.clip(pairs[:, 0], 1e-4, 1 - 1e-4), pairs[:, 1] > 0
        shift, slope = line(stated, right)
        lowered = expit(logit(stated) - args.lowered)
        print(
            f"{maker}: {len(stated)} teeth, logistic line of shift {shift:.2f} and slope {slope:.2f}; gap "
            f"{gap(stated, right):.3f} as stated, {gap(lowered, right):.3f} with log odds lowered by {args.lowered:g}"
        )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
