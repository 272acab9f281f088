"""What holds no skull gets an account that says so, and never a tooth."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import jsonschema
import nibabel as nib
import numpy as np
import pytest
import solids
from cli_tools import Run, write_stack

from ossicle.account import schema


@pytest.mark.parametrize("kind", ["sphere", "tube", "noise", "limb_bone", "gravel"])
def test_no_tooth_is_invented(run: Callable[..., Run], tmp_path: Path, kind: str) -> None:
    volume = getattr(solids, kind)()
    source = write_stack(tmp_path / kind, volume, spacing=0.2)
    out = tmp_path / "out"
    got = run("read", source, "--out", out, "--threads", 1)
    assert got.code == 0, got.err
    assert "No tooth row was found in this scan" in got.out
    assert "too coarse" not in " ".join(got.out.split()), "teeth were not even looked for"
    data = json.loads((out / "account.json").read_text())
    jsonschema.validate(data, schema(), cls=jsonschema.Draft202012Validator)
    assert data["teeth"] == []
    assert data["formula"]["text"] is None
    assert data["formula"]["dentition"] is None
    assert not data["pose"]["found"] or data["pose"]["confidence"] < 0.5
    assert not [p for p in data["parts"] if p["kind"] == "tooth"]
    assert not [p for p in data["parts"] if p["term"] in {"cranium", "dentary"}]
    with open(out / "dentition.csv", newline="") as file:
        assert list(csv.DictReader(file)) == []
    assert "No tooth row was found in this scan" in (out / "account.html").read_text()
    labels = np.asanyarray(nib.load(out / "parts.nii.gz").dataobj)
    assert labels.shape == volume.shape[::-1]
    assert set(np.unique(labels)) - {0} == {p["part"] for p in data["parts"]}
