"""Pools the scores of many specimens: rates with bootstrap intervals, reliability of confidence."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import numpy as np

Scores = Sequence[Mapping[str, Any]]
EDGES = (0.0, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0)


def _rate(top: str, bottom: str) -> Callable[[Scores], float]:
    def rate(scores: Scores) -> float:
        total = sum(s[bottom] for s in scores)
        return sum(s[top] for s in scores) / total if total else float("nan")

    return rate


def precision(scores: Scores) -> float:
    """1 - false teeth / predicted teeth."""
    total = sum(s["predicted"] for s in scores)
    return 1 - sum(s["false_teeth"] for s in scores) / total if total else float("nan")


def _teeth(scores: Scores, emergence: str | None = None) -> list[Mapping[str, Any]]:
    return [t for s in scores for t in s["teeth"] if emergence is None or t["emergence"] == emergence]


def _dice(q: float, emergence: str | None = None) -> Callable[[Scores], float]:
    def quantile(scores: Scores) -> float:
        values = [t["dice"] for t in _teeth(scores, emergence) if t["part"] is not None]
        return float(np.quantile(values, q)) if values else float("nan")

    return quantile


def _crypt_recall(scores: Scores) -> float:
    hit = [t["part"] is not None for t in _teeth(scores, "in_crypt")]
    return float(np.mean(hit)) if hit else float("nan")


def _enamel(scores: Scores) -> float:
    values = [t["enamel_inside"] for t in _teeth(scores) if t["enamel_inside"] is not None]
    return float(np.median(values)) if values else float("nan")


def _enamel_dice(q: float) -> Callable[[Scores], float]:
    def quantile(scores: Scores) -> float:
        values = [t["enamel_dice"] for t in _teeth(scores) if t.get("enamel_dice") is not None]
        return float(np.quantile(values, q)) if values else float("nan")

    return quantile


def _enamel_volume(scores: Scores) -> float:
    values = [abs(t["enamel_volume_error"]) for t in _teeth(scores) if t.get("enamel_volume_error") is not None]
    return float(np.median(values)) if values else float("nan")


def size_errors(scores: Scores) -> list[tuple[float, float, float]]:
    """Crown length and width errors of complete teeth: (error mm, voxel mm, error over true size)."""
    out = []
    for s in scores:
        for t in s["teeth"]:
            for key in ("length", "width"):
                e = t[f"{key}_error_mm"]
                if e is not None:
                    out.append((abs(e), s["voxel_mm"], abs(e) / max(t.get(f"{key}_mm") or 1e9, 1e-6)))
    return out


def _size_within(scores: Scores) -> float:
    rows = size_errors(scores)
    return float(np.mean([e <= v or rel <= 0.01 for e, v, rel in rows])) if rows else float("nan")


def _fraction(scores: Scores) -> float:
    values = [abs(t["fraction_error"]) for t in _teeth(scores) if t["fraction_error"] is not None]
    return float(np.mean(values)) if values else float("nan")


def _pose(scores: Scores) -> float:
    values = [s["pose_error_deg"] for s in scores if s["pose_error_deg"] is not None]
    return float(np.median(values)) if values else float("nan")


def _mean(key: str) -> Callable[[Scores], float]:
    def mean(scores: Scores) -> float:
        values = [s[key] for s in scores if s[key] is not None]
        return float(np.mean(values)) if values else float("nan")

    return mean


METRICS: dict[str, Callable[[Scores], float]] = {
    "recall": _rate("found", "true_teeth"),
    "precision": precision,
    "locus": _rate("locus_right", "true_teeth"),
    "locus_of_found": _rate("locus_right", "found"),
    "generation": _rate("generation_right", "true_teeth"),
    "generation_of_found": _rate("generation_right", "found"),
    "emergence": _rate("emergence_right", "true_teeth"),
    "emergence_of_found": _rate("emergence_right", "found"),
    "pairs_right": _rate("pairs_right", "pairs_true"),
    "pairs_false": lambda scores: float(sum(s["pairs_false"] for s in scores)),
    "dice_median": _dice(0.5),
    "dice_p10": _dice(0.1),
    "crypt_recall": _crypt_recall,
    "crypt_dice_median": _dice(0.5, "in_crypt"),
    "enamel_inside_median": _enamel,
    "enamel_dice": _mean("enamel_dice"),
    "enamel_dice_median": _enamel_dice(0.5),
    "enamel_dice_p10": _enamel_dice(0.1),
    "enamel_volume_error_median": _enamel_volume,
    "formula_right": _mean("formula_right"),
    "size_within": _size_within,
    "emergence_fraction_error": _fraction,
    "pose_error_deg_median": _pose,
    "sides_swapped": _mean("sides_swapped"),
    "teeth_invented": lambda scores: float(sum(s["false_teeth"] for s in scores)),
}


def summarise(scores: Scores, draws: int = 1000, seed: int = 0) -> dict[str, dict[str, float]]:
    """Value and 95 % bootstrap interval (resampling whole specimens) of every metric."""
    rng = np.random.default_rng(seed)
    picks = rng.integers(0, max(len(scores), 1), (draws, len(scores)))
    out: dict[str, dict[str, float]] = {}
    for name, metric in METRICS.items():
        row = {"value": metric(scores)}
        if len(scores) > 1:
            values = np.array([metric([scores[i] for i in p]) for p in picks])
            if np.isfinite(values).any():
                row["low"], row["high"] = (float(v) for v in np.nanquantile(values, [0.025, 0.975]))
        out[name] = row
    return out


def reliability(pairs: Iterable[tuple[float, bool]], edges: Sequence[float] = EDGES) -> list[dict[str, float]]:
    """Share right against stated confidence, by bins; empty bins are left out."""
    data = np.array([(c, float(ok)) for c, ok in pairs], float).reshape(-1, 2)
    out = []
    for lo, hi in itertools.pairwise(edges):
        last = hi == edges[-1]
        hit = (data[:, 0] >= lo) & ((data[:, 0] <= hi) if last else (data[:, 0] < hi))
        if hit.any():
            out.append(
                {
                    "low": lo,
                    "high": hi,
                    "count": float(hit.sum()),
                    "said": float(data[hit, 0].mean()),
                    "right": float(data[hit, 1].mean()),
                }
            )
    return out


def calibration_error(bins: Sequence[Mapping[str, float]]) -> float:
    """Expected calibration error: mean gap between stated confidence and share right, weighted by count."""
    total = sum(b["count"] for b in bins)
    return sum(b["count"] * abs(b["said"] - b["right"]) for b in bins) / total if total else float("nan")
