"""Real CT, far too coarse for teeth: it is read to the end, its tissues are plausible, and no tooth is named.

The facts checked against (shape, range, the mode of soft tissue, where the densest voxels lie) were taken from the
files themselves, independently of this project's code.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import fetched
import jsonschema
import nibabel as nib
import numpy as np
import pytest
from scipy.ndimage import zoom

from ossicle.account import schema
from ossicle.cli import main
from ossicle.reading import read
from ossicle.scans import load

pytestmark = pytest.mark.real

SOFT_TISSUE = 1085
"""Mode of the head's soft tissue (greys look like HU + 1024)."""


@pytest.fixture(autouse=True)
def _own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("OSSICLE_CACHE", str(tmp_path / "cache"))


def head_file(folder: Path) -> Path:
    """The head as a raw file with a sidecar."""
    folder.mkdir()
    fetched.head().tofile(folder / "head.raw")
    sidecar = {
        "shape_zyx": [93, 64, 64],
        "type": "int16",
        "byte_order": "little",
        "spacing_mm_zyx": list(fetched.HEAD_SPACING),
    }
    (folder / "head.json").write_text(json.dumps(sidecar))
    return folder / "head.raw"


def field_file(folder: Path) -> Path:
    """The skull field as NIfTI."""
    folder.mkdir()
    image = nib.Nifti1Image(fetched.skull_field().transpose(2, 1, 0), np.diag([*fetched.FIELD_SPACING[::-1], 1.0]))
    image.header.set_xyzt_units("mm")
    nib.save(image, folder / "field.nii.gz")
    return folder / "field.nii.gz"


def account_of(source: Path, out: Path) -> dict[str, Any]:
    assert main(["read", str(source), "--out", str(out), "--threads", "1"]) == 0
    data: dict[str, Any] = json.loads((out / "account.json").read_text())
    jsonschema.validate(data, schema(), cls=jsonschema.Draft202012Validator)
    return data


def test_the_head_is_taken_in_as_it_is(tmp_path: Path) -> None:
    scan = load(head_file(tmp_path / "s"))
    volume = scan.array()
    assert scan.value_range == (0, 3926)
    assert scan.extent_mm_zyx == pytest.approx((139.5, 204.8, 204.8))
    soft = volume[(volume > 900) & (volume < 1300)]
    assert abs(int(np.bincount(soft).argmax()) - SOFT_TISSUE) <= 15
    dense = np.nonzero(volume > 3000)[0]  # enamel, and little else
    assert np.mean((dense >= 49) & (dense <= 69)) > 0.8
    assert scan.geometry.handedness_assumed


@pytest.mark.parametrize("make", [head_file, field_file])
def test_a_scan_too_coarse_for_teeth_says_so_and_names_none(make, tmp_path: Path, capsys) -> None:
    data = account_of(make(tmp_path / "s"), tmp_path / "out")
    assert [w for w in data["warnings"] if "too coarse to tell teeth apart" in w]
    assert data["teeth"] == []
    assert data["formula"]["text"] is None
    assert not [p for p in data["parts"] if p["kind"] == "tooth"]
    assert "too coarse to tell teeth apart" in " ".join(capsys.readouterr().out.split())
    solid = [p for p in data["parts"] if p["kind"] in {"bone", "fragment"}]
    assert solid, "there is bone in this scan"
    labels = np.asanyarray(nib.load(tmp_path / "out" / "parts.nii.gz").dataobj)
    assert set(np.unique(labels)) == {0, *(p["part"] for p in solid)}
    assert 0.005 < np.mean(labels > 0) < 0.5


def test_tissues_of_the_head_stand_in_order() -> None:
    levels = read(fetched.head(), fetched.HEAD_SPACING, threads=1).statistics
    assert levels.air < 200  # air is near 0 in this scan
    assert levels.air < levels.bone
    if levels.enamel is not None:
        assert levels.bone < levels.enamel <= 3926


def test_bone_of_the_head_is_bone() -> None:
    """Bone is denser than soft tissue, and a head holds less than a litre of it (value from memory)."""
    volume = fetched.head()
    got = read(volume, fetched.HEAD_SPACING, threads=1)
    assert got.statistics.bone > SOFT_TISSUE + 200
    inside = got.labels > 0
    assert 0.05e6 < inside.sum() * float(np.prod(fetched.HEAD_SPACING)) < 1.0e6
    assert np.median(volume[inside]) > SOFT_TISSUE + 200


def test_finer_voxels_make_no_finer_scan() -> None:
    """Voxels put between the head's own by straight lines add no detail: it stays too coarse."""
    fine = zoom(fetched.head().astype(np.float32), (2, 3, 3), order=1)
    got = read(fine, (0.75, 3.2 / 3, 3.2 / 3), threads=1)
    assert got.teeth == ()
    assert [w for w in got.warnings if "too coarse to tell teeth apart" in w]
