"""`ossicle practice`: a folder that holds to its contract, whole or not at all."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from cli_tools import Run

Ran = Callable[..., Run]


def test_list(run: Ran) -> None:
    names = [row["name"] for row in json.loads(run("practice", "list", "--json").out)]
    assert "carnivore-like-juvenile" in names
    assert [line.split()[0] for line in run("practice", "list").out.splitlines()] == names


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


@pytest.mark.parametrize("fault", ["preset", "voxel", "taken"])
def test_bad_requests_get_one_sentence(run: Ran, tmp_path: Path, fault: str) -> None:
    out = tmp_path / "made"
    words: list[object] = ["practice", "make", "carnivore-like-juvenile", "--out", out]
    if fault == "preset":
        words[2] = "unicorn"
    elif fault == "voxel":
        words += ["--voxel", -1]
    else:
        out.mkdir()
        (out / "mine").write_text("mine")
    got = run(*words)
    assert got.code == 2
    assert got.sentence.endswith(".")
    assert "Traceback" not in got.err
    assert [p.name for p in tmp_path.rglob("*") if p.name not in ("made", "mine")] == []
