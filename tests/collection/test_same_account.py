"""What a collection says of a scan is what `ossicle read` says of it: palate, jaw, ear and enamel too, boxed or not."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from nibabel.loadsave import load as load_nifti
from sketch import SHAPE, sketch_reading
from stacks import write_scan
from test_regions import structures

from ossicle.account import account_to_json
from ossicle.account.run import read_to_folder
from ossicle.collection import Collection, PlaceLandmark, Redo, Undo
from ossicle.collection.packing import Mask, pack, unpack
from ossicle.reading import hints as h
from ossicle.reading.records import Reading
from ossicle.reading.structures import EnamelThickness, Structures

VALUES = np.random.default_rng(0).integers(0, 900, SHAPE, np.uint16)
BOX = ((4, SHAPE[0] + 4), (6, SHAPE[1] + 6), (8, SHAPE[2] + 8))
OFFSET = (2.0, 1.5, 1.0)  # of the box, mm (x, y, z)


@pytest.fixture(scope="module")
def drawn() -> Reading:
    plain = sketch_reading()
    enamel = (plain.labels > 0) & (np.random.default_rng(1).random(SHAPE) < 0.3)
    caps = {plain.teeth[3].part: EnamelThickness(0.21, 0.33, 0.02, 3.5, 0.08)}
    return replace(plain, structures=replace(structures(), enamel=caps), enamel=enamel)


@pytest.fixture
def given(drawn: Reading, monkeypatch: pytest.MonkeyPatch) -> list[h.Hints]:
    """Put the drawn reading in place of the real one; the hints that it was given, one reading after another."""
    seen: list[h.Hints] = []

    def read(volume: np.ndarray, spacing: object, *, hints: h.Hints | None = None, **_: object) -> Reading:
        assert volume.shape == SHAPE
        seen.append(hints or h.Hints())
        assert drawn.structures is not None
        matrix = np.asarray(drawn.pose.scan_to_skull, float)
        placed = {p.name: (matrix @ [*p.point_mm, 1.0])[:3] for p in seen[-1].landmarks}
        return replace(drawn, structures=replace(drawn.structures, landmarks={**drawn.structures.landmarks, **placed}))

    monkeypatch.setattr("ossicle.reading.read", read)
    return seen


def said_by(account_json: str) -> dict[str, Any]:
    """Return an account's data without what the reading cost and how it was asked for."""
    data: dict[str, Any] = json.loads(account_json)
    data.pop("made_by")
    return data


def without_scan_place(data: dict[str, Any]) -> dict[str, Any]:
    """Return an account's data without what is told in scan mm, and without the scan."""
    out = {k: v for k, v in data.items() if k not in ("scan", "pose")}
    text = json.loads(json.dumps(out))
    for rows, names in (
        ("teeth", ["centroid_mm_xyz"]), ("parts", ["centroid_mm_xyz"]), ("openings", ["centroid_mm_xyz"]),
        ("measurements", ["landmarks"]), ("landmarks", ["point_mm_xyz"]),
    ):  # fmt: skip
        for row in text[rows]:
            for name in names:
                row.pop(name)
    for jaw in text["jaw"]:
        for foramen in jaw["mental_foramina"]:
            foramen.pop("centroid_mm_xyz")
    text["findings"] = [f for f in text["findings"] if f["region"] != "scan"]
    return dict(text)


def test_the_account_of_a_collection_is_that_of_read(tmp_path: Path, given: list[h.Hints]) -> None:
    source = write_scan(tmp_path / "a", values=VALUES)
    alone = tmp_path / "alone"
    read_to_folder(source, alone)
    with Collection.create(tmp_path / "c") as cabinet:
        cabinet.take_in(source, {"catalogNumber": "OTC 1"})
        cabinet.work_on(cabinet.queue("OTC 1", threads=1).id)
        cabinet.export("OTC 1", tmp_path / "held")
    with Collection.open(tmp_path / "c") as cabinet:
        kept = cabinet.account("OTC 1")
    held = tmp_path / "held"
    ours, theirs = (said_by((folder / "account.json").read_text(encoding="utf-8")) for folder in (held, alone))
    assert ours == theirs
    assert said_by(account_to_json(kept)) == theirs
    assert {f["region"] for f in ours["findings"]} >= {"palate", "jaw", "ear", "braincase", "measurements"}
    assert any(f["method"] == "measures.enamel" for f in ours["findings"])
    for name in ("enamel.nii.gz", "parts.nii.gz"):
        a, b = (np.asarray(load_nifti(folder / name).dataobj) for folder in (held, alone))  # type: ignore[attr-defined]
        assert a.any()
        np.testing.assert_array_equal(a, b)
    pages = [(folder / "account.html").read_text(encoding="utf-8") for folder in (held, alone)]
    assert [p.count("<svg") for p in pages] == [pages[0].count("<svg")] * 2
    assert pages[0].count("data:image") == pages[1].count("data:image")


def test_a_boxed_reading_says_what_the_box_alone_says(tmp_path: Path, given: list[h.Hints], drawn: Reading) -> None:
    whole = np.zeros(tuple(b for _, b in BOX), np.uint16)
    whole[tuple(slice(a, b) for a, b in BOX)] = VALUES
    read_to_folder(write_scan(tmp_path / "cut", values=VALUES), tmp_path / "alone")
    with Collection.create(tmp_path / "c") as cabinet:
        cabinet.take_in(write_scan(tmp_path / "a", values=whole), {"catalogNumber": "OTC 1"}, box_zyx=BOX)
        assert cabinet.work_on(cabinet.queue("OTC 1", threads=1).id).state == "done"
        kept, account = cabinet.reading("OTC 1"), cabinet.account("OTC 1")
        cabinet.decide("OTC 1", PlaceLandmark("basion", (5.0, 4.5, 3.0)), who="A. Reader")
        cabinet.work_on(cabinet.queue("OTC 1", threads=1).id)
    theirs = json.loads((tmp_path / "alone" / "account.json").read_text(encoding="utf-8"))
    ours = json.loads(account_to_json(account))
    assert without_scan_place(said_by(json.dumps(ours))) == without_scan_place(said_by(json.dumps(theirs)))
    for a, b in zip(ours["landmarks"], theirs["landmarks"], strict=True):
        np.testing.assert_allclose(np.subtract(a["point_mm_xyz"], b["point_mm_xyz"]), OFFSET, atol=2e-4)
    for a, b in zip(ours["openings"], theirs["openings"], strict=True):
        np.testing.assert_allclose(np.subtract(a["centroid_mm_xyz"], b["centroid_mm_xyz"]), OFFSET, atol=2e-4)
    enamel = np.asarray(kept.reading.enamel)
    assert enamel.shape == whole.shape
    np.testing.assert_array_equal(enamel[tuple(slice(a, b) for a, b in BOX)], drawn.enamel)
    assert enamel.sum() == np.asarray(drawn.enamel).sum()
    # What was said in the whole is told to the reading in the box.
    (placed,) = given[-1].landmarks
    np.testing.assert_allclose(placed.point_mm, np.subtract((5.0, 4.5, 3.0), OFFSET))


def test_a_placed_landmark_shows_at_once_and_the_next_reading_is_given_it(tmp_path: Path, given: list[h.Hints]) -> None:
    def marks(cabinet: Collection) -> dict[str, tuple[list[float], str]]:
        return {m["name"]: (m["point_mm_xyz"], m["decided_by"]) for m in cabinet.account("OTC 1").landmarks}

    with Collection.create(tmp_path / "c") as cabinet:
        cabinet.take_in(write_scan(tmp_path / "a", values=VALUES), {"catalogNumber": "OTC 1"})
        cabinet.work_on(cabinet.queue("OTC 1", threads=1).id)
        computed = marks(cabinet)
        name = next(iter(computed))
        assert computed[name][1] == "computed"
        cabinet.decide("OTC 1", PlaceLandmark(name, (4.0, 4.0, 4.0)), who="A. Reader")
        cabinet.decide("OTC 1", PlaceLandmark(name, (5.0, 4.0, 4.0)), who="A. Reader", why="further to the side")
        cabinet.decide("OTC 1", PlaceLandmark("nick of the old knife", (6.0, 5.0, 4.0)), who="A. Reader")
        told = cabinet.replayed("OTC 1")
        assert [f.holds for f in told.fates] == ["superseded", "in force", "in force"]
        assert told.stale
        assert any("a new reading" in w for w in told.account.warnings)
        expected = {**computed, name: ([5.0, 4.0, 4.0], "person"), "nick of the old knife": ([6.0, 5.0, 4.0], "person")}
        assert marks(cabinet) == expected
        cabinet.work_on(cabinet.queue("OTC 1", threads=1).id)
        assert {(p.name, p.point_mm) for p in given[-1].landmarks} == {
            (name, (5.0, 4.0, 4.0)), ("nick of the old knife", (6.0, 5.0, 4.0)),
        }  # fmt: skip
        assert not cabinet.replayed("OTC 1").stale
        assert marks(cabinet) == expected
        # Undone, the place that a person gave is not told as computed.
        cabinet.decide("OTC 1", Undo(3), who="A. Reader")
        assert "nick of the old knife" not in marks(cabinet)
        assert cabinet.replayed("OTC 1").stale
        cabinet.decide("OTC 1", Redo(3), who="A. Reader")
        assert marks(cabinet) == expected


def same(a: Any, b: Any) -> None:
    """Assert that two records are the same, arrays and numbers that are none among them."""
    if hasattr(a, "__dataclass_fields__"):
        assert type(a) is type(b)
        for name in a.__dataclass_fields__:
            same(getattr(a, name), getattr(b, name))
    elif isinstance(a, dict):
        assert set(a) == set(b)
        for key in a:
            same(a[key], b[key])
    elif isinstance(a, tuple | list):
        assert len(a) == len(b)
        for x, y in zip(a, b, strict=True):
            same(x, y)
    elif isinstance(a, np.ndarray):
        assert a.dtype == b.dtype
        np.testing.assert_array_equal(a, b)
    else:
        assert a == b or (a != a and b != b)


def test_structures_come_back_as_they_were() -> None:
    found = structures()
    odd = replace(
        found,
        enamel={7: EnamelThickness(0.2, float("nan"), 0.01, 3.0, 0.1)},
        jaws=(*found.jaws, replace(found.jaws[0], angle=None, condyle=None, length_mm=None)),
    )
    arrays: dict[str, Any] = {}
    data = json.loads(json.dumps(pack(odd, arrays, "structures"), allow_nan=False))
    same(odd, unpack(Structures, data, arrays))


@pytest.mark.parametrize("share", [0.0, 0.02, 1.0])
def test_a_mask_comes_back_as_it_was(share: float) -> None:
    whole = np.random.default_rng(3).random((9, 7, 5)) < share
    kept = Mask.of(whole)
    np.testing.assert_array_equal(np.asarray(kept), whole)
    np.testing.assert_array_equal(np.asarray(kept, np.uint8), whole.astype(np.uint8))
    assert (kept.shape, kept[2, 3].tolist()) == (whole.shape, whole[2, 3].tolist())
