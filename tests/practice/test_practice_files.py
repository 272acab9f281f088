"""The folder of a practice specimen: complete, readable by others, all or nothing."""

from __future__ import annotations

import json
from pathlib import Path

import nibabel as nib
import numpy as np
import pytest
import tifffile

from ossicle.errors import Cancelled, OssicleError
from ossicle.practice import build, make, presets

PRESET, SIZE = "carnivore-like-newborn", 0.4


def test_folder_holds_what_the_contract_says(tmp_path: Path) -> None:
    out = make(PRESET, tmp_path / "é spécimen", seed=7, voxel_mm=(0.5, 0.4, 0.4))
    m = build(PRESET, seed=7, voxel_mm=(0.5, 0.4, 0.4))
    pages = sorted((out / "slices").iterdir())
    assert [p.name for p in pages[:2]] == ["slice_0000.tif", "slice_0001.tif"]
    stack = np.stack([tifffile.imread(p) for p in pages])
    assert (stack == m.values).all()
    side = json.loads((out / "scan.json").read_text())
    assert side["spacing_mm_zyx"] == [0.5, 0.4, 0.4]
    assert side["invented"] is True
    truth = json.loads((out / "truth" / "truth.json").read_text())
    assert truth == json.loads(json.dumps(m.truth))
    assert "nvented" in truth["note"]
    for name, volume in (("labels", m.labels), ("tissue", m.tissue)):
        image = nib.load(out / "truth" / f"{name}.nii.gz")
        data = np.asarray(image.dataobj)
        # NIfTI index is (column, row, slice)
        assert (data == volume.transpose(2, 1, 0)).all()
        assert np.diag(image.affine)[:3].tolist() == pytest.approx([0.4, 0.4, 0.5])
        assert data.dtype == volume.dtype


def test_nothing_is_left_when_it_is_stopped(tmp_path: Path) -> None:
    def stop(what: str, share: float) -> None:
        if what == "write truth":
            raise Cancelled

    with pytest.raises(Cancelled):
        make(PRESET, tmp_path / "out", voxel_mm=SIZE, progress=stop)
    assert list(tmp_path.iterdir()) == []


def test_what_is_there_is_not_overwritten(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "mine.txt").write_text("mine")
    with pytest.raises(OssicleError, match="already"):
        make(PRESET, tmp_path / "out", voxel_mm=SIZE)
    assert (tmp_path / "out" / "mine.txt").read_text() == "mine"


def test_bad_requests_are_one_sentence(tmp_path: Path) -> None:
    for call in (
        lambda: make("unicorn-adult", tmp_path / "a"),
        lambda: make(PRESET, tmp_path / "a", voxel_mm=-1.0),
        lambda: make(PRESET, tmp_path / "a", voxel_mm=(0.1, 0.1, float("nan"))),
    ):
        with pytest.raises(OssicleError) as e:
            call()
        assert str(e.value).count("\n") == 0
    assert list(tmp_path.iterdir()) == []


def test_progress_is_told(tmp_path: Path) -> None:
    seen: list[tuple[str, float]] = []
    make(PRESET, tmp_path / "out", voxel_mm=SIZE, progress=lambda w, s: seen.append((w, s)))
    assert len({w for w, _ in seen}) >= 5
    assert all(0 <= s <= 1 for _, s in seen)


def test_presets_are_listed_with_their_title() -> None:
    listed = presets()
    for name in (
        "carnivore-like-newborn",
        "carnivore-like-juvenile",
        "carnivore-like-adult",
        "metatherian-juvenile",
        "metatherian-adult",
    ):
        assert "invented" in listed[name].title
