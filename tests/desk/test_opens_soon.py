"""What a desk keeps so that a specimen opens soon again; and that a stage is set without the libraries that read."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from ossicle.collection import Collection, readings
from ossicle.desk.rows import Rows
from ossicle.desk.workbench import Workbench

HEAVY = ("scipy", "skimage", "cc3d", "onnxruntime", "nibabel", "alembic")
SET = """
import sys
from pathlib import Path
from ossicle.collection import Collection, readings
from ossicle.desk.app import make_app
from ossicle.desk.drawn import Drawn
from ossicle.desk.rows import Rows
from ossicle.desk.specimen import specimen_view
from ossicle.desk.workbench import Workbench
with Collection.open(Path(sys.argv[1])) as held:
    make_app(held)
    bench = Workbench(held)
    folder = held.layout.root / "drawn"
    specimen_view(bench.shown(1), "A. Reader")
    Drawn(bench, folder).glb(bench.shown(1))
    Rows(folder).of(bench.shown(1))
print(*sorted(set(sys.argv[2:]) & set(sys.modules)))
"""


def test_a_stage_is_set_again_without_what_reads(desk, folder: Path) -> None:  # type: ignore[no-untyped-def]
    told = desk.get("/specimens/1")
    assert desk.web.get(told["surfaces_url"]).status_code == 200
    desk.get("/specimens/1/rows")
    done = subprocess.run(
        [sys.executable, "-c", SET, str(folder), *HEAVY], capture_output=True, text=True, check=True, timeout=300
    )
    assert done.stdout.split() == []


@pytest.mark.parametrize("harm", [None, "damaged", "of another shape"])
def test_rows_and_boxes_are_the_same_from_what_was_kept(
    folder: Path, harm: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn = folder / "drawn"
    monkeypatch.setattr(readings, "_boxes", lambda data, shape: None)  # as of a reading that was kept without boxes
    with Collection.open(folder) as held:
        bench = Workbench(held)
        first, boxes = Rows(drawn).of(bench.shown(1)), bench.shown(1).boxes
        (kept,) = drawn.glob("*-rows-*.json")
        (edges,) = drawn.glob("*-boxes.json")
        if harm == "damaged":
            kept.write_bytes(kept.read_bytes()[:-40])
            edges.write_bytes(b"{")
        elif harm == "of another shape":
            edges.write_text(json.dumps({**json.loads(edges.read_text()), "shape": [1, 2, 3]}))
        again = Workbench(held)
        shown = again.shown(1)
        assert shown.boxes == boxes
        assert Rows(drawn).of(shown) == first
        # What is read late is what was read.
        labels = held.reading("#1").reading.labels
        np.testing.assert_array_equal(np.asarray(shown.labels), np.asarray(labels))
        np.testing.assert_array_equal(shown.labels[3:9, 2:5, 4], np.asarray(labels)[3:9, 2:5, 4])
