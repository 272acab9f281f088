"""What a desk keeps so that a specimen opens soon again; and that a stage is set without the libraries that read."""

from __future__ import annotations

import json
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

from ossicle.collection import Collection, readings
from ossicle.desk import specimen as views
from ossicle.desk.drawn import Drawn
from ossicle.desk.laid_out import lay_out
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


def test_persons_who_ask_at_once_get_one_answer_and_each_their_own_undoing(
    desk, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:  # type: ignore[no-untyped-def]
    desk.decide(kind="agree", finding="formula/counts")
    made: list[int] = []
    common = views._common
    monkeypatch.setattr(views, "_common", lambda shown: made.append(1) or common(shown))
    with Collection.open(folder) as held:
        shown = Workbench(held).shown(1)
        who = shown.decisions[-1].who
        with ThreadPoolExecutor(6) as pool:
            asked = [who, "Somebody Else"] * 6
            answers = [json.loads(b) for b in pool.map(lambda name: views.specimen_json(shown, name), asked)]
        assert len(made) == 1
        for name, answer in zip(asked, answers, strict=True):
            assert answer == json.loads(json.dumps(views.specimen_view(shown, name)))
        assert answers[0]["undoable"]
        assert not answers[1]["undoable"]


def test_surfaces_made_after_a_reading_are_those_the_desk_makes(
    desk, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:  # type: ignore[no-untyped-def]
    url = desk.get("/specimens/1")["surfaces_url"]
    shown = desk.web.get(url).content
    for kept in (folder / "drawn").glob("*"):
        kept.unlink()
    with Collection.open(folder) as held:
        lay_out(held, 1)
        (file,) = (folder / "drawn").glob("*.glb")
        assert file.read_bytes()[32:] == shown
        monkeypatch.setattr(Drawn, "_make", lambda self, shown: pytest.fail("made again"))
        assert Drawn(Workbench(held), folder / "drawn").glb(Workbench(held).shown(1)) == shown
        file.write_bytes(file.read_bytes()[:-1])  # damaged: put together again from the kept surfaces
        assert Drawn(Workbench(held), folder / "drawn").glb(Workbench(held).shown(1)) == shown
