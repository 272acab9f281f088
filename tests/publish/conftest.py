"""A hand-drawn specimen as this layer takes it, and the folder that a reading of it would have left."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import nibabel as nib
import numpy as np
import pytest

sys.path.append(str(Path(__file__).parent.parent / "account"))
sys.path.append(str(Path(__file__).parent.parent / "cli"))
sys.path.append(str(Path(__file__).parent.parent / "desk"))
sys.path.append(str(Path(__file__).parent))

from desk_world import drawn
from sketch import MADE_BY, SPACING, scan_facts

from ossicle.account import account_to_json, build_account
from ossicle.compare import Compared, from_folder
from ossicle.reading.records import Reading


@pytest.fixture(autouse=True)
def _own_place(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("OSSICLE_CACHE", str(tmp_path_factory.getbasetemp() / "cache"))


@pytest.fixture(scope="session")
def sketched() -> Reading:
    return drawn()[0]


@pytest.fixture(scope="session")
def folder(sketched: Reading, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What `ossicle read --out` leaves, of the sketch."""
    place = tmp_path_factory.mktemp("published") / "juvenile"
    place.mkdir()
    facts = scan_facts()
    account = build_account(sketched, facts, replace(MADE_BY, settings={"source": "sketch (invented)"}))
    (place / "account.json").write_text(account_to_json(account), encoding="utf-8")
    image = nib.Nifti1Image(sketched.labels.astype(np.int16).transpose(2, 1, 0), np.diag([SPACING] * 3 + [1]))
    nib.save(image, place / "parts.nii.gz")
    return place


@pytest.fixture(scope="session")
def specimen(folder: Path) -> Compared:
    return from_folder(folder)
