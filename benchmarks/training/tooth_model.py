"""The model of voxels: which are tooth, near another tooth, or between two (`rendering.CLASSES`)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import lightgbm as lgb
import numpy as np
from numpy.typing import NDArray
from sklearn.metrics import roc_auc_score
from sklearn.model_selection import GroupKFold

from ossicle.reading.features import FEATURES

from .conversion import probabilities
from .rendering import BETWEEN, CLASSES, NEAR, OTHER, TOOTH

__all__ = ["PARAMETERS", "Rows", "fit", "folds_of", "scores"]

PARAMETERS: dict[str, Any] = {
    "objective": "multiclass",
    "num_class": len(CLASSES),
    "num_leaves": 63,
    "learning_rate": 0.11,
    "min_data_in_leaf": 150,
    "feature_fraction": 0.6,
    "bagging_fraction": 0.6,
    "bagging_freq": 1,
    "lambda_l2": 5,
    "max_bin": 127,
}
"""As LightGBM names them; chosen by hand on the training seeds, for size and speed as much as for accuracy."""
WEIGHT_OF_OTHER = 1.5
"""An invented tooth is worse than a hole in a true one, so voxels that are not tooth weigh more."""


@dataclass(frozen=True)
class Rows:
    """Features (n, columns) and classes (n,) of the voxels of one specimen, and its kind of animal."""

    group: str
    features: NDArray[np.float32]
    kinds: NDArray[np.int8]


def folds_of(groups: Sequence[str], most: int = 4) -> NDArray[np.int64]:
    """The fold (0 up) of every specimen by its group; one group lies in one fold, folds are even in specimens.

    Raises
    ------
    ValueError
        If there are fewer than two groups.
    """
    n = min(most, len(set(groups)))
    if n < 2:
        raise ValueError("cross-validation needs specimens of at least two kinds of animal")
    out = np.zeros(len(groups), np.int64)
    for fold, (_, test) in enumerate(GroupKFold(n).split(np.zeros((len(groups), 1)), groups=groups)):
        out[test] = fold
    return out


def fit(
    rows: Sequence[Rows], rounds: int = 100, *, seed: int = 1, tell: Callable[[str], None] | None = None
) -> lgb.Booster:
    """Grow the trees on all ``rows``: ``rounds`` for each class, on one thread, the same for the same seed."""
    kinds = np.concatenate([r.kinds for r in rows])
    data = lgb.Dataset(
        np.concatenate([r.features for r in rows]),
        kinds,
        weight=np.where(kinds == OTHER, WEIGHT_OF_OTHER, 1.0),
        feature_name=[name.replace(" ", "_") for name in FEATURES],
    )
    rest = {"num_threads": 1, "verbose": -1, "seed": seed, "deterministic": True, "force_row_wise": True}

    def report(env: Any) -> None:
        if tell is not None and (env.iteration + 1) % 20 == 0:
            tell(f"  round {env.iteration + 1} of {rounds}")

    return lgb.train({**PARAMETERS, **rest}, data, rounds, callbacks=[report])


def scores(rows: Sequence[Rows], models: Sequence[lgb.Booster], folds: NDArray[np.int64]) -> dict[str, float]:
    """How the model of each fold does on the specimens it was not fitted on, all drawn voxels pooled.

    The drawn voxels are evened out between classes and lean to hard places, so these figures are lower than those of
    all voxels of a scan would be.
    """
    chance = np.concatenate([probabilities(models[f], r.features) for r, f in zip(rows, folds, strict=True)])
    kinds = np.concatenate([r.kinds for r in rows])
    tooth = (kinds == TOOTH) | (kinds == NEAR)
    close = (kinds == NEAR) | (kinds == BETWEEN)
    said = chance[:, TOOTH] + chance[:, NEAR]
    return {
        "tooth_auc": float(roc_auc_score(tooth, said)),
        "tooth_accuracy": float(((said > 0.5) == tooth).mean()),
        "two_teeth_auc": float(roc_auc_score(close, chance[:, NEAR] + chance[:, BETWEEN])),
        "class_accuracy": float((chance.argmax(axis=1) == kinds).mean()),
    }
