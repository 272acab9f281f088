"""Training the reading's models: what a voxel is, renderings, conversion, the whole way on tiny specimens."""

import hashlib
import json
from pathlib import Path

import lightgbm as lgb
import numpy as np
import pytest
from benchmarks.matrix import root_of_project
from benchmarks.training import __main__ as training
from benchmarks.training import object_models, specimens, store, tooth_model
from benchmarks.training.conversion import float_thresholds, largest_difference, onnx_chances, probabilities, to_onnx
from benchmarks.training.rendering import BETWEEN, NEAR, OTHER, TOOTH, Look, classes, rerender, sample
from benchmarks.training.specimens import Specimen, Volumes
from scipy.ndimage import binary_erosion, gaussian_filter

from ossicle.errors import OssicleError
from ossicle.reading.features import FEATURES, Normalised
from ossicle.reading.grow import Contact
from ossicle.reading.judgement import OBJECT_MEASURES, PAIR_MEASURES
from ossicle.reading.tissue_model import normalise, tooth_chance
from ossicle.reading.trees import chances

TEETH = ({"label": 11, "emergence": "erupted"}, {"label": 12, "emergence": "in_crypt"})
AIR, BONE, DENTINE, ENAMEL = 0, 2, 3, 4


def toy(side: int = 48) -> Volumes:
    """A block of bone (label 1) that holds two teeth with enamel on one end; bone twice as bright as air."""
    labels = np.zeros((side, side, side), np.int32)
    labels[4:28, 6:42, 5:43] = 1
    tissue = np.where(labels == 1, BONE, AIR).astype(np.uint8)
    for label, x in ((11, 8), (12, 26)):
        labels[8:44, 10:24, x : x + 14] = label
        tissue[8:32, 10:24, x : x + 14] = DENTINE
        tissue[32:44, 10:24, x : x + 14] = ENAMEL
    grey = np.array([1000, 1000, 2000, 2200, 3200], np.float32)[tissue]
    grey = gaussian_filter(grey, 0.7) + np.random.default_rng(0).normal(0, 20, grey.shape).astype(np.float32)
    return Volumes(grey.astype(np.float32), labels, tissue, TEETH, (0.1, 0.1, 0.1))


@pytest.mark.parametrize(("side", "labels"), [(6, (7, 9)), (9, (300, 2))])
def test_classes_of_two_cubes_one_voxel_apart(side: int, labels: tuple[int, int]) -> None:
    volume = np.ones((side + 12, side + 12, 2 * side + 13), np.int32)  # bone, label 1, all round
    for label, x in zip(labels, (6, 6 + side + 1), strict=True):
        volume[6 : 6 + side, 6 : 6 + side, x : x + side] = label
    found = np.bincount(classes(volume, labels).ravel(), minlength=4)
    # Squared distances are whole numbers, so "within 2.3" means at most 5. Tooth voxels one layer deep are 2 from the
    # other cube, the next layer 3. In the gap's plane both cubes are 1 away, which leaves 4 sideways: the square, four
    # strips 2 wide and one voxel (1, 1) at each corner. Beside a facing layer the other cube is 2 away, which leaves 1.
    near = 2 * side**2
    between = (side**2 + 8 * side + 4) + 2 * 4 * side
    assert found.tolist() == [volume.size - 2 * side**3 - between, 2 * side**3 - near, near, between]


def test_classes_without_two_teeth_near_each_other() -> None:
    volume = np.zeros((20, 20, 20), np.int32)
    assert not classes(volume, [5]).any()
    volume[0:4, 0:4, 0:4] = 5  # at the very edge of the scan
    volume[0:4, 0:4, 9:13] = 6  # five voxels on
    found = classes(volume, [5, 6])
    assert (found == TOOTH).sum() == 128
    assert not np.isin(found, (NEAR, BETWEEN)).any()
    assert (classes(volume, [5]) == TOOTH).sum() == 64  # what is not named a tooth is none


def test_rerender_reaches_the_contrasts_asked_for() -> None:
    volumes = toy()
    look = Look(surround=0.2, dentine=1.15, enamel=1.6, tooth={11: 1.0, 12: 0.8}, blur=0.6, noise=0.0)
    grey = rerender(volumes, look, np.random.default_rng(3))

    def deep(tissue: int, label: int) -> float:
        mask = binary_erosion((volumes.tissue == tissue) & (volumes.labels == label), iterations=3)
        assert mask.sum() > 100
        return float(grey[mask].mean())

    assert deep(AIR, 0) == pytest.approx(0.2, abs=0.002)
    assert deep(BONE, 1) == pytest.approx(1.0, abs=0.04)  # times the scan's own relief
    assert deep(DENTINE, 11) == pytest.approx(1.15, rel=0.005)
    assert deep(ENAMEL, 11) == pytest.approx(1.15 * 1.6, rel=0.005)
    assert deep(DENTINE, 12) == pytest.approx(1.15 * 0.8, rel=0.005)
    assert deep(ENAMEL, 12) == pytest.approx(1.15 * 1.6 * 0.8, rel=0.005)


def test_rerender_has_the_noise_and_texture_asked_for() -> None:
    volumes = toy()
    air = binary_erosion(volumes.tissue == AIR, iterations=4)
    for grain in (0.0, 0.6):
        grey = rerender(volumes, Look(noise=0.1, noise_grain=grain), np.random.default_rng(4))
        assert grey[air].std() == pytest.approx(0.1, rel=0.03)
    inside = binary_erosion(volumes.tissue == BONE, iterations=1)
    plain, rough = (
        rerender(volumes, Look(noise=0.0, blur=0.55, texture=t, texture_scale=3), np.random.default_rng(5))[
            inside
        ].std()
        for t in (0.0, 0.15)
    )
    assert rough > plain + 0.03


def test_rerender_keeps_labels_where_they_are() -> None:
    volumes = toy()
    labels, tissue = volumes.labels.copy(), volumes.tissue.copy()
    grey = rerender(volumes, Look(dentine=1.2, enamel=1.7, blur=0.55, noise=0.02), np.random.default_rng(6))
    assert grey.shape == labels.shape
    assert grey.dtype == np.float32
    np.testing.assert_array_equal(volumes.labels, labels)
    np.testing.assert_array_equal(volumes.tissue, tissue)
    # Midway between two levels lies the boundary of the tissues: a shift of one voxel would cost a layer of each face.
    for level, truth in ((0.5, tissue != AIR), (1.2 * 1.35, tissue == ENAMEL)):
        said = grey > level
        overlap = _overlap(said, truth)
        assert overlap > 0.95  # the blur rounds edges off
        for axis in range(3):
            for step in (-1, 1):
                assert _overlap(np.roll(said, step, axis), truth) < overlap - 0.015


def _overlap(one: np.ndarray, other: np.ndarray) -> float:
    """Dice coefficient of two masks."""
    return float(2 * (one & other).sum() / (one.sum() + other.sum()))


def test_draws_are_repeatable_and_within_their_ranges() -> None:
    volumes = toy()
    looks = [training.draw_look(volumes, np.random.default_rng(n)) for n in range(200)]
    assert looks[7] == training.draw_look(volumes, np.random.default_rng(7))
    assert all(0.95 <= x.dentine <= 1.3 and 1.25 <= x.enamel <= 1.9 and 0.02 <= x.noise <= 0.13 for x in looks)
    assert 8 <= sum(x.surround > 0 for x in looks) <= 45  # one in eight lies in fluid
    assert min(x.tooth[12] for x in looks) < 0.85 < 0.95 <= min(x.tooth[11] for x in looks)  # 12 lies in its crypt


def test_sample_draws_each_class() -> None:
    volumes = toy()
    features, kinds = sample(volumes.grey, volumes, np.random.default_rng(1), 600)
    again, _ = sample(volumes.grey, volumes, np.random.default_rng(1), 600)
    np.testing.assert_array_equal(features, again)
    assert features.shape == (len(kinds), len(FEATURES))
    assert np.isfinite(features).all()
    counts = np.bincount(kinds, minlength=4)
    assert counts[TOOTH] == 600
    assert 600 <= counts[OTHER] <= 600 + 300 + 200
    grey = features[:, FEATURES.index("grey")]
    assert np.median(grey[kinds == TOOTH]) > np.median(grey[kinds == OTHER])  # features and classes belong together


@pytest.fixture(scope="module")
def trees() -> tuple[lgb.Booster, np.ndarray]:
    rng = np.random.default_rng(2)
    rows = rng.normal(0, 1, (4000, len(FEATURES))).astype(np.float32)
    kinds = np.digitize(rows[:, 0] + 0.5 * rows[:, 1] * rows[:, 2] + 0.3 * rng.normal(size=4000), [-0.6, 0, 0.6])
    return tooth_model.fit([tooth_model.Rows("a", rows, kinds.astype(np.int8))], 15), rows


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
    assert len(edge) > 1500
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


def test_voxel_scores_are_of_specimens_not_fitted_on() -> None:
    rng = np.random.default_rng(5)
    rows = [
        tooth_model.Rows(
            g, rng.normal(size=(900, len(FEATURES))).astype(np.float32), rng.integers(0, 4, 900).astype(np.int8)
        )
        for g in "abcd"
    ]
    folds = tooth_model.folds_of([r.group for r in rows])
    models = [tooth_model.fit([r for r, f in zip(rows, folds, strict=True) if f != k], 5) for k in range(4)]
    assert 0.45 < tooth_model.scores(rows, models, folds)["tooth_auc"] < 0.55  # classes at random
    whole = tooth_model.fit(rows, 5)
    assert tooth_model.scores(rows, [whole] * 4, folds)["tooth_auc"] > 0.6  # which fitting on them would hide


def test_folds_never_part_an_animal() -> None:
    groups = ["a"] * 5 + ["b"] * 2 + ["c"] * 3 + ["d", "e", "f"]
    folds = tooth_model.folds_of(groups)
    assert set(folds.tolist()) == {0, 1, 2, 3}
    for g in set(groups):
        assert len({int(f) for f, own in zip(folds, groups, strict=True) if own == g}) == 1
    with pytest.raises(ValueError, match="two kinds"):
        tooth_model.folds_of(["a", "a"])


def test_plan_keeps_clear_of_what_is_measured() -> None:
    plan, measured = specimens.full_plan(), specimens.measured_seeds()
    assert {("practice", 1), ("foreign", 501)} <= measured
    specimens.check_apart(plan, measured)
    specimens.check_apart(specimens.quick_plan(), measured)
    assert len({s.name for s in plan}) == len(plan)
    assert {s.rendered for s in plan if s.objects} == {True, False}
    for wrong in (Specimen("foreign", "bat", "adult", 401), Specimen("practice", "bat-like", "adult", 57)):
        with pytest.raises(OssicleError, match="kept for measuring"):
            specimens.check_apart([*plan, wrong], measured)


def test_true_cores_and_pairs_of_one_tooth() -> None:
    truth = np.zeros((4, 4, 12), np.int32)
    truth[:, :, 0:6], truth[:, :, 6:9] = 21, 22
    labels = np.zeros_like(truth)
    labels[:, :, 0:3], labels[:, :, 3:7], labels[:, :, 7:9], labels[:, :, 9:12] = 1, 2, 3, 4  # 2 reaches into 22
    pairs = [Contact(a, a + 1, 16, 0.5, 0.6, 0.5, (0.0, 0.0, 1.0)) for a in (1, 2, 3)]
    assert object_models.same_tooth(pairs, labels, truth).tolist() == [1, 0, 0]
    # Markers differ from the pieces: the fourth lies in no tooth.
    count = np.bincount(labels.ravel(), minlength=5)[1:].astype(np.int64)
    blank = np.zeros(4)
    found = object_models.Candidates(
        labels, np.zeros((4, 3)), count, blank, blank, blank, blank, blank, np.zeros((4, 3))
    )
    assert object_models.true_cores(found, truth > 0).tolist() == [True, True, True, False]
    assert object_models.true_cores(found, truth == 22).tolist() == [False, False, True, False]


def test_finished_steps_are_kept_and_never_half_written(tmp_path: Path) -> None:
    made = []

    def work_out() -> store.Arrays:
        made.append(1)
        return {"a": np.arange(3)}

    for _ in range(2):
        assert store.arrays(tmp_path / "deep" / "x.npz", work_out)["a"].tolist() == [0, 1, 2]
    assert len(made) == 1

    def stopped() -> store.Arrays:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        store.arrays(tmp_path / "deep" / "y.npz", stopped)
    assert [p.name for p in (tmp_path / "deep").iterdir()] == ["x.npz"]


def test_models_of_a_quick_run_are_never_installed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert training.main(["--work", str(tmp_path), "--quick", "--install"]) == 2
    assert "no worth" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_chance_by_is_the_chance_of_the_reading() -> None:
    volume: Normalised = normalise(toy(48).grey)[0]
    ours = object_models.chance_by(lambda rows: chances("tooth_model", rows), volume)
    reading = tooth_chance(volume, threads=1)
    np.testing.assert_array_equal(ours.tooth, reading.tooth)
    np.testing.assert_array_equal(ours.between, reading.between)


@pytest.fixture(scope="module")
def specimen(tmp_path_factory: pytest.TempPathFactory) -> Volumes:
    s = specimens.quick_plan()[0]
    where = tmp_path_factory.mktemp("specimens")
    folder = specimens.make(s, where)
    assert specimens.make(s, where) == folder
    return specimens.load(folder)


def test_a_specimen_is_loaded_with_its_truth_in_place(specimen: Volumes) -> None:
    assert specimen.grey.shape == specimen.labels.shape == specimen.tissue.shape
    assert {int(t["label"]) for t in specimen.teeth} <= set(np.unique(specimen.labels).tolist()) | {0}
    solid = np.isin(specimen.tissue, (BONE, DENTINE, ENAMEL))
    bright = normalise(specimen.grey)[0].values > 0.5
    overlap = [_overlap(np.roll(bright, n, 2), solid) for n in (-1, 0, 1)]
    assert int(np.argmax(overlap)) == 1


@pytest.mark.slow
def test_quick_goes_the_whole_way_and_goes_on_where_it_was(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    package = root_of_project() / "src" / "ossicle" / "reading" / "data"
    before = {p.name: p.read_bytes() for p in package.iterdir() if p.is_file()}
    assert training.main(["--work", str(tmp_path), "--quick"]) == 0
    models = tmp_path / "quick" / "models"
    record = json.loads((models / "models.json").read_text())
    assert set(record["models"]) == {"tooth_model", "object_model", "pair_model"}
    for name, columns, kinds in (
        ("tooth_model", len(FEATURES), 4),
        ("object_model", len(OBJECT_MEASURES), 2),
        ("pair_model", len(PAIR_MEASURES), 2),
    ):
        data = (models / f"{name}.onnx").read_bytes()
        assert hashlib.sha256(data).hexdigest() == record["models"][name]["sha256"]
        assert onnx_chances(data, np.zeros((5, columns), np.float32)).shape == (5, kinds)
        assert record["models"][name]["largest_difference_of_onnx"] < 1e-5
    voxels = record["models"]["tooth_model"]
    assert sum(voxels["voxels_by_class"].values()) == voxels["voxels"]
    # Far above the 0.5 of guessing on animals it has not seen, even from two tiny specimens.
    assert 0.65 < voxels["cross_validated"]["tooth_auc"] < 1
    assert str(tmp_path) not in (models / "models.json").read_text()
    assert {s["animal"] for s in record["trained_on"]} == {"placental", "metatherian", "carnivore-like"}

    # The model of all fits its own specimens' voxels better than those of the folds do.
    kept = [np.load(p) for p in sorted((tmp_path / "quick" / "samples").iterdir())]
    said = np.concatenate([onnx_chances(models / "tooth_model.onnx", k["features"]).argmax(axis=1) for k in kept])
    right = float((said == np.concatenate([k["kinds"] for k in kept])).mean())
    assert right > voxels["cross_validated"]["class_accuracy"]

    stamps = {p: p.stat().st_mtime_ns for p in tmp_path.rglob("*") if p.is_file() and p.parent != models}
    assert training.main(["--work", str(tmp_path), "--quick"]) == 0
    assert stamps == {p: p.stat().st_mtime_ns for p in tmp_path.rglob("*") if p.is_file() and p.parent != models}
    assert json.loads((models / "models.json").read_text())["models"] == record["models"]
    assert {p.name: p.read_bytes() for p in package.iterdir() if p.is_file()} == before
    assert "objects" in capsys.readouterr().out
    assert probabilities(
        lgb.Booster(model_str=next((tmp_path / "quick" / "fits").iterdir()).read_text()), np.zeros((2, len(FEATURES)))
    ).shape == (2, 4)
