"""One practice specimen all the way: made, read through the command line, scored against its truth.

The floors are well below what the reading reaches on this specimen (benchmarks/accuracy.py measures that over many);
they stand for "the whole way still works", and fail where a stage breaks. Label statistics are checked against
SimpleITK's LabelShapeStatisticsImageFilter, which shares no code with this project's own counting.
"""

from __future__ import annotations

import base64
import io
import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import SimpleITK as sitk
from benchmarks.score_labels import load_volume
from benchmarks.scoring import SpecimenScore, score
from cli_tools import Run
from PIL import Image

from ossicle.account import schema
from ossicle.cli import main

PRESET = "carnivore-like-juvenile"
pytestmark = pytest.mark.slow


@dataclass(frozen=True)
class Read:
    """A specimen's folder, the folder of its reading, and what both hold."""

    specimen: Path
    out: Path
    truth: dict[str, Any]
    account: dict[str, Any]
    score: SpecimenScore


@pytest.fixture(scope="module")
def juvenile(tmp_path_factory: pytest.TempPathFactory, whole_cache: Path) -> Read:
    at = tmp_path_factory.mktemp("juvenile")
    specimen, out = at / PRESET, at / "reading"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("OSSICLE_CACHE", str(whole_cache))
        assert main(["practice", "make", PRESET, "--out", str(specimen), "--threads", "1"]) == 0
        assert main(["read", str(specimen / "slices"), "--out", str(out), "--threads", "1"]) == 0
    truth = json.loads((specimen / "truth" / "truth.json").read_text())
    account = json.loads((out / "account.json").read_text())
    true_labels = load_volume(specimen / "truth" / "labels.nii.gz")
    labels = load_volume(out / "parts.nii.gz")
    return Read(specimen, out, truth, account, score(truth, account, true_labels, labels))


def test_the_account_is_whole(juvenile: Read, run: Callable[..., Run]) -> None:
    account, truth = juvenile.account, juvenile.truth
    jsonschema.validate(account, schema(), cls=jsonschema.Draft202012Validator)
    assert account["scan"]["shape_zyx"] == truth["scan"]["shape_zyx"]
    assert account["scan"]["spacing_mm_zyx"] == pytest.approx(truth["scan"]["spacing_mm_zyx"])
    assert account["made_by"]["settings"]["source"] == f"{PRESET}/slices"
    assert account["pose"]["found"] is True
    said = run("account", juvenile.out)
    assert said.code == 0
    assert said.out.count("row carries") == 4
    assert "Dental formula" in said.out


def test_the_pictures_show_something(juvenile: Read) -> None:
    """Bone and teeth stand out from the surround in every picture of the account."""
    page = (juvenile.out / "account.html").read_text(encoding="utf-8")
    found = re.findall(r"data:image/png;base64,([A-Za-z0-9+/=]+)", page)
    assert len(found) >= 8
    for data in found:
        picture = np.asarray(Image.open(io.BytesIO(base64.b64decode(data))).convert("L"), float)
        assert picture.std() > 20
        assert np.median(picture) < 230


def test_teeth_are_found_and_few_invented(juvenile: Read) -> None:
    got = juvenile.score
    assert got.true_teeth >= 60, "the specimen is no longer the one these floors were set on"
    assert got.found >= 0.7 * got.true_teeth
    assert got.false_teeth <= 4
    assert np.median([t.dice for t in got.teeth if t.part is not None]) >= 0.7


def test_teeth_are_named(juvenile: Read) -> None:
    got = juvenile.score
    assert got.locus_right >= 0.35 * got.found
    assert got.generation_right >= 0.7 * got.found
    assert got.emergence_right >= 0.7 * got.found
    assert got.pairs_right >= 1


def test_left_and_right_are_the_specimen_s_own(juvenile: Read) -> None:
    """The specimen lies askew in the scan; sides must come from its own frame."""
    turned = np.asarray(juvenile.truth["pose"]["scan_to_skull"], float)[:3, :3]
    assert np.degrees(np.arccos(np.clip((np.trace(turned) - 1) / 2, -1, 1))) > 5, "it lies straight"
    assert juvenile.score.sides_swapped is False
    assert juvenile.score.pose_error_deg is not None
    assert juvenile.score.pose_error_deg < 15
    said = {t["part"]: t["side"] for t in juvenile.account["teeth"]}
    found = [t for t in juvenile.score.teeth if t.part is not None]
    wrong = [t.name for t in found if said[t.part] != t.side]
    assert len(wrong) <= 0.05 * len(found), wrong


def test_label_statistics_agree_with_a_reference_library(juvenile: Read) -> None:
    """Volumes and centroids in the account against SimpleITK's LabelShapeStatisticsImageFilter on parts.nii.gz."""
    image = sitk.Cast(sitk.ReadImage(str(juvenile.out / "parts.nii.gz")), sitk.sitkUInt32)
    # NIfTI's world axes are RAS, ITK's LPS: statistics are taken on the grid itself, spacing kept.
    image.SetDirection(np.eye(3).ravel().tolist())
    image.SetOrigin((0.0, 0.0, 0.0))
    assert image.GetSpacing() == pytest.approx(juvenile.account["scan"]["spacing_mm_zyx"][::-1], rel=1e-5)
    reference = sitk.LabelShapeStatisticsImageFilter()
    reference.Execute(image)
    parts = {p["part"]: p for p in juvenile.account["parts"]}
    assert set(reference.GetLabels()) == set(parts)
    voxel = float(np.prod(juvenile.account["scan"]["spacing_mm_zyx"]))
    for label, part in parts.items():
        assert reference.GetNumberOfPixels(label) == pytest.approx(part["volume_mm3"] / voxel, rel=1e-4, abs=0.5)
        assert reference.GetPhysicalSize(label) == pytest.approx(
            part["volume_mm3"], rel=1e-4, abs=1e-6
        )  # as it is rounded
        np.testing.assert_allclose(reference.GetCentroid(label), part["centroid_mm_xyz"], atol=1e-3)
    low, high = np.zeros(3), np.array(image.GetSize()) * image.GetSpacing()
    teeth = {t["part"] for t in juvenile.account["teeth"]}
    assert teeth == {n for n, p in parts.items() if p["kind"] == "tooth"}
    for tooth in juvenile.account["teeth"]:
        # A tooth's own centroid comes from the working grid: within a voxel of the one on the scan's grid.
        step = max(juvenile.account["scan"]["spacing_mm_zyx"])
        np.testing.assert_allclose(tooth["centroid_mm_xyz"], reference.GetCentroid(tooth["part"]), atol=step)
        assert (np.array(tooth["centroid_mm_xyz"]) > low).all()
        assert (np.array(tooth["centroid_mm_xyz"]) < high).all()
