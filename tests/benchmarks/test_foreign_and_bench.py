"""The bench's own specimens keep the folder contract; a run over them scores a perfect reader as perfect."""

from __future__ import annotations

import json
from pathlib import Path

import nibabel as nib
import numpy as np
import pytest
import tifffile
from benchmarks.foreign.__main__ import make
from benchmarks.foreign.build import Options, design
from benchmarks.foreign.controls import make_control
from benchmarks.runner import evaluate
from PIL import Image

import ossicle
from benchmarks import accuracy, matrix


@pytest.fixture(scope="module")
def juvenile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("foreign") / "juvenile"
    make(out, Options(animal="placental", stage="juvenile", seed=2, voxel=0.25, tilt="any"))
    return out


def volumes(root: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray, dict]:
    grey = np.stack([tifffile.imread(f) for f in sorted((root / "slices").glob("*.tif"))])
    labels, tissue = (
        np.asarray(nib.load(root / "truth" / f"{n}.nii.gz").dataobj).transpose(2, 1, 0) for n in ("labels", "tissue")
    )
    return grey, labels, tissue, json.loads((root / "truth" / "truth.json").read_text())


def test_folder_contract(juvenile: Path) -> None:
    grey, labels, tissue, truth = volumes(juvenile)
    assert grey.shape == labels.shape == tissue.shape == tuple(truth["scan"]["shape_zyx"])
    assert grey.dtype == np.uint16
    assert truth["invented"] is True
    assert json.loads((juvenile / "scan.json").read_text())["spacing_mm_zyx"] == [0.25] * 3
    named = {t["label"] for t in truth["teeth"]}
    assert set(np.unique(labels)) - {0, 1, 2, 3} == named
    assert {"deciduous", "permanent"} <= {t["generation"] for t in truth["teeth"]}
    rotation = np.array(truth["pose"]["scan_to_skull"])[:3, :3]
    assert np.allclose(rotation @ rotation.T, np.eye(3), atol=1e-6)
    assert np.linalg.det(rotation) == pytest.approx(1)  # never mirrored


def test_truth_agrees_with_the_volumes(juvenile: Path) -> None:
    grey, labels, tissue, truth = volumes(juvenile)
    pose = np.array(truth["pose"]["scan_to_skull"])
    for t in truth["teeth"]:
        z, y, x = np.nonzero(labels == t["label"])
        centre = np.array([x.mean(), y.mean(), z.mean()]) * 0.25
        assert np.allclose(centre, t["centroid_mm_xyz"], atol=0.3)
        skull = pose[:3, :3] @ centre + pose[:3, 3]
        assert (skull[0] > 0) == (t["side"] == "left")
        if len(z) > 300:  # at a quarter millimetre only big teeth can be counted
            solid = int((tissue[z, y, x] >= 3).sum()) * 0.25**3
            assert solid == pytest.approx(t["volume_mm3"], rel=0.25)
    upper = [(pose[:3, :3] @ t["centroid_mm_xyz"] + pose[:3, 3])[1] for t in truth["teeth"] if t["jaw"] == "upper"]
    lower = [(pose[:3, :3] @ t["centroid_mm_xyz"] + pose[:3, 3])[1] for t in truth["teeth"] if t["jaw"] == "lower"]
    assert min(upper) > np.median(lower)
    means = [float(grey[tissue == k].mean()) for k in (0, 2, 4)]  # dentine is too thin at this voxel
    assert means == sorted(means)


def test_successors_lie_deep_to_what_they_replace(juvenile: Path) -> None:
    *_, truth = volumes(juvenile)
    by = {t["label"]: t for t in truth["teeth"]}
    pose = np.array(truth["pose"]["scan_to_skull"])
    pairs = [(t, by[t["replaced_by"]]) for t in truth["teeth"] if t["replaced_by"] is not None]
    assert len(pairs) > 4
    for old, new in pairs:
        assert new["replaces"] == old["label"]
        assert (old["generation"], new["generation"]) == ("deciduous", "permanent")
        assert (old["jaw"], old["side"], old["class"], old["position"]) == (
            new["jaw"],
            new["side"],
            new["class"],
            new["position"],
        )
        rise = (pose[:3, :3] @ (np.array(new["centroid_mm_xyz"]) - old["centroid_mm_xyz"]))[1]
        if new["emergence"] == "in_crypt":
            assert rise > 0 if old["jaw"] == "upper" else rise < 0


def test_same_seed_same_animal() -> None:
    a, b, c = (design(Options(animal="metatherian", seed=s)) for s in (3, 3, 4))
    assert [p.form.length for p in a.teeth] == [p.form.length for p in b.teeth]
    assert [p.form.length for p in a.teeth] != [p.form.length for p in c.teeth]


@pytest.mark.parametrize(
    ("animal", "replaced"),
    [("metatherian", {("premolar", 3)}), ("rodent", {("premolar", 4), ("premolar", 3)})],
)
def test_replacement_follows_the_clade(animal: str, replaced: set[tuple[str, int]]) -> None:
    """Metatherians replace the last premolar only (van Nievelt & Smith 2005, Paleobiology 31:324)."""
    names = {"P": "premolar", "I": "incisor", "C": "canine", "M": "molar"}
    for seed in range(4):
        a = design(Options(animal=animal, stage="juvenile", seed=seed))
        milk = {(names[p.tooth.cls], p.tooth.position) for p in a.teeth if p.tooth.generation == "deciduous"}
        assert milk <= replaced


def test_control_holds_no_tooth(tmp_path: Path) -> None:
    make_control(tmp_path / "b", "braincase", 1, 0.4)
    _, labels, tissue, truth = volumes(tmp_path / "b")
    assert truth["teeth"] == []
    assert set(np.unique(labels)) <= {0, 1}
    assert (tissue == 2).sum() > 1000
    with pytest.raises(ValueError, match="no control is called"):
        make_control(tmp_path / "c", "cube", 1, 0.4)


def test_bench_scores_a_perfect_reader_as_perfect(juvenile: Path, tmp_path: Path) -> None:
    work = tmp_path / "work"
    args = [
        "--folder",
        str(juvenile),
        "--work",
        str(work),
        "--docs",
        str(tmp_path / "docs"),
        "--reader",
        "oracle:read",
    ]
    assert accuracy.main(args) == 0
    body = json.loads((tmp_path / "docs" / "accuracy.json").read_text())
    row = body["summary"]["folder"]
    for key in (
        "recall",
        "precision",
        "locus",
        "generation",
        "emergence",
        "pairs_right",
        "dice_median",
        "enamel_dice_median",
        "crypt_recall",
        "crypt_dice_median",
        "formula_right",
    ):
        assert row[key]["value"] == 1, key
    assert row["pairs_false"]["value"] == 0
    assert row["enamel_volume_error_median"]["value"] == 0
    assert body["made_by"]["version"] == ossicle.__version__
    page = (tmp_path / "docs" / "accuracy.md").read_text()
    assert "recall of teeth | 1.000" in page
    assert str(tmp_path) not in page


def test_failures_are_listed_with_pictures(juvenile: Path, tmp_path: Path) -> None:
    docs = tmp_path / "docs"
    args = [
        "--folder",
        str(juvenile),
        "--work",
        str(tmp_path / "w"),
        "--docs",
        str(docs),
        "--reader",
        "oracle:blunder",
    ]
    assert accuracy.main(args) == 0
    s = json.loads((docs / "accuracy.json").read_text())["specimens"][0]["score"]
    assert s["true_teeth"] - s["found"] == 2
    assert s["false_teeth"] == 1
    assert s["true_teeth"] - s["locus_right"] == 3
    page = (docs / "accuracy.md").read_text()
    for words in (": missed", "merged into part", "wrong locus", "invented: part 999", "on no tooth"):
        assert words in page
    pictures = sorted((docs / "accuracy").glob("*.png"))
    assert len(pictures) == 3
    assert all(f"accuracy/{p.name}" in page for p in pictures)
    assert np.asarray(Image.open(pictures[0])).std() > 10


def test_bench_resumes_and_notices_changed_specimens(juvenile: Path, tmp_path: Path) -> None:
    (s,) = matrix.folders([juvenile])
    first = evaluate(s, tmp_path, "oracle:read")
    stored = list((tmp_path / "results").iterdir())
    assert len(stored) == 1
    stored[0].write_text(json.dumps({**first, "message": "kept"}))
    assert evaluate(s, tmp_path, "oracle:read")["message"] == "kept"
    broken = evaluate(s, tmp_path, "oracle:refuse")
    assert broken["status"] == "failed"
    assert "cannot read this" in broken["message"]


def test_practice_specimens_are_made_with_faults_and_scored(tmp_path: Path) -> None:
    group = {
        "source": "practice",
        "condition": "practice-faults",
        "preset": ["carnivore-like-adult"],
        "fault": ["dentaries-alone+foam"],
        "worse": ["8 bit+half resolution"],
        "voxel": 0.6,
        "seed": [3],
    }
    (s,) = matrix.expand(group)
    record = evaluate(s, tmp_path, "oracle:read")
    assert record["status"] == "scored", record
    truth = json.loads((Path(record["folder"]) / "truth" / "truth.json").read_text())
    assert truth["faults"] == ["dentaries-alone", "foam"]
    assert truth["scan"]["spacing_mm_zyx"] == [1.2] * 3
    angle = [r for r in record["structures"] if r["value"] == "angular_process_inflection_deg"]
    assert len(angle) == 2
    assert all(r["error"] is None for r in angle)  # the oracle states none


def test_matrix_multiplies_lists_and_marks_the_quick_ones() -> None:
    group = {
        "source": "foreign",
        "condition": "clean",
        "animal": ["a", "b"],
        "seed": [1, 2],
        "voxel": 0.2,
        "quick": [1],
    }
    specimens = matrix.expand(group)
    assert len(specimens) == 4
    assert sum(s.quick for s in specimens) == 2
    assert len({s.key() for s in specimens}) == len({s.name for s in specimens}) == 4
    with pytest.raises(ValueError, match="names no condition"):
        matrix.expand({"source": "foreign"})


def test_shipped_matrix_is_sound() -> None:
    m = matrix.load(accuracy.HERE / "accuracy.toml")
    assert {s.condition for s in m.specimens} == set(m.titles) - {"folder"}
    assert len({s.name for s in m.specimens}) == len(m.specimens)
    assert {s.condition for s in m.specimens if s.quick} == {"practice", "control"}


def test_a_floor_that_is_not_kept_is_told() -> None:
    score = {
        "true_teeth": 40, "found": 30, "predicted": 31, "false_teeth": 1, "locus_right": 25, "generation_right": 30,
        "emergence_right": 30, "pairs_true": 0, "pairs_right": 0, "pairs_false": 0, "formula_right": False,
        "quadrants_right": 0, "pose_error_deg": 1.0, "sides_swapped": False, "voxel_mm": 0.1, "teeth": [],
        "invented": [], "reliability": [], "enamel_dice": None,
    }  # fmt: skip
    records = [{"specimen": {"condition": "clean"}, "score": score}]
    assert accuracy.fallen(records, {"clean": {"recall": 0.7}, "hard": {"recall": 1.0}}) == []
    low = accuracy.fallen(records, {"clean": {"recall": 0.8, "teeth_invented": 0.0}})
    assert [s.split(" is ")[0] for s in low] == ["clean: recall", "clean: teeth_invented"]
