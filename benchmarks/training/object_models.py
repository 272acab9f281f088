"""The models of objects (is this core tooth?) and of touching pairs (are these two one tooth?).

Their examples are what the reading itself would see: cores found in the tooth chance of the network, in specimens that
it has never seen, taken or refused as the truth says, grown, and every touching pair measured.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest import mock

import lightgbm as lgb
import numpy as np
from numpy.typing import NDArray
from sklearn.metrics import roc_auc_score
from sklearn.model_selection import GroupKFold

from ossicle.reading import network as running
from ossicle.reading.candidates import Candidates
from ossicle.reading.greys import Normalised, normalise
from ossicle.reading.grow import Contact, grow
from ossicle.reading.standing import NoRow, markers_of, stand, touching_pairs
from ossicle.reading.tissue_model import ToothChance, tooth_chance
from ossicle.reading.trees import session

from .arrays import FORMS, GENERATIONS
from .conversion import probabilities
from .rendering import ENAMEL
from .specimens import Volumes

__all__ = [
    "PARAMETERS",
    "ROUNDS",
    "VOXEL_FIGURES",
    "Examples",
    "chance_by",
    "examples",
    "fit",
    "folds_of",
    "scores",
    "voxel_figures",
]

FloatArray = NDArray[np.float64]
VOXEL_FIGURES = ("tooth_dice", "enamel_dice", "way_off_voxels", "deciduous_right", "form_right")
"""What `voxel_figures` gives, in order."""
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


def chance_by(network: Path, volume: Normalised, *, threads: int = 2) -> ToothChance:
    """The reading's tooth chance, from the network file ``network`` in place of the one in the package."""
    with _in_place(network):
        return tooth_chance(volume, threads=threads)


@contextmanager
def _in_place(network: Path) -> Iterator[None]:
    """Let the reading run ``network`` (an .onnx file) whatever network it asks for."""
    own = session(str(network.resolve().with_suffix("")))  # a whole path stands for itself

    def on_processor(grey: NDArray[np.float32]) -> NDArray[np.float32]:
        found: NDArray[np.float32] = own.run(None, {"grey": grey[None, None]})[0][0]
        return found

    with mock.patch.object(running, "network", return_value=on_processor):
        yield


def voxel_figures(chance: ToothChance, volumes: Volumes) -> FloatArray:
    """How the network does on one specimen, by `VOXEL_FIGURES`.

    Dice coefficients of tooth and enamel at even chance; the median distance from where a voxel of a tooth points to
    that tooth's true centre; the share of such voxels that are right on generation and on class, of those with one.
    """
    is_tooth, votes = volumes.is_tooth, chance.votes
    enamel = volumes.tissue == ENAMEL
    own = volumes.labels.ravel()[votes.index]
    known = is_tooth.ravel()[votes.index]
    top = int(volumes.labels.max(initial=0)) + 1
    centre, deciduous, form = np.zeros((top, 3)), np.full(top, -1.0), np.full(top, -1)
    where = np.nonzero(is_tooth)
    label = volumes.labels[where]
    count = np.maximum(np.bincount(label, minlength=top), 1)
    for axis in range(3):
        centre[:, axis] = np.bincount(label, where[axis], minlength=top) / count
    for tooth in volumes.teeth:
        if (number := int(tooth["label"])) < top:
            deciduous[number] = GENERATIONS.get(tooth["generation"], -1.0)
            form[number] = FORMS.index(tooth["class"])
    off = np.linalg.norm(votes.centre[known] - centre[own[known]], axis=1)
    aged = known & (deciduous[own] >= 0)
    return np.array(
        [
            _dice(chance.tooth > 0.5, is_tooth),
            _dice(chance.enamel > 0.5, enamel),
            np.median(off) if off.size else np.nan,
            ((votes.deciduous[aged] > 0.5) == (deciduous[own[aged]] > 0.5)).mean() if aged.any() else np.nan,
            (votes.form[known].argmax(axis=1) == form[own[known]]).mean() if known.any() else np.nan,
        ]
    )


def _dice(one: NDArray[np.bool_], other: NDArray[np.bool_]) -> float:
    return float(2 * (one & other).sum() / max(int(one.sum() + other.sum()), 1))


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


def examples(
    volumes: Volumes, network: Path, group: str, *, threads: int = 2
) -> tuple[FloatArray, Examples | None, Examples | None]:
    """The figures of the network's voxels, and objects and touching pairs of one specimen with their truth.

    The latter two are None where the reading finds no tooth row.
    """
    volume = normalise(volumes.grey)[0]
    chance = chance_by(network, volume, threads=threads)
    figures = voxel_figures(chance, volumes)
    stood = stand(volume, chance, volumes.spacing_mm_zyx)
    if isinstance(stood, NoRow):
        return figures, None, None
    is_tooth = volumes.is_tooth
    truly = true_cores(stood.standing.found, is_tooth)
    labels = grow(markers_of(stood.standing.found, truly), volume, chance)
    spacing = np.array(volumes.spacing_mm_zyx)
    pairs, measures = touching_pairs(labels, volume, chance, spacing, stood.matrix, stood.standing, truly)
    one = same_tooth(pairs, labels, np.where(is_tooth, volumes.labels, 0))
    return figures, Examples(group, stood.measures, truly.astype(np.int8)), Examples(group, measures, one)


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
