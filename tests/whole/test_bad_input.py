"""Bad input, through the program as a person starts it: one sentence, exit code 2, nothing written."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import tifffile
from cli_tools import write_stack

PROGRAM = [sys.executable, "-c", "import sys; from ossicle.cli import main; sys.exit(main())"]


def started(*words: object) -> subprocess.CompletedProcess[str]:
    """Run the program in a process of its own, with a terminal too wide to break a sentence."""
    return subprocess.run(
        [*PROGRAM, *map(str, words)],
        capture_output=True,
        text=True,
        env={**os.environ, "COLUMNS": "500", "NO_COLOR": "1"},
        timeout=120,
    )


def grey() -> np.ndarray:
    return np.random.default_rng(0).integers(0, 900, (24, 30, 20), np.uint16)


def constant(at: Path) -> Path:
    return write_stack(at / "s", np.full((32, 32, 32), 7, np.uint16))


def all_nan(at: Path) -> Path:
    return write_stack(at / "s", np.full((32, 32, 32), np.nan, np.float32))


def empty_folder(at: Path) -> Path:
    (at / "s").mkdir()
    return at / "s"


def one_slice(at: Path) -> Path:
    return write_stack(at / "s", grey()[:1])


def mixed_sizes(at: Path) -> Path:
    source = write_stack(at / "s", grey())
    tifffile.imwrite(source / "slice_0007.tif", grey()[0, :10, :10])
    return source


def truncated(at: Path) -> Path:
    source = write_stack(at / "s", grey())
    bad = source / "slice_0011.tif"
    bad.write_bytes(bad.read_bytes()[: bad.stat().st_size // 2])
    return source


def negative_spacing(at: Path) -> Path:
    source = write_stack(at / "s", grey(), spacing=None)
    (source / "scan.json").write_text(json.dumps({"spacing_mm_zyx": [-0.1, 0.1, 0.1]}))
    return source


def no_spacing(at: Path) -> Path:
    return write_stack(at / "s", grey(), spacing=None)


def missing(at: Path) -> Path:
    return at / "nowhere.nii"


def no_picture(at: Path) -> Path:
    (at / "letter.txt").write_text("Dear colleague")
    return at / "letter.txt"


@pytest.mark.parametrize(
    ("make", "told"),
    [
        (constant, "every voxel has the value 7"),
        (all_nan, "finite|NaN|not a number|numbers"),
        (empty_folder, "empty"),
        (one_slice, "slice"),
        (mixed_sizes, "slice_0007"),
        (truncated, "slice_0011"),
        (negative_spacing, "spacing"),
        (no_spacing, "--spacing"),
        (missing, "nowhere.nii"),
        (no_picture, "letter.txt"),
    ],
)
def test_one_sentence_and_nothing_written(make, told: str, tmp_path: Path) -> None:
    source = make(tmp_path)
    before = sorted(p.relative_to(tmp_path) for p in tmp_path.rglob("*"))
    got = started("read", source, "--out", tmp_path / "out", "--threads", 1)
    assert got.returncode == 2, got.stderr
    assert got.stdout == ""
    assert "Traceback" not in got.stderr
    sentence = got.stderr.strip().splitlines()[-1]
    assert re.search(told, sentence), sentence
    assert sentence.endswith("."), sentence
    assert sorted(p.relative_to(tmp_path) for p in tmp_path.rglob("*")) == before


def test_spaces_and_accents_in_paths(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    source = write_stack(tmp_path / "crâne d’été n° 1 [juvénile]", rng.integers(0, 900, (48, 48, 48), np.uint16))
    out = tmp_path / "compte rendu – été"
    got = started("read", source, "--out", out, "--threads", 1)
    assert got.returncode == 0, got.stderr
    assert sorted(p.name for p in out.iterdir()) == [
        "account.html",
        "account.json",
        "dentition.csv",
        "parts.nii.gz",
    ]
    kept = json.loads((out / "account.json").read_text())
    assert kept["made_by"]["settings"]["source"] == source.name
    assert started("account", out).returncode == 0
