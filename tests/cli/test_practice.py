"""`ossicle practice`: a folder that holds to its contract, whole or not at all."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import tifffile
from cli_tools import Run

Ran = Callable[..., Run]


def test_list(run: Ran) -> None:
    names = [row["name"] for row in json.loads(run("practice", "list", "--json").out)]
    assert "carnivore-like-juvenile" in names
    assert [line.split()[0] for line in run("practice", "list").out.splitlines()] == names
    some = [line.split()[0] for line in run("practice", "list", "rodent", "bat-like-old").out.splitlines()]
    assert some == [n for n in names if n.startswith("rodent") or n == "bat-like-old"]
    faults = [row["name"] for row in json.loads(run("practice", "list", "--faults", "--json").out)]
    assert {"missing-teeth", "wet", "two-specimens"} <= set(faults)


def test_list_with_pictures(run: Ran, tmp_path: Path) -> None:
    got = run("practice", "list", "edentulous-newborn", "--pictures", tmp_path / "p")
    assert got.code == 0
    assert sorted(f.name for f in (tmp_path / "p").iterdir()) == ["edentulous-newborn.png", "index.html"]
    assert got.out.startswith("edentulous-newborn")


def test_make_writes_slices_metadata_and_truth(run: Ran, tmp_path: Path) -> None:
    out = tmp_path / "made"
    got = run("practice", "make", "metatherian-newborn", "--out", out, "--voxel", 0.4, "--seed", 3, "--json")
    assert got.code == 0
    assert json.loads(got.out)["slices"] == str(out / "slices")
    truth = json.loads((out / "truth" / "truth.json").read_text())
    assert truth["seed"] == 3
    assert truth["invented"] is True
    assert len(list((out / "slices").iterdir())) == truth["scan"]["shape_zyx"][0]
    assert json.loads((out / "scan.json").read_text())["spacing_mm_zyx"] == [0.4, 0.4, 0.4]


def test_make_takes_faults_and_the_scanner(run: Ran, tmp_path: Path) -> None:
    out = tmp_path / "made"
    words = ["--voxel", "0.8,0.5,0.5", "--fault", "foam", "--fault", "dentaries-alone", "--bits", 8, "--mirrored"]
    words += ["--scanner", "clean", "--worse", "double noise", "--worse", "half resolution", "--phantom"]
    assert run("practice", "make", "carnivore-like-adult", "--out", out, *words).code == 0
    truth = json.loads((out / "truth" / "truth.json").read_text())
    side = json.loads((out / "scan.json").read_text())
    assert truth["faults"] == ["dentaries-alone", "foam"]
    assert truth["scan"]["mirrored"] is True
    assert truth["scan"]["noise"] == pytest.approx(0.04)
    assert side["spacing_mm_zyx"] == [1.6, 1.0, 1.0]
    page = tifffile.imread(out / "slices" / "slice_0000.tif")
    assert page.dtype == np.uint8
    assert len(side["phantom"]) >= 3
    densities = [rod["density_g_cm3"] for rod in side["phantom"]]
    column, row = (round(v / 1.0) for v in side["phantom"][int(np.argmax(densities))]["centre_mm_xy"])
    assert page[row, column] > np.median(page)


def test_make_by_projections_says_so(run: Ran, tmp_path: Path) -> None:
    out = tmp_path / "made"
    assert run("practice", "make", "edentulous-adult", "--out", out, "--voxel", 1.2, "--projections").code == 0
    assert "Projections mode" in json.loads((out / "scan.json").read_text())["note"]


@pytest.mark.parametrize("fault", ["preset", "voxel", "words", "fault", "scanner", "worse", "bits", "taken"])
def test_bad_requests_get_one_sentence(run: Ran, tmp_path: Path, fault: str) -> None:
    out = tmp_path / "made"
    words: list[object] = ["practice", "make", "carnivore-like-juvenile", "--out", out]
    if fault == "preset":
        words[2] = "unicorn"
    elif fault == "taken":
        out.mkdir()
        (out / "mine").write_text("mine")
    else:
        wrong = {"voxel": -1, "words": "fine", "bits": 12}
        words += ["--voxel" if fault == "words" else f"--{fault}", wrong.get(fault, "unheard")]
    got = run(*words)
    assert got.code == 2
    assert got.sentence.endswith(".")
    assert "Traceback" not in got.err
    assert [p.name for p in tmp_path.rglob("*") if p.name not in ("made", "mine")] == []


def test_set_makes_exercises_and_goes_on(run: Ran, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    words = ["practice", "set", "class", "--out", tmp_path / "c", "--each", 2, "--animal", "edentulous", "--grade", 3]
    words += ["--voxel", 1.2]
    from ossicle.practice import sets

    true_build = sets.build
    calls = []

    def once(*args: object, **more: object) -> object:
        calls.append(args)
        if len(calls) == 2:
            raise KeyboardInterrupt
        return true_build(*args, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(sets, "build", once)
    stopped = run(*words)
    assert stopped.code == 130
    assert "goes on" in stopped.sentence
    got = run(*words, "--json")
    assert got.code == 0
    assert {k: v for k, v in json.loads(got.out).items() if k != "folder"} == {
        "set": "class",
        "specimens": 2,
        "made": 1,
    }
    assert "specimen 2 of 2" in got.err
    assert (tmp_path / "c" / "key" / "key.csv").is_file()
    refused = run(*words, "--seed", 5)
    assert refused.code == 2
    assert "another set" in refused.sentence
