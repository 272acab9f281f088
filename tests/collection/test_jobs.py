"""Readings in processes of their own: progress, cancelling, going on after the process is gone; and readings kept."""

from __future__ import annotations

import os
import signal
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from sketch import SHAPE, sketch_reading
from stacks import write_scan

from ossicle.collection import Agree, Collection, Rename
from ossicle.collection import jobs as job_module
from ossicle.errors import Cancelled, OssicleError
from ossicle.reading.records import Reading


@pytest.fixture
def cabinet(tmp_path: Path) -> Collection:
    made = Collection.create(tmp_path / "cabinet")
    made.take_in(write_scan(tmp_path / "a"), {"catalogNumber": "OTC 1"})
    return made


@pytest.fixture
def sketched(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Collection:
    """A collection of a scan whose reading is the hand-drawn one of the account's tests."""
    drawn = sketch_reading()
    monkeypatch.setattr("ossicle.reading.read", lambda volume, spacing, **_: drawn)
    values = np.random.default_rng(0).integers(0, 900, SHAPE, np.uint16)
    made = Collection.create(tmp_path / "cabinet")
    made.take_in(write_scan(tmp_path / "a", values=values), {"catalogNumber": "OTC 1"})
    made.work_on(made.queue("OTC 1", threads=1).id)
    return made


def test_a_reading_in_its_own_process(cabinet: Collection) -> None:
    told: list[tuple[str, float]] = []
    info = cabinet.read("OTC 1", threads=1, progress=lambda stage, share: told.append((stage, share)))
    assert (info.number, info.settings["dentition"], info.heeded) == (1, "auto", ())
    assert info.seconds > 0
    assert info.peak_mb > 10
    assert [j.state for j in cabinet.jobs()] == ["done"]
    account = cabinet.account("OTC 1")
    assert account.teeth == ()
    made = cabinet.decide("OTC 1", Agree("dentition/none"), who="A. Reader", why="it is noise")
    assert (made.number, made.reading) == (1, 1)
    assert next(f for f in cabinet.account("OTC 1").findings if f.id == "dentition/none").standing == "agreed"
    assert cabinet.check().faults == []


def test_waiting_and_running_jobs_can_be_cancelled(cabinet: Collection) -> None:
    waiting = cabinet.queue("OTC 1")
    assert cabinet.cancel(waiting.id).state == "cancelled"
    assert cabinet.work_on(waiting.id).state == "cancelled"

    def stop(stage: str, share: float) -> None:
        raise Cancelled

    running = cabinet.queue("OTC 1")
    assert cabinet.work_on(running.id, progress=stop).state == "cancelled"

    asked = cabinet.queue("OTC 1")
    cabinet.work_on(asked.id, progress=lambda stage, share: cabinet.cancel(asked.id) and None)
    assert cabinet.job(asked.id).state == "cancelled"
    assert cabinet.readings("OTC 1") == []
    assert cabinet.check().faults == []


def test_a_job_whose_process_is_gone_waits_again_and_is_not_read_twice(
    cabinet: Collection, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The process ends without a word between writing the reading and entering it."""
    job = cabinet.queue("OTC 1", threads=1)
    child = os.fork()
    if child == 0:
        try:
            job_module.enter = lambda *_: os.kill(os.getpid(), signal.SIGKILL)
            cabinet.catalogue.engine.dispose(close=False)
            cabinet.work_on(job.id)
        finally:
            os._exit(0)
    _, status = os.waitpid(child, 0)
    assert os.WTERMSIG(status) == signal.SIGKILL
    assert cabinet.check().faults == []  # what a job that will go on has left is no left-over
    assert [j.state for j in cabinet.jobs()] == ["waiting"]
    monkeypatch.setattr(job_module, "read_specimen", None)
    assert cabinet.work_on(job.id).state == "done"
    assert cabinet.check().faults == []


def test_two_workers_do_not_do_one_job_twice(cabinet: Collection) -> None:
    job = cabinet.queue("OTC 1", threads=1)
    inner: list[str] = []
    cabinet.work_on(job.id, progress=lambda stage, share: inner.append(cabinet.work_on(job.id).state))
    assert set(inner) == {"running"}
    assert len(cabinet.readings("OTC 1")) == 1


def test_failures_are_told(cabinet: Collection, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object, **__: object) -> None:
        raise OssicleError("the scan is upside down", mend="turn it")

    with monkeypatch.context() as patch:
        patch.setattr(job_module, "read_specimen", fails)
        ended = cabinet.work_on(cabinet.queue("OTC 1").id)
    assert (ended.state, ended.message) == ("failed", "the scan is upside down; turn it.")
    cabinet.add_specimen({"catalogNumber": "OTC 2"})
    with pytest.raises(OssicleError, match="has no scan"):
        cabinet.queue("OTC 2")
    with pytest.raises(OssicleError, match="not been read yet"):
        cabinet.account("OTC 2")


def same(a: Reading, b: Reading) -> None:
    np.testing.assert_array_equal(np.asarray(a.labels), np.asarray(b.labels))
    np.testing.assert_allclose(a.pose.scan_to_skull, b.pose.scan_to_skull)
    assert (a.teeth, a.parts, a.statistics) == (b.teeth, b.parts, b.statistics)
    assert (dict(a.formula), a.dentition, a.dentition_candidates) == (
        dict(b.formula),
        b.dentition,
        b.dentition_candidates,
    )
    assert set(a.views) == set(b.views)
    for x, y in zip(a.rows, b.rows, strict=True):
        np.testing.assert_array_equal(x.curve_skull_mm, y.curve_skull_mm)
        assert (x.jaw, x.side, x.parts) == (y.jaw, y.side, y.parts)
        assert x.strip is not None
        assert y.strip is not None
        np.testing.assert_array_equal(x.strip.projection, y.strip.projection)


def test_a_reading_comes_back_as_it_was(sketched: Collection) -> None:
    same(sketched.reading("OTC 1").reading, sketch_reading())


def test_account_history_and_export(sketched: Collection, tmp_path: Path) -> None:
    sketched.decide("OTC 1", Rename("upper-left/dP3", "dP4"), who="A. Reader", why="last of its row")
    with pytest.raises(OssicleError, match="one decision was made since you looked"):
        sketched.decide("OTC 1", Rename("upper-left/dP2", "dP3"), who="B. Reader", expected=0)
    names = {t.name for t in sketched.account("OTC 1").teeth if (t.jaw, t.side) == ("upper", "left")}
    assert "dP3" not in names
    account = sketched.export("OTC 1", tmp_path / "out")
    assert account.made_by.settings["decisions"] == [1]
    assert {p.name for p in (tmp_path / "out").iterdir()} == {
        "account.json", "account.html", "dentition.csv", "parts.nii.gz",
    }  # fmt: skip


def test_what_changed_between_two_readings(sketched: Collection, monkeypatch: pytest.MonkeyPatch) -> None:
    drawn = sketch_reading()
    other = replace(
        drawn,
        teeth=tuple(
            replace(t, name="P2", generation="permanent") if (t.name, t.jaw, t.side) == ("dP2", "upper", "left") else t
            for t in drawn.teeth
            if (t.name, t.jaw, t.side) != ("M2", "upper", "right")
        ),
    )
    monkeypatch.setattr("ossicle.reading.read", lambda volume, spacing, **_: other)
    sketched.work_on(sketched.queue("OTC 1", threads=1).id)
    changes = sketched.changes("OTC 1", 1, 2)
    told = {(c.subject, c.what, c.before, c.after) for c in changes.teeth}
    assert told == {
        ("left upper dP2", "name", "dP2", "P2"),
        ("left upper dP2", "generation", "deciduous", "permanent"),
        ("right upper M2", "tooth", "read", None),
    }
    assert not sketched.changes("OTC 1", 1, 1)
    assert any(c.subject == "dentition/upper-left/in-place" for c in changes.findings)


def test_a_box_is_read_in_the_coordinates_of_the_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    drawn = sketch_reading()
    seen: list[tuple[int, ...]] = []

    def read(volume: np.ndarray, spacing: object, **_: object) -> Reading:
        seen.append(volume.shape)
        return drawn

    monkeypatch.setattr("ossicle.reading.read", read)
    z, y, x = SHAPE
    values = np.random.default_rng(0).integers(0, 900, (z + 4, y + 6, x + 8), np.uint16)
    with Collection.create(tmp_path / "c") as cabinet:
        box = ((4, z + 4), (6, y + 6), (8, x + 8))
        cabinet.take_in(write_scan(tmp_path / "a", values=values), {"catalogNumber": "OTC 1"}, box_zyx=box)
        assert cabinet.work_on(cabinet.queue("OTC 1", threads=1).id).state == "done"
        kept = cabinet.reading("OTC 1")
    assert seen == [SHAPE]
    assert np.asarray(kept.reading.labels).shape == values.shape
    for old, new in zip(drawn.teeth, kept.reading.teeth, strict=True):
        np.testing.assert_allclose(np.subtract(new.centroid_mm_xyz, old.centroid_mm_xyz), (2.0, 1.5, 1.0))
        a = np.asarray(drawn.pose.scan_to_skull) @ [*old.centroid_mm_xyz, 1]
        np.testing.assert_allclose(
            np.asarray(kept.reading.pose.scan_to_skull) @ [*new.centroid_mm_xyz, 1], a, atol=1e-9
        )
        assert kept.structures().find(kept.structures().anchor(new.part), kept.scan).part == new.part
