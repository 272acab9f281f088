"""The same input gives the same output, whatever the threads; turning or mirroring the stack swaps no sides."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from benchmarks.score_labels import load_volume
from cli_tools import write_stack

from ossicle.cli import main

VOXEL = 0.12
"""mm; coarser than small teeth need, but enough for a pose and the larger teeth, and quick."""

pytestmark = pytest.mark.slow
Reader = Callable[..., Path]


@pytest.fixture(scope="module")
def specimen(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("coarse") / "juvenile"
    words = ["carnivore-like-juvenile", "--out", str(out), "--voxel", str(VOXEL), "--threads", "1"]
    assert main(["practice", "make", *words]) == 0
    return out


@pytest.fixture(scope="module")
def once(specimen: Path, tmp_path_factory: pytest.TempPathFactory, whole_cache: Path) -> Path:
    out = tmp_path_factory.mktemp("once") / "out"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("OSSICLE_CACHE", str(whole_cache))
        assert main(["read", str(specimen / "slices"), "--out", str(out), "--threads", "1"]) == 0
    return out


def account(folder: Path) -> dict[str, Any]:
    data: dict[str, Any] = json.loads((folder / "account.json").read_text())
    return data


def without_machine(data: dict[str, Any]) -> dict[str, Any]:
    """The account less what tells of the machine: time, memory, threads."""
    made_by = {k: v for k, v in data["made_by"].items() if k not in {"seconds", "peak_mb", "stages"}}
    made_by["settings"] = {k: v for k, v in made_by["settings"].items() if k != "threads"}
    return {**data, "made_by": made_by}


def test_two_threads_a_cold_cache_and_the_scan_in_memory_change_nothing(
    specimen: Path, once: Path, tmp_path: Path
) -> None:
    """A scan is read slab by slab where it lies; held in memory as one array it must give the same, byte for byte."""
    out = tmp_path / "out"
    program = (
        "import sys; import ossicle.account.run as run; run.greys_of = lambda scan: scan.grey(scan.array()); "
        "from ossicle.cli import main; sys.exit(main())"
    )
    subprocess.run(  # a process of its own: pools of threads are set up once
        [sys.executable, "-c", program, "read", specimen / "slices", "--out", out, "--threads", "2"],
        env={**os.environ, "OSSICLE_CACHE": str(tmp_path / "cache")},
        check=True,
        capture_output=True,
        timeout=600,
    )
    assert account(once)["teeth"], "a reading without teeth tells nothing"
    assert account(out)["teeth"] == account(once)["teeth"]
    assert without_machine(account(out)) == without_machine(account(once))
    assert (out / "parts.nii.gz").read_bytes() == (once / "parts.nii.gz").read_bytes()
    assert (out / "dentition.csv").read_bytes() == (once / "dentition.csv").read_bytes()


def sides(labels: np.ndarray, true_labels: np.ndarray, truth: dict[str, Any], said: dict[str, Any]) -> list[bool]:
    """For each tooth read that lies mostly on a true tooth: whether its side is that tooth's."""
    true_side = {t["label"]: t["side"] for t in truth["teeth"]}
    out = []
    for tooth in said["teeth"]:
        under = np.bincount(true_labels[labels == tooth["part"]])
        best = max(true_side, key=lambda label: under[label] if label < len(under) else 0)
        if best < len(under) and under[best] > 0.5 * under.sum():
            out.append(tooth["side"] == true_side[best])
    return out


@pytest.mark.parametrize("how", ["as it is", "turned", "mirrored"])
def test_sides_follow_the_specimen(specimen: Path, once: Path, tmp_path: Path, how: str) -> None:
    """A quarter turn of the stack, or a mirrored export told with --mirrored, must leave left and right right."""
    truth = json.loads((specimen / "truth" / "truth.json").read_text())
    true_labels = load_volume(specimen / "truth" / "labels.nii.gz")
    out = once
    if how != "as it is":
        grey = np.stack([tifffile.imread(p) for p in sorted((specimen / "slices").glob("*.tif"))])

        def moved(volume: np.ndarray) -> np.ndarray:
            if how == "mirrored":
                return np.ascontiguousarray(volume[:, :, ::-1])
            return np.ascontiguousarray(np.rot90(np.rot90(volume, axes=(1, 2)), axes=(0, 1)))

        source, out = write_stack(tmp_path / "s", moved(grey), spacing=VOXEL), tmp_path / "out"
        told = ["--mirrored"] if how == "mirrored" else []
        assert main(["read", str(source), "--out", str(out), "--threads", "1", *told]) == 0
        shutil.rmtree(source)
        true_labels = moved(true_labels)
    right = sides(load_volume(out / "parts.nii.gz"), true_labels, truth, account(out))
    assert len(right) >= 15
    assert np.mean(right) >= 0.9
