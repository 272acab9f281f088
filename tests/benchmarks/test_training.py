"""Training: plans and folds, steps that are kept, what is installed, and the whole way."""

import hashlib
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from benchmarks.matrix import root_of_project
from benchmarks.training import __main__ as training
from benchmarks.training import object_models, specimens, store
from benchmarks.training.conversion import onnx_chances
from benchmarks.training.specimens import Specimen, Volumes
from training_toys import BONE, DENTINE, ENAMEL, dice

from ossicle.errors import OssicleError
from ossicle.reading.greys import normalise
from ossicle.reading.grow import Contact
from ossicle.reading.judgement import OBJECT_MEASURES, PAIR_MEASURES


def test_folds_never_part_an_animal() -> None:
    groups = ["a"] * 5 + ["b"] * 2 + ["c"] * 3 + ["d", "e", "f"]
    folds = object_models.folds_of(groups)
    assert set(folds.tolist()) == {0, 1, 2, 3}
    for g in set(groups):
        assert len({int(f) for f, own in zip(folds, groups, strict=True) if own == g}) == 1
    with pytest.raises(ValueError, match="two kinds"):
        object_models.folds_of(["a", "a"])


def test_plans_keep_clear_of_each_other_and_of_what_is_measured() -> None:
    network, objects, measured = specimens.full_plan(), specimens.object_plan(), specimens.measured_seeds()
    assert {("practice", 11), ("foreign", 521)} <= measured
    specimens.check_apart(network, objects, measured)
    specimens.check_apart(specimens.quick_plan(), specimens.quick_object_plan(), measured)
    assert len({s.name for s in [*network, *objects]}) == len(network) + len(objects)
    for maker, reserved in specimens.RESERVED.items():
        assert {n for m, n in measured if m == maker} <= set(reserved)  # the range stated covers what is measured now
    kept = "kept for measuring"
    wrong: tuple[tuple[Specimen, set[tuple[str, int]], str], ...] = (
        (Specimen("foreign", "bat", "adult", 401), measured, kept),
        (Specimen("practice", "bat-like", "adult", 57), measured, kept),
        (Specimen("foreign", "bat", "adult", 599), set(), kept),
        (Specimen("foreign", "bat", "adult", 9001), {("foreign", 9001)}, kept),  # whatever the range says
        (Specimen("practice", "bat-like", "old", network[0].seed), measured, "the network learns from"),
    )
    for specimen, seeds, why in wrong:
        with pytest.raises(OssicleError, match=why):
            specimens.check_apart(network, [*objects, specimen], seeds)
    specimens.check_apart(network, [*objects, Specimen("foreign", "bat", "adult", 9001)], measured)


def test_plans_are_read_from_their_table() -> None:
    network, objects = specimens.full_plan(), specimens.object_plan()
    assert {s.animal for s in network if s.maker == "practice"} == {
        "carnivore-like", "metatherian", "small-placental", "rodent-like", "bat-like", "browser-like", "diprotodont",
    }  # fmt: skip
    (one,) = (s for s in network if s.maker == "foreign" and s.seed == 709)
    assert (one.voxel, one.cupping, one.rings, one.wet, one.noise, one.weight) == (0.08, 0.15, 1.0, False, 1.0, 1.6)
    assert dict(one.in_bench().settings)["tilt"] == "any"
    (faulty,) = (s for s in network if s.maker == "practice" and s.seed == 402)
    assert faulty.faults == ("missing-teeth", "healed-alveoli")
    assert dict(faulty.in_bench().settings)["fault"] == "missing-teeth+healed-alveoli"
    assert sum(s.wet for s in objects) == 2
    assert len({s.key() for s in [*network, *objects]}) == len(network) + len(objects)
    assert replace(one, noise=2.0).key() != one.key()
    assert replace(one, weight=2.0).key() == one.key()  # no voxel depends on it


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
        labels, np.zeros((4, 3)), count, blank, blank, blank, blank, blank, blank, np.zeros((4, 3))
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


def test_folders_of_arrays_are_kept_and_never_half_written(tmp_path: Path) -> None:
    made = []

    def work_out() -> store.Arrays:
        made.append(1)
        return {"a": np.arange(3), "b": np.zeros((2, 2), np.float16)}

    for _ in range(2):
        kept = store.folder(tmp_path / "x", work_out)
        assert {k: v.tolist() for k, v in kept.items()} == {"a": [0, 1, 2], "b": [[0, 0], [0, 0]]}
    assert len(made) == 1

    def stopped() -> store.Arrays:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        store.folder(tmp_path / "y", stopped)
    assert [p.name for p in tmp_path.iterdir()] == ["x"]


def test_models_of_a_quick_run_are_never_installed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert training.main(["install", "--work", str(tmp_path), "--quick"]) == 2
    assert "no worth" in capsys.readouterr().err
    assert training.main(["everything", "--work", str(tmp_path)]) == 2
    assert "no such stage" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_a_plan_may_be_cut_to_the_names_in_a_file(tmp_path: Path) -> None:
    plan, file = specimens.full_plan(), tmp_path / "names"
    file.write_text("foreign-bat-adult-728\npractice-metatherian-old-201\n")
    assert [s.name for s in training.named(plan, file)] == ["practice-metatherian-old-201", "foreign-bat-adult-728"]
    for text, why in (("foreign-bat-adult-1\n", "foreign-bat-adult-1"), ("\n", "names no specimen")):
        file.write_text(text)
        with pytest.raises(OssicleError, match=why):
            training.named(plan, file)


def test_only_models_that_belong_together_are_installed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(training, "root_of_project", lambda: tmp_path / "project")
    models = tmp_path / "models"
    record: dict[str, dict[str, str]] = {}
    for name in training.MODELS:
        store.write(models / f"{name}.onnx", name.encode())
        record[name] = {"sha256": hashlib.sha256(name.encode()).hexdigest()}
        if name != "tooth_network":
            record[name]["seen_through"] = record["tooth_network"]["sha256"]

    def install(**wrong: dict[str, str]) -> int:
        store.write(models / "models.json", json.dumps({"models": {**record, **wrong}}).encode())
        return training.main(["install", "--work", str(tmp_path)])

    assert install(pair_model={**record["pair_model"], "seen_through": "0"}) == 2
    assert "another network" in capsys.readouterr().err
    assert install(object_model={**record["object_model"], "sha256": "0"}) == 2
    assert "not the one on record" in capsys.readouterr().err
    assert not (tmp_path / "project").exists()
    assert install() == 0
    package = tmp_path / "project" / "src" / "ossicle" / "reading" / "data"
    assert {p.name for p in package.iterdir()} == {"models.json", *(f"{n}.onnx" for n in training.MODELS)}


@pytest.fixture(scope="module")
def specimen(tmp_path_factory: pytest.TempPathFactory) -> Volumes:
    s = specimens.quick_object_plan()[0]
    where = tmp_path_factory.mktemp("specimens")
    folder = specimens.make(s, where)
    assert specimens.make(s, where) == folder
    return specimens.load(folder)


def test_a_specimen_is_loaded_with_its_truth_in_place(specimen: Volumes) -> None:
    assert specimen.grey.shape == specimen.labels.shape == specimen.tissue.shape
    assert {int(t["label"]) for t in specimen.teeth} <= set(np.unique(specimen.labels).tolist()) | {0}
    solid = np.isin(specimen.tissue, (BONE, DENTINE, ENAMEL))
    bright = normalise(specimen.grey)[0].values > 0.5
    overlap = [dice(np.roll(bright, n, 2), solid) for n in (-1, 0, 1)]
    assert int(np.argmax(overlap)) == 1


@pytest.mark.slow
def test_quick_goes_the_whole_way_and_goes_on_where_it_was(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("torch")
    package = root_of_project() / "src" / "ossicle" / "reading" / "data"
    before = {p.name: p.read_bytes() for p in package.iterdir() if p.is_file()}
    words = ["--work", str(tmp_path), "--quick", "--threads", "1"]
    assert training.main(words) == 0, capsys.readouterr().err
    models = tmp_path / "quick" / "models"
    record = json.loads((models / "models.json").read_text())
    assert set(record["models"]) == set(training.MODELS)
    network = record["models"]["tooth_network"]
    for name in training.MODELS:
        data = (models / f"{name}.onnx").read_bytes()
        assert hashlib.sha256(data).hexdigest() == record["models"][name]["sha256"]
        assert record["models"][name]["seed"] == 1
    for name, columns in (("object_model", len(OBJECT_MEASURES)), ("pair_model", len(PAIR_MEASURES))):
        assert onnx_chances(models / f"{name}.onnx", np.zeros((5, columns), np.float32)).shape == (5, 2)
        assert record["models"][name]["largest_difference_of_onnx"] < 1e-5
        assert record["models"][name]["seen_through"] == network["sha256"]
        assert {s["seed"] for s in record["models"][name]["trained_on"]} == {
            s.seed for s in specimens.quick_object_plan()
        }
    # Even a tiny network says something of specimens it has never seen: a good deal of what is tooth.
    assert all(f["tooth_dice"] > 0.3 for f in network["unseen_specimens"].values())
    assert str(tmp_path) not in (models / "models.json").read_text()
    assert [s["seed"] for s in network["trained_on"]] == [s.seed for s in specimens.quick_plan()]

    stamps = {p: p.stat().st_mtime_ns for p in tmp_path.rglob("*") if p.is_file() and p.parent != models}
    assert training.main(words) == 0
    assert stamps == {p: p.stat().st_mtime_ns for p in tmp_path.rglob("*") if p.is_file() and p.parent != models}
    again = json.loads((models / "models.json").read_text())["models"]
    assert {n: m["sha256"] for n, m in again.items()} == {n: m["sha256"] for n, m in record["models"].items()}
    assert {p.name: p.read_bytes() for p in package.iterdir() if p.is_file()} == before
    assert "objects" in capsys.readouterr().out
