"""The models of objects (is this core tooth?) and of touching pairs (are these two one tooth?).

Their examples are what the reading itself would see: cores found in the tooth chance of a model that was not fitted on
that kind of animal, taken or refused as the truth says, grown, and every touching pair measured.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import lightgbm as lgb
import numpy as np
from numpy.typing import NDArray
from sklearn.metrics import roc_auc_score

from ossicle.reading.candidates import Candidates
from ossicle.reading.features import Normalised, measure
from ossicle.reading.grow import Contact, grow
from ossicle.reading.standing import NoRow, markers_of, stand, touching_pairs
from ossicle.reading.tissue_model import SOLID, ToothChance, normalise

from .conversion import probabilities
from .rendering import BETWEEN, NEAR, TOOTH
from .specimens import Volumes

__all__ = ["PARAMETERS", "ROUNDS", "Examples", "chance_by", "examples", "fit", "scores"]

FloatArray = NDArray[np.float64]
PARAMETERS: dict[str, Any] = {
    "objective": "binary",
    "num_leaves": 8,
    "learning_rate": 0.06,
    "min_data_in_leaf": 10,
    "feature_fraction": 0.7,
    "bagging_fraction": 0.8,
    "bagging_freq": 1,
    "lambda_l2": 5,
}
ROUNDS = 160


@dataclass(frozen=True)
class Examples:
    """Measures (n, columns) and truth (n,) 0 or 1 of one specimen."""

    group: str
    measures: FloatArray
    truth: NDArray[np.int8]


def chance_by(predict: Callable[[NDArray[np.float32]], NDArray[np.floating]], volume: Normalised) -> ToothChance:
    """The tooth chance of `tissue_model.tooth_chance`, from any model: ``predict`` gives (n, 4) for features."""
    where = np.flatnonzero(volume.values > SOLID)
    tooth, between = np.zeros(volume.values.shape, np.float32), np.zeros(volume.values.shape, np.float32)
    if len(where):
        chance = predict(measure(volume, where))
        tooth.ravel()[where] = chance[:, TOOTH] + chance[:, NEAR]
        between.ravel()[where] = chance[:, NEAR] + chance[:, BETWEEN]
    return ToothChance(tooth, between)


def true_cores(found: Candidates, is_tooth: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which candidates lie with more than half of their core in teeth."""
    index = np.flatnonzero(found.markers > 0)
    inside = np.bincount(found.markers.ravel()[index], is_tooth.ravel()[index], minlength=len(found) + 1)[1:]
    truly: NDArray[np.bool_] = inside > 0.5 * found.voxels
    return truly


def same_tooth(pairs: Sequence[Contact], labels: NDArray[np.int32], truth: NDArray[np.int32]) -> NDArray[np.int8]:
    """Whether the two objects of each pair have most voxels in one tooth; ``truth`` is 0 outside teeth."""
    top = int(truth.max(initial=0)) + 1
    both = (labels > 0) & (truth > 0)
    key, count = np.unique(labels[both].astype(np.int64) * top + truth[both], return_counts=True)
    mostly: dict[int, tuple[int, int]] = {}
    for k, n in zip(key, count, strict=True):
        part, tooth = int(k // top), int(k % top)
        if part not in mostly or n > mostly[part][0]:
            mostly[part] = (int(n), tooth)
    return np.array([p.a in mostly and p.b in mostly and mostly[p.a][1] == mostly[p.b][1] for p in pairs], np.int8)


def examples(volumes: Volumes, tooth_booster: lgb.Booster, group: str) -> tuple[Examples, Examples] | None:
    """Objects and touching pairs of one specimen with their truth; None where the reading finds no tooth row."""
    volume = normalise(volumes.grey)[0]
    chance = chance_by(lambda rows: probabilities(tooth_booster, rows), volume)
    stood = stand(volume, chance, volumes.spacing_mm_zyx)
    if isinstance(stood, NoRow):
        return None
    is_tooth = volumes.is_tooth
    truly = true_cores(stood.standing.found, is_tooth)
    labels = grow(markers_of(stood.standing.found, truly), volume, chance)
    spacing = np.array(volumes.spacing_mm_zyx)
    pairs, measures = touching_pairs(labels, volume, chance, spacing, stood.matrix, stood.standing, truly)
    one = same_tooth(pairs, labels, np.where(is_tooth, volumes.labels, 0))
    return Examples(group, stood.measures, truly.astype(np.int8)), Examples(group, measures, one)


def fit(data: Sequence[Examples], names: Sequence[str], *, seed: int = 1) -> lgb.Booster:
    """Grow the trees on all ``data``, on one thread, the same for the same seed."""
    rest = {"num_threads": 1, "verbose": -1, "seed": seed, "deterministic": True, "force_row_wise": True}
    table = lgb.Dataset(
        np.concatenate([d.measures for d in data]).astype(np.float32),
        np.concatenate([d.truth for d in data]),
        feature_name=[name.replace(" ", "_") for name in names],
    )
    return lgb.train({**PARAMETERS, **rest}, table, ROUNDS)


def scores(
    data: Sequence[Examples], names: Sequence[str], folds: NDArray[np.int64], *, seed: int = 1
) -> dict[str, float | None]:
    """Fit on all folds but one and test on that one, pooled; the AUC is None where all examples are of one truth."""
    said = np.concatenate(
        [np.zeros(0)]
        + [
            probabilities(
                fit([d for d, f in zip(data, folds, strict=True) if f != fold], names, seed=seed),
                np.concatenate([d.measures for d, f in zip(data, folds, strict=True) if f == fold]).astype(np.float32),
            )[:, 1]
            for fold in sorted(set(folds.tolist()))
        ]
    )
    truth = np.concatenate(
        [d.truth for fold in sorted(set(folds.tolist())) for d, f in zip(data, folds, strict=True) if f == fold]
    )
    mixed = 0 < truth.sum() < len(truth)
    return {
        "auc": float(roc_auc_score(truth, said)) if mixed else None,
        "accuracy": float(((said > 0.5) == truth).mean()),
        "false_positives": float(((said > 0.5) & (truth == 0)).sum()),
        "false_negatives": float(((said <= 0.5) & (truth == 1)).sum()),
    }
