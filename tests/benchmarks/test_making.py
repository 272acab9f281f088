"""The figure of how long making takes: measured on a real specimen, and told honestly."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from benchmarks import making


def test_a_specimen_is_made_and_measured(tmp_path: Path) -> None:
    assert making.main(["--presets", "edentulous-newborn", "--voxel", "0.8", "--docs", str(tmp_path)]) == 0
    (row,) = json.loads((tmp_path / "making.json").read_text())["rows"]
    assert row["seconds"] > 0.3
    assert row["processor_seconds"] > 0.3
    assert row["peak_mb"] > 30
    assert "edentulous-newborn" in (tmp_path / "making.md").read_text()
    with pytest.raises(RuntimeError, match="not made"):
        making.measure(["unicorn-adult"], 0.8, 1)


def test_a_missed_aim_is_said() -> None:
    made = dict.fromkeys(("version", "commit", "date", "machine", "threads", "remark"), "") | {"voxel_mm": 0.15}
    row = {"preset": "a", "shape_zyx": [1, 2, 3], "seconds": 31.0, "peak_mb": 10.0, "processor_seconds": 20.0}
    assert "**missed**" in making.page([row], made)
    assert "met." in making.page([{**row, "seconds": 29.0}], made)
