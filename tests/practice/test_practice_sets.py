"""Sets of specimens: the plan, what is handed out and what is kept back, going on after a stop, and the sheet."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from ossicle.errors import Cancelled, OssicleError
from ossicle.practice import FAULTS, GRADES, SETS, build, make_set, plan_set, presets, write_sheet
from ossicle.practice.sets import OF_THE_SCAN, OF_THE_TEETH

SMALL = {"seed": 3, "each": 1, "only": ["edentulous", "bat-like"], "grades": [1, 3], "voxel_mm": 0.6}


@pytest.fixture(scope="module")
def exercises(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("sets") / "class"
    assert make_set("class", out, **SMALL) == {"set": "class", "folder": str(out), "specimens": 2, "made": 2}
    return out


def everything(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_a_class_set_is_graded() -> None:
    plan = plan_set("class", each=8)
    assert [e.grade for e in plan] == [g for g in GRADES for _ in range(8)]
    assert len({e.name for e in plan}) == len({e.seed for e in plan}) == len(plan)
    for e in plan:
        stage = presets()[e.preset].stage
        if e.grade == 1:
            assert (stage, e.faults, e.worse, e.scanner) == ("adult", (), "none", "clean")
        if e.grade == 2:
            assert stage in ("newborn", "juvenile", "subadult")
            assert e.faults == ()
        if e.grade == 4:
            assert e.faults
        if e.grade == 5:
            assert e.faults or e.worse != "none"
    third = [presets()[e.preset].animal for e in plan if e.grade == 3]
    assert len(set(third)) == 5  # each once before one comes again
    assert plan == plan_set("class", each=8)
    assert plan != plan_set("class", each=8, seed=2)


def test_a_bench_set_covers_every_preset_and_fault() -> None:
    plan = plan_set("bench", each=3)
    assert {e.preset for e in plan} == set(presets())
    assert {f for e in plan for f in e.faults} == set(FAULTS)
    plain = [e for e in plan if not e.faults and e.worse == "none"]
    assert {e.preset for e in plain} == set(presets())
    assert {f for f, _ in OF_THE_SCAN} | set(OF_THE_TEETH) == {e.faults for e in plan}


def test_a_series_is_one_animal_growing() -> None:
    plan = plan_set("series", only=["metatherian"])
    assert {presets()[e.preset].stage for e in plan} == {"newborn", "juvenile", "subadult", "adult", "old"}
    assert len({e.seed for e in plan}) == 1
    assert SETS.keys() == {"class", "series", "bench"}


def test_the_scans_tell_nothing_and_the_key_tells_all(exercises: Path) -> None:
    handed = everything(exercises / "exercises")
    key = json.loads((exercises / "key" / "key.json").read_text())
    assert [r["name"] for r in key["specimens"]] == ["1-01", "3-01"]
    for name, data in handed.items():
        assert "truth" not in name
        for row in key["specimens"]:
            for secret in (row["preset"], row["animal"], str(row["seed"])):
                assert secret.encode() not in data, name
    for row in key["specimens"]:
        truth = json.loads((exercises / "key" / row["name"] / "truth" / "truth.json").read_text())
        assert (truth["seed"], truth["preset"], len(truth["teeth"])) == (row["seed"], row["preset"], row["teeth"])
        assert json.loads(handed[f"{row['name']}/scan.json"])["invented"] is True
        pages = sorted((exercises / "exercises" / row["name"] / "slices").iterdir())
        assert [len(pages), *tifffile.imread(pages[0]).shape] == truth["scan"]["shape_zyx"]
    index = json.loads(handed["index.json"])
    assert index["invented"] is True
    assert [r["task"] for r in index["specimens"]] == [GRADES[1], GRADES[3]]
    for table, rows in (("exercises/index.csv", index["specimens"]), ("key/key.csv", key["specimens"])):
        read = list(csv.DictReader((exercises / table).open(newline="")))
        assert read == [{k: str(v) for k, v in r.items()} for r in rows]


def test_a_stopped_set_goes_on_where_it_was(exercises: Path, tmp_path: Path) -> None:
    def stop(what: str, share: float) -> None:
        if what.startswith("specimen 2") and share > 0.7:
            raise Cancelled

    out = tmp_path / "class"
    with pytest.raises(Cancelled):
        make_set("class", out, **SMALL, progress=stop)
    assert [p.name for p in (out / "exercises").iterdir()] == ["1-01"]
    kept = (out / "exercises" / "1-01" / "scan.json").stat().st_mtime_ns
    assert make_set("class", out, **SMALL)["made"] == 1
    assert (out / "exercises" / "1-01" / "scan.json").stat().st_mtime_ns == kept
    assert everything(out).keys() == everything(exercises).keys()
    for name in ("exercises/3-01/slices/slice_0010.tif", "key/key.csv", "exercises/index.json"):
        assert everything(out)[name] == everything(exercises)[name]
    assert make_set("class", out, **SMALL)["made"] == 0


def test_another_set_is_not_mixed_in(exercises: Path, tmp_path: Path) -> None:
    before = everything(exercises)
    with pytest.raises(OssicleError, match="another set"):
        make_set("class", exercises, **{**SMALL, "seed": 4})
    assert everything(exercises) == before
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(OssicleError, match="already"):
        make_set("class", tmp_path, **SMALL)
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


@pytest.mark.parametrize(
    ("kind", "more"),
    [
        ("exam", {}),
        ("class", {"only": ["unicorn"]}),
        ("class", {"grades": [9]}),
        ("class", {"each": 0}),
        ("class", {"only": ["carnivore-like"], "grades": [3]}),
    ],
)
def test_bad_requests_are_one_sentence(kind: str, more: dict, tmp_path: Path) -> None:
    with pytest.raises(OssicleError) as e:
        make_set(kind, tmp_path / "out", **more)
    assert str(e.value).count("\n") == 0
    assert list(tmp_path.iterdir()) == []


def test_a_bench_specimen_keeps_its_truth_beside_it(tmp_path: Path) -> None:
    made = make_set("bench", tmp_path / "b", seed=1, each=1, only=["edentulous"], voxel_mm=1.2)
    assert made["specimens"] == 5
    assert len(list((tmp_path / "b").glob("*/truth/truth.json"))) == 5
    assert len(list((tmp_path / "b").glob("*/slices"))) == 5


def test_a_coarser_scan_has_the_blur_of_its_own_voxels(tmp_path: Path) -> None:
    rows = {e.worse: e for e in plan_set("class", each=11, grades=[5], voxel_mm=0.3)}
    assert rows["half resolution"].voxel_mm == 0.6
    assert rows["double noise"].voxel_mm == 0.3
    fine, coarse = (build("edentulous-adult", voxel_mm=v).truth["scan"]["blur_mm"] for v in (0.5, 1.0))
    assert coarse == pytest.approx(2 * fine) == pytest.approx(0.8)


def test_the_sheet_shows_each_preset(tmp_path: Path) -> None:
    known = [presets()["edentulous-adult"], presets()["edentulous-newborn"]]
    page = write_sheet(known, tmp_path / "s", height=40).read_text()
    assert "invented" in page
    for p in known:
        assert f'src="{p.name}.png"' in page
        picture = np.asarray(Image.open(tmp_path / "s" / f"{p.name}.png").convert("L"))
        assert 0.1 < (picture < 235).mean() < 0.9
    (tmp_path / "s" / "edentulous-adult.png").write_bytes(b"mine")
    write_sheet(known, tmp_path / "s", height=40)
    assert (tmp_path / "s" / "edentulous-adult.png").read_bytes() == b"mine"
