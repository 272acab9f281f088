"""The speed bench's own arithmetic and yardstick."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pytest

from benchmarks import reference, runner, speed


def test_growth_exponent_of_known_laws() -> None:
    sizes = [64, 128, 256]
    assert speed.exponent(sizes, [s**3 * 1e-6 for s in sizes]) == pytest.approx(1)
    assert speed.exponent(sizes, [s**6 * 1e-9 for s in sizes]) == pytest.approx(2)
    assert np.isnan(speed.exponent([64], [1.0]))


def test_run_measured_sees_memory_and_exit_code() -> None:
    mine = bytearray(500 << 20)  # what this process holds is not the other's
    mine[:: 1 << 12] = b"x" * len(mine[:: 1 << 12])
    code, message, seconds, peak = runner.run_measured(
        [
            sys.executable,
            "-c",
            "import sys, time; b = bytearray(200 << 20); print('why', file=sys.stderr); time.sleep(0.3); sys.exit(2)",
        ]
    )
    assert (code, message) == (2, "why")
    assert 200 < peak < 400
    assert seconds > 0


def test_run_measured_stops_what_takes_too_long() -> None:
    code, _, seconds, _ = runner.run_measured([sys.executable, "-c", "import time; time.sleep(60)"], limit=0.5)
    assert code == 124
    assert seconds < 10


def test_reference_finds_dense_cores_in_bone(tmp_path: Path) -> None:
    rng = np.random.default_rng(0)
    v = rng.normal(100, 5, (40, 40, 40))
    v[8:32, 8:32, 8:32] += 500
    for c in (14, 26):
        v[c - 3 : c + 3, 12:18, 12:18] += 600
    parts, seconds = reference.read(v.astype(np.uint16))
    assert parts[14, 14, 14] != parts[26, 14, 14]
    assert parts[14, 14, 14] > 0
    assert parts[0, 0, 0] == 0
    assert set(seconds) >= {"smooth", "watershed", "measures"}


def test_cube_fills_its_volume(tmp_path: Path) -> None:
    slices = speed.cube(48, tmp_path / "c")
    assert len(list(slices.glob("*.tif"))) == 48
    spacing = json.loads((tmp_path / "c" / "scan.json").read_text())["spacing_mm_zyx"][0]
    assert 15 < spacing * 48 < 40
    assert speed.cube(48, tmp_path / "c") == slices


def test_page_states_missed_aims() -> None:
    row = {
        "size": 256,
        "mvoxel": 16.8,
        "ossicle": {"seconds": 31.0, "peak_mb": 900.0},
        "plain": {"seconds": 60.0, "peak_mb": 1.0},
    }
    assert speed.aim(row).count("**missed**") == 2
    row["ossicle"] = {"seconds": 14.0, "peak_mb": 900.0}
    assert speed.aim(row).count("met") == 2


def test_the_command_passes_on_the_exit_code_of_ossicle() -> None:
    code, message, _, _ = runner.run_measured([*runner.COMMAND, "read", "/no/such/folder", "--out", "/no/such/out"])
    assert code == 2
    assert message
