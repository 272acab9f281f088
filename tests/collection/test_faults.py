"""What goes wrong round a collection: disk, files, clock, catalogue. Nothing is lost, one sentence, and on it goes."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
from postgres_server import Server
from stacks import volume, write_scan

from ossicle.account.run import read_to_folder
from ossicle.collection import Agree, Collection, Undo, catalogue, jobs, specimens
from ossicle.collection.terms import specimen_data
from ossicle.errors import OssicleError

WHO = "A. Reader"


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 12 MB of its own."""
    place = tmp_path / "disk"
    place.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=12m", "tmpfs", str(place)], capture_output=True)
    if done.returncode:
        pytest.skip("a small disk can be mounted by the superuser only")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


def fill(disk: Path, left: int) -> Path:
    """Fill a disk but for so many bytes; return what fills it."""
    ballast = disk / "ballast"
    free = os.statvfs(disk).f_bavail * os.statvfs(disk).f_frsize
    with open(ballast, "wb") as file:
        file.write(bytes(max(0, free - left)))
    return ballast


def one_sentence(work: Callable[[], object]) -> str:
    """Return the sentence that work ends with, empty where it ends well."""
    try:
        work()
    except OssicleError as error:
        said = error.sentence()
        assert "\n" not in said
        return said
    return ""


def a_read_cabinet(folder: Path, sources: Path) -> Collection:
    """Return a collection with a specimen that was read and decided on."""
    made = Collection.create(folder)
    made.take_in(write_scan(sources / "a", 0), {"catalogNumber": "OTC 1"}, threads=1)
    made.work_on(made.queue("OTC 1", threads=1).id)
    made.decide("OTC 1", Agree("dentition/none"), who=WHO)
    return made


@pytest.mark.parametrize("left", [0, 16_384, 65_536, 262_144])
def test_the_disk_fills_up(disk: Path, tmp_path: Path, left: int) -> None:
    """While a scan is taken in, read, and decided on; what was there stays, and with room the same goes on."""
    with a_read_cabinet(disk / "cabinet", tmp_path) as cabinet:
        source = write_scan(tmp_path / "b", 1)
        ballast = fill(disk, left)
        told = [
            one_sentence(
                lambda: cabinet.take_in(source, {"catalogNumber": "OTC 2"}, keep="copy", threads=1),
            ),
            one_sentence(lambda: cabinet.decide("OTC 1", Agree("dentition/none"), who=WHO)),
            one_sentence(lambda: cabinet.work_on(cabinet.queue("OTC 1", threads=1).id)),
            one_sentence(lambda: cabinet.describe("OTC 1", {"sex": "female"})),
        ]
        if left == 0:
            assert told[0]
            assert told[2]
        decided = 1 + (not told[1])
        ballast.unlink()
        assert len(cabinet.decisions("OTC 1")) == decided
    with Collection.open(disk / "cabinet") as cabinet:
        for job in cabinet.jobs(unfinished=True):
            assert cabinet.work_on(job.id).state == "done"
        assert cabinet.take_in(source, {"catalogNumber": "OTC 2"}, keep="copy", threads=1)[0].specimen == "OTC 2"
        assert cabinet.decide("OTC 1", Undo(1), who=WHO).number == decided + 1
        assert cabinet.check(mend=True).sound
        assert cabinet.check().faults == []


def test_a_folder_that_may_only_be_read(disk: Path, tmp_path: Path) -> None:
    a_read_cabinet(disk / "cabinet", tmp_path).close()
    source = write_scan(tmp_path / "b", 1)
    subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
    for work in (
        lambda: Collection.open(disk / "cabinet"),
        lambda: Collection.create(disk / "another"),
        lambda: read_to_folder(source, disk / "out"),
    ):
        assert one_sentence(work)
    subprocess.run(["mount", "-o", "remount,rw", str(disk)], check=True)
    with Collection.open(disk / "cabinet") as cabinet:
        assert len(cabinet.decisions("OTC 1")) == 1
        assert cabinet.specimens().total == 1
        assert cabinet.check().faults == []


def test_a_source_file_goes_while_it_is_taken_in(tmp_path: Path) -> None:
    source = write_scan(tmp_path / "a", values=volume(0, (180, 24, 20)))
    last = source / "slice_0179.tif"
    kept = last.read_bytes()

    def remove(stage: str, share: float) -> None:
        if "reading slices" in stage:
            last.unlink(missing_ok=True)

    with Collection.create(tmp_path / "c") as cabinet:
        assert one_sentence(
            lambda: cabinet.take_in(source, {"catalogNumber": "OTC 1"}, keep="copy", threads=1, progress=remove)
        )
        assert cabinet.specimens().total == 0
        last.write_bytes(kept)
        assert cabinet.take_in(source, {"catalogNumber": "OTC 1"}, keep="copy", threads=1)[0].what == "taken"
        assert cabinet.check(mend=True).sound


def test_a_broken_chunk_ends_the_job_with_a_sentence_and_can_be_taken_in_again(tmp_path: Path) -> None:
    with a_read_cabinet(tmp_path / "c", tmp_path) as cabinet:
        key = cabinet.scans("OTC 1")[0].key
        chunks = [p for p in (tmp_path / "c" / "scans" / f"{key}.ome.zarr" / "0").rglob("*") if p.is_file()]
        victim = max(chunks, key=lambda p: p.stat().st_size)
        whole = victim.read_bytes()
        victim.write_bytes(whole[: len(whole) // 2])
        job = cabinet.work_on(cabinet.queue("OTC 1", threads=1).id)
        assert job.state == "failed"
        assert "fault in Ossicle" not in job.message
        assert [f for f in cabinet.check().faults if "intake --again" in f.sentence()]
        cabinet.take_in(tmp_path / "a", {"catalogNumber": "OTC 1"}, again=True, threads=1)
        assert cabinet.check(mend=True).sound
        assert cabinet.work_on(cabinet.queue("OTC 1", threads=1).id).state == "done"


def test_the_clock_is_set_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Numbers and not times order what was done."""
    with a_read_cabinet(tmp_path / "c", tmp_path) as cabinet:
        for module in (specimens, jobs):
            monkeypatch.setattr(module, "now", lambda: "1999-12-31T23:59:59.000Z")
        made = cabinet.decide("OTC 1", Agree("dentition/none"), who=WHO, expected=1)
        assert (made.number, made.at) == (2, "1999-12-31T23:59:59.000Z")
        assert cabinet.decide("OTC 1", Undo(), who=WHO).target == 2
        assert cabinet.work_on(cabinet.queue("OTC 1", threads=1).id).state == "done"
        assert [r.number for r in cabinet.readings("OTC 1")] == [1, 2]
        seen = cabinet.describe("OTC 1", {"sex": "female"}, who=WHO)
        cabinet.describe("OTC 1", {"sex": "male"}, who=WHO, version=seen.version)
        assert [c.fields["sex"] for c in cabinet.changes_of("OTC 1")] == [("", "female"), ("female", "male")]
        assert cabinet.check().faults == []


def test_another_program_holds_the_catalogue(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    a_read_cabinet(tmp_path / "c", tmp_path).close()
    monkeypatch.setattr(catalogue, "_WAIT_S", 0.2)
    with (
        Collection.open(tmp_path / "c") as cabinet,
        closing(sqlite3.connect(tmp_path / "c" / "catalogue.sqlite", isolation_level=None)) as other,
    ):
        other.execute("BEGIN IMMEDIATE")
        said = one_sentence(lambda: cabinet.decide("OTC 1", Agree("dentition/none"), who=WHO))
        assert "database is locked" in said
        assert len(cabinet.decisions("OTC 1")) == 1  # reading goes on
        other.execute("ROLLBACK")
        assert cabinet.decide("OTC 1", Agree("dentition/none"), who=WHO).number == 2


def test_the_database_server_is_restarted(tmp_path: Path, server: Server, empty_postgres: str) -> None:
    with Collection.create(tmp_path / "c", catalogue=empty_postgres) as cabinet:
        cabinet.add_specimen({"catalogNumber": "OTC 1"})
        server.stop()
        assert "the catalogue cannot be used" in one_sentence(lambda: cabinet.add_specimen({"catalogNumber": "OTC 2"}))
        assert "the catalogue cannot be used" in one_sentence(lambda: Collection.open(tmp_path / "c"))
        server.start()
        assert cabinet.specimens().total == 1  # the same object goes on

        def cut_off() -> None:
            with cabinet.catalogue.writing() as session:
                specimens.add(session, specimen_data({"catalogNumber": "OTC 3"}), WHO)
                server.stop()

        try:
            assert "the catalogue cannot be used" in one_sentence(cut_off)
        finally:
            server.start()
        assert cabinet.specimens().total == 1  # nothing half done
        cabinet.add_specimen({"catalogNumber": "OTC 2"})
        assert cabinet.check().sound


# -- a collection from elsewhere


def test_a_catalogue_does_not_lead_out_of_the_folder(tmp_path: Path) -> None:
    a_read_cabinet(tmp_path / "c", tmp_path).close()
    (tmp_path / "precious.ome.zarr").mkdir()
    with closing(sqlite3.connect(tmp_path / "c" / "catalogue.sqlite", isolation_level=None)) as other:
        other.execute("UPDATE scan SET key = '../../precious'")
    with Collection.open(tmp_path / "c") as cabinet:
        for work in (
            lambda: cabinet.check(mend=True),
            lambda: cabinet.account("OTC 1"),
            lambda: cabinet.scan("../../precious"),
        ):
            assert "no key of this program" in one_sentence(work)
        job = cabinet.work_on(cabinet.queue("OTC 1", threads=1).id)
        assert (job.state, "no key of this program" in job.message) == ("failed", True)
    assert (tmp_path / "precious.ome.zarr").is_dir()


@pytest.mark.parametrize("said", ["sqlite:////etc/passwd", "sqlite:///../other.sqlite", "mysql://x/y", "/etc/passwd"])
def test_a_marker_does_not_open_another_file(tmp_path: Path, said: str) -> None:
    Collection.create(tmp_path / "c").close()
    marker = tmp_path / "c" / "collection.toml"
    marker.write_text(marker.read_text().replace('"sqlite"', json.dumps(said)))
    with pytest.raises(OssicleError, match="neither the file in this folder nor a PostgreSQL database"):
        Collection.open(tmp_path / "c")


def test_links_that_lead_out_are_not_copied(tmp_path: Path) -> None:
    source = write_scan(tmp_path / "a", 0)
    (tmp_path / "secret.txt").write_text("not for the collection")
    (source / "notes.txt").symlink_to(tmp_path / "secret.txt")
    (source / "round").symlink_to(source)
    (source / "gone").symlink_to(tmp_path / "nowhere")
    (source / "own.json").symlink_to(source / "scan.json")
    with Collection.create(tmp_path / "c") as cabinet:
        taken = cabinet.take_in(source, {"catalogNumber": "OTC 1"}, keep="copy", threads=1)[0]
        copies = {p.name for p in (tmp_path / "c" / "sources" / taken.scan_key).iterdir()}
        assert cabinet.check().faults == []
    assert {"scan.json", "own.json", "slice_0000.tif"} <= copies
    assert not {"notes.txt", "round", "gone"} & copies


@pytest.mark.parametrize("seed", range(24))
def test_damaged_readings_are_one_sentence(tmp_path_factory: pytest.TempPathFactory, seed: int) -> None:
    """Bytes changed, cut off or doubled in the records and in the arrays; a reading comes back, or one sentence."""
    import random

    rng = random.Random(seed)
    base = tmp_path_factory.getbasetemp() / "damaged-base"
    if not base.is_dir():
        a_read_cabinet(base / "c", base).close()
    place = tmp_path_factory.mktemp("damaged") / "c"
    shutil.copytree(base / "c", place)
    victim = next(place.glob(f"readings/*/{('reading.json', 'arrays.npz')[seed % 2]}"))
    data = bytearray(victim.read_bytes())
    for _ in range(rng.randrange(1, 6)):
        at = rng.randrange(max(1, len(data)))
        match rng.randrange(4):
            case 0 if data:
                data[at] = rng.randrange(256)
            case 1:
                del data[at : at + rng.randrange(1, 40)]
            case 2:
                data[at:at] = data[: rng.randrange(1, 40)]
            case _:
                data[at : at + 4] = rng.choice([b"null", b"[[[[", b"1e99", b"\xff\xff\xff\xff"])
    victim.write_bytes(bytes(data))
    with Collection.open(place) as cabinet:
        one_sentence(lambda: cabinet.account("OTC 1"))
        assert cabinet.check().faults or bytes(data) == (base / victim.relative_to(place.parent)).read_bytes()


def test_arrays_that_would_unfold_without_end_are_refused(tmp_path: Path) -> None:
    import zipfile

    a_read_cabinet(tmp_path / "c", tmp_path).close()
    victim = next((tmp_path / "c").glob("readings/*/arrays.npz"))
    header = b"{'descr': '|u1', 'fortran_order': False, 'shape': (1000000000000,), }"
    claims = b"\x93NUMPY\x01\x00" + len(header).to_bytes(2, "little") + header
    with zipfile.ZipFile(victim, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("view.a.npy", claims + bytes(1 << 20))
    with Collection.open(tmp_path / "c") as cabinet:
        said = one_sentence(lambda: cabinet.account("OTC 1"))
    assert "this reading is damaged" in said


def test_nothing_is_asked_of_the_network(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import socket

    def refused(*_: object, **__: object) -> None:
        raise AssertionError("the network was asked")

    for name in ("connect", "connect_ex", "sendto"):
        monkeypatch.setattr(socket.socket, name, refused)
    monkeypatch.setattr(socket, "getaddrinfo", refused)
    with a_read_cabinet(tmp_path / "c", tmp_path) as cabinet:
        cabinet.export("OTC 1", tmp_path / "out")
        assert cabinet.check().sound
