"""Training: trees of decisions, and that their ONNX files say what they say."""

import lightgbm as lgb
import numpy as np
import pytest
from benchmarks.training import object_models
from benchmarks.training.conversion import float_thresholds, largest_difference, onnx_chances, to_onnx

from ossicle.reading.judgement import PAIR_MEASURES


@pytest.fixture(scope="module")
def trees() -> tuple[lgb.Booster, np.ndarray]:
    rng = np.random.default_rng(2)
    rows = rng.normal(0, 1, (4000, 30)).astype(np.float32)
    truth = (rows[:, 0] + 0.5 * rows[:, 1] * rows[:, 2] + 0.3 * rng.normal(size=4000) > 0).astype(np.int8)
    return object_models.fit([object_models.Examples("a", rows, truth)], [f"m {k}" for k in range(30)]), rows


def at_thresholds(booster: lgb.Booster, rows: np.ndarray) -> np.ndarray:
    """Rows moved onto thresholds of the trees: the float32 nearest to each, the next above and the next below."""
    splits: list[tuple[int, float]] = []
    nodes = [tree["tree_structure"] for tree in booster.dump_model()["tree_info"]]
    while nodes:
        node = nodes.pop()
        if "threshold" in node:
            splits.append((node["split_feature"], node["threshold"]))
            nodes += [node["left_child"], node["right_child"]]
    out = []
    for n, (feature, threshold) in enumerate(splits):
        value = np.float32(threshold)
        for moved in (value, np.nextafter(value, np.float32(np.inf)), np.nextafter(value, np.float32(-np.inf))):
            row = rows[n % len(rows)].copy()
            row[feature] = moved
            out.append(row)
    return np.array(out, np.float32)


def test_onnx_gives_what_lightgbm_gives(trees: tuple[lgb.Booster, np.ndarray]) -> None:
    # Reference: LightGBM's own prediction with its float64 thresholds. Tolerance 1e-5: ONNX sums leaves in float32.
    booster, rows = trees
    model = to_onnx(booster, "test")
    assert largest_difference(booster, model, rows) < 1e-5
    edge = at_thresholds(booster, rows)
    assert len(edge) > 1000
    assert largest_difference(booster, model, edge) < 1e-5  # at the thresholds too
    np.testing.assert_array_equal(
        booster.predict(edge, num_threads=1), float_thresholds(booster).predict(edge, num_threads=1)
    )
    np.testing.assert_allclose(onnx_chances(model, rows[:9]).sum(axis=1), 1, atol=1e-5)


def test_onnx_of_two_classes_and_the_fit_is_repeatable() -> None:
    rng = np.random.default_rng(3)
    measures = rng.normal(0, 1, (500, len(PAIR_MEASURES)))
    truth = (measures[:, 3] + 0.3 * rng.normal(size=500) > 0).astype(np.int8)
    data = [object_models.Examples("ab"[k], measures[k::2], truth[k::2]) for k in range(2)]
    names = PAIR_MEASURES
    booster = object_models.fit(data, names)
    assert booster.model_to_string() == object_models.fit(data, names).model_to_string()
    model = to_onnx(booster, "test")
    assert largest_difference(booster, model, measures) < 1e-5
    said = onnx_chances(model, measures)
    assert said.shape == (500, 2)
    assert ((said[:, 1] > 0.5) == truth).mean() > 0.9
    score = object_models.scores(data, names, np.array([0, 1]))
    assert score["auc"] is not None
    assert 0.9 < score["auc"] < 1  # fitted on one half, tested on the other
    shuffled = [object_models.Examples(d.group, d.measures, rng.permutation(d.truth)) for d in data]
    chance = object_models.scores(shuffled, names, np.array([0, 1]))["auc"]
    assert chance is not None
    assert 0.4 < chance < 0.6  # nothing to be learnt, nothing claimed
