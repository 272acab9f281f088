"""Taking scans in: one and many, dry, again, the same content in other files, tables with errors; and `check`."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import numpy as np
import pytest
import tifffile
from stacks import volume, write_scan

from ossicle.collection import Collection
from ossicle.collection.files import unwritable
from ossicle.errors import OssicleError


@pytest.fixture
def cabinet(tmp_path: Path) -> Collection:
    return Collection.create(tmp_path / "cabinet")


def write_table(path: Path, rows: list[dict[str, str]]) -> Path:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return path


def test_a_scan_goes_in_with_what_is_known_of_it(cabinet: Collection, tmp_path: Path) -> None:
    source = write_scan(tmp_path / "juvenile")
    (taken,) = cabinet.take_in(source, {"catalogNumber": "OTC 1", "lifeStage": "juvenile"})
    assert (taken.what, taken.specimen) == ("taken", "OTC 1")
    (scan,) = cabinet.scans("OTC 1")
    assert (scan.shape_zyx, scan.spacing_mm_zyx, scan.name) == ((10, 24, 20), (0.25, 0.25, 0.25), "juvenile")
    assert scan.scanner == {"voltage_kv": 90, "current_ua": 111, "filter": "0.5 mm Al"}
    assert [s["name"] for s in scan.sources] == [f"slice_{i:04d}.tif" for i in range(10)]
    np.testing.assert_array_equal(np.asarray(cabinet.scan(scan.key).values), volume(0))
    assert cabinet.check().sound
    assert not list(cabinet.layout.sources(scan.key).parent.iterdir())


def test_the_store_is_ome_zarr(cabinet: Collection, tmp_path: Path) -> None:
    """Validated by ome-zarr-models against OME-Zarr 0.5."""
    models = pytest.importorskip("ome_zarr_models.v05")
    import zarr

    cabinet.take_in(write_scan(tmp_path / "a"), {"catalogNumber": "OTC 1"})
    job = cabinet.queue("OTC 1", threads=1)
    assert cabinet.work_on(job.id).state == "done"
    (scan,) = cabinet.scans("OTC 1")
    store = cabinet.layout.scan(scan.key)
    models.Image.from_zarr(zarr.open_group(str(store), mode="r"))
    labels = zarr.open_group(str(store / "labels"), mode="r")
    assert labels.attrs["ome"]["labels"] == [job.uid]
    models.ImageLabel.from_zarr(labels[job.uid])


def test_the_same_again_is_there_already(cabinet: Collection, tmp_path: Path) -> None:
    source = write_scan(tmp_path / "a")
    said = {"catalogNumber": "OTC 1"}
    assert [t.what for t in cabinet.take_in(source, said)] == ["taken"]
    assert [t.what for t in cabinet.take_in(source, said)] == ["there"]
    moved = Path(shutil.copytree(source, tmp_path / "elsewhere"))
    assert [t.what for t in cabinet.take_in(moved, said)] == ["there"]
    assert [t.what for t in cabinet.take_in(moved, {"catalogNumber": "OTC 2"})] == ["linked"]
    assert cabinet.specimens().total == 2
    assert cabinet.check().scans == 1


def test_duplicates_are_known_by_their_voxels(cabinet: Collection, tmp_path: Path) -> None:
    """The same greys in one file of another format and integer type."""
    cabinet.take_in(write_scan(tmp_path / "a"), {"catalogNumber": "OTC 1"})
    np.save(tmp_path / "b.npy", volume(0).astype(np.int32))
    (taken,) = cabinet.take_in(tmp_path / "b.npy", {"catalogNumber": "OTC 1"}, spacing="0.25")
    assert taken.what == "there"
    assert taken.notes == ("its voxels are those of 'a', which is there already",)
    with pytest.raises(OssicleError, match="with another calibration"):
        cabinet.take_in(tmp_path / "b.npy", {"catalogNumber": "OTC 1"}, spacing="0.5")
    np.save(tmp_path / "c.npy", volume(0)[:, ::-1])
    assert cabinet.take_in(tmp_path / "c.npy", {"catalogNumber": "OTC 1"}, spacing="0.25")[0].what == "taken"
    assert len(cabinet.scans("OTC 1")) == 2


def test_a_dry_run_keeps_nothing(tmp_path: Path) -> None:
    source = write_scan(tmp_path / "a")
    with Collection.for_intake(tmp_path / "none", dry_run=True) as dry:
        assert [t.what for t in dry.take_in(source, dry_run=True)] == ["taken"]
    assert not (tmp_path / "none").exists()
    with Collection.create(tmp_path / "c") as cabinet:
        cabinet.take_in(source, dry_run=True)
        assert cabinet.specimens().total == 0
        assert cabinet.check().faults == []
        assert list((cabinet.layout.root / "scans").iterdir()) == []


def test_a_folder_of_many_with_a_table(cabinet: Collection, tmp_path: Path) -> None:
    """Two scans, the second of two specimens; headings of the museum's own, one left out."""
    folder = tmp_path / "many"
    write_scan(folder / "one", 1)
    write_scan(folder / "two", 2)
    table = write_table(
        tmp_path / "table.csv",
        [
            {"source": "one", "Museum no.": "OTC 1", "Scientific name": "Fictus minor", "box_zyx": "", "shelf": "A"},
            {"source": "two", "Museum no.": "OTC 2", "Scientific name": "", "box_zyx": "0:10,0:12,0:20", "shelf": "A"},
            {"source": "two", "Museum no.": "OTC 3", "Scientific name": "", "box_zyx": "0:10,12:24,0:20", "shelf": ""},
        ],
    )
    columns = {"Museum no.": "catalogNumber", "shelf": "-"}
    taken = cabinet.take_in(folder, table=table, columns=columns, keep="copy")
    assert [(t.specimen, t.what) for t in taken] == [("OTC 1", "taken"), ("OTC 2", "taken"), ("OTC 3", "linked")]
    assert cabinet.specimen("OTC 1").scientific_name == "Fictus minor"
    assert cabinet.scans("OTC 3")[0].box_zyx == ((0, 10), (12, 24), (0, 20))
    assert [t.what for t in cabinet.take_in(folder, table=table, columns=columns, keep="copy")] == ["there"] * 3
    report = cabinet.check()
    assert report.sound
    assert (report.specimens, report.scans) == (3, 2)


def test_errors_of_a_table_are_told_by_row_and_column(cabinet: Collection, tmp_path: Path) -> None:
    folder = tmp_path / "many"
    write_scan(folder / "one", 1)
    rows = [
        {"source": "one", "catalogNumber": "OTC 1", "sex": "male", "decimalLatitude": "95", "decimalLongitude": "1"},
        {"source": "", "catalogNumber": "OTC 2", "sex": "", "decimalLatitude": "x", "decimalLongitude": "1"},
        {"source": "one", "catalogNumber": "OTC 1", "sex": "female", "decimalLatitude": "", "decimalLongitude": ""},
        {"source": "one", "catalogNumber": "", "sex": "", "decimalLatitude": "", "decimalLongitude": ""},
    ]
    with pytest.raises(OssicleError) as caught:
        cabinet.take_in(folder, table=write_table(tmp_path / "t.csv", rows))
    sentence = caught.value.sentence()
    for told in (
        "row 2: 95 is no latitude",
        "row 3, column 'decimalLatitude': 'x' is no number",
        "row 3, column 'source': it is empty",
        "row 5, column 'catalogNumber': the catalogue number is empty",
    ):
        assert told in sentence
    assert cabinet.specimens().total == 0
    fixed = [{**r, "decimalLatitude": "", "decimalLongitude": ""} for r in (rows[0], rows[0], rows[2])]
    with pytest.raises(OssicleError, match="row 4, column 'sex': 'female', but row 2 says 'male'"):
        cabinet.take_in(folder, table=write_table(tmp_path / "u.csv", fixed))
    with pytest.raises(OssicleError, match="row 1, column 'colour': this is no Darwin Core term"):
        cabinet.take_in(folder, table=write_table(tmp_path / "v.csv", [{**rows[0], "colour": "red"}]))
    good = {"source": "three", "catalogNumber": "OTC 1"}
    with pytest.raises(OssicleError, match="row 2, column 'source': there is no three"):
        cabinet.take_in(folder, table=write_table(tmp_path / "w.csv", [good]))
    with pytest.raises(OssicleError, match="lies outside"):
        cabinet.take_in(folder, table=write_table(tmp_path / "x.csv", [{**good, "source": "../many/../t.csv"}]))
    with pytest.raises(OssicleError, match="no column means catalogNumber"):
        cabinet.take_in(folder, table=write_table(tmp_path / "y.csv", [{"source": "one"}]))


@pytest.fixture
def filled(cabinet: Collection, tmp_path: Path) -> Collection:
    cabinet.take_in(write_scan(tmp_path / "a"), {"catalogNumber": "OTC 1"}, keep="copy")
    assert cabinet.work_on(cabinet.queue("OTC 1", threads=1).id).state == "done"
    (tmp_path / "note.txt").write_text("Seen from below.")
    cabinet.attach("OTC 1", tmp_path / "note.txt", "a note")
    assert cabinet.check().faults == []
    return cabinet


def flip(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.chmod(0o644)
    path.write_bytes(bytes(data))


@pytest.mark.parametrize(
    ("where", "told"),
    [
        ("scans/*/0/c/0/0/0", "its content is not what was taken in; restore it"),
        ("scans/*/zarr.json", "restore it from a copy, or take the scan in again"),
        ("scans/*/labels/*/0/zarr.json", "the parts of this reading are missing or not as they were written; read the"),
        ("readings/*/reading.json", "the records of this reading are missing or not as they were written; read the"),
        ("readings/*/arrays.npz", "the records of this reading are missing or not as they were written"),
        ("sources/*/slice_0003.tif", "the copy of slice_0003.tif is not the file that was taken in"),
        ("attachments/*", "the attachment note.txt is missing or damaged; attach the file again"),
    ],
)
def test_one_bit_anywhere_is_found_and_named(filled: Collection, where: str, told: str) -> None:
    (victim,) = filled.layout.root.glob(where)
    flip(victim)
    report = filled.check()
    assert not report.sound
    assert any(told in f.sentence() for f in report.faults), [f.sentence() for f in report.faults]


def test_a_damaged_store_is_replaced_by_taking_it_in_again(filled: Collection, tmp_path: Path) -> None:
    (victim,) = filled.layout.root.glob("scans/*/0/c/0/0/0")
    flip(victim)
    filled.take_in(tmp_path / "a", {"catalogNumber": "OTC 1"}, again=True)
    report = filled.check()
    assert report.faults == []
    assert report.readings == 1


def test_left_overs_are_no_faults_and_can_be_removed(filled: Collection) -> None:
    root = filled.layout.root
    for place in ("work/abc", "scans/ffff.ome.zarr", "readings/eeee", "sources/dddd"):
        (root / place).mkdir()
    (key,) = [s.key for s in filled.scans("OTC 1")]
    shutil.copytree(
        next((root / "scans" / f"{key}.ome.zarr" / "labels").glob("*/")), filled.layout.labels(key, "stray")
    )
    report = filled.check()
    assert report.sound
    assert len([f for f in report.faults if f.kind == "left-over"]) >= 5
    assert len(filled.check(mend=True).mended) >= 5
    assert filled.check().faults == []
    assert not (root / "scans" / "ffff.ome.zarr").exists()


def test_what_cannot_be_taken_in_leaves_nothing(cabinet: Collection, tmp_path: Path) -> None:
    (tmp_path / "bad").mkdir()
    (tmp_path / "bad" / "x.tif").write_bytes(b"not a picture")
    with pytest.raises(OssicleError):
        cabinet.take_in(tmp_path / "bad", {"catalogNumber": "OTC 1"})
    flat = tmp_path / "flat.tif"
    tifffile.imwrite(flat, volume(0))
    with pytest.raises(OssicleError, match="spacing"):
        cabinet.take_in(flat, {"catalogNumber": "OTC 1"})
    assert cabinet.specimens().total == 0
    assert cabinet.check().faults == []


def test_no_collection_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(OssicleError, match="there is no such folder; make one with"):
        Collection.open(tmp_path / "none")
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "x").write_text("")
    with pytest.raises(OssicleError, match="holds something else"):
        Collection.create(tmp_path / "full")
    Collection.create(tmp_path / "c").close()
    marker = tmp_path / "c" / "collection.toml"
    marker.write_text(marker.read_text().replace("ossicle-collection/1", "ossicle-collection/9"))
    with pytest.raises(OssicleError, match="ossicle-collection/9"):
        Collection.open(tmp_path / "c")


def test_a_collection_within_the_folder_that_it_copies_is_no_part_of_the_copy(tmp_path: Path) -> None:
    source = write_scan(tmp_path / "scans")
    count = sum(p.is_file() for p in source.rglob("*"))
    with Collection.create(source / "cabinet") as held:
        taken = held.take_in(source, {"catalogNumber": "OTC 1"}, keep="copy")[0]
        kept = held.layout.sources(taken.scan_key)
        assert sum(p.is_file() for p in kept.rglob("*")) == count
        assert not list(kept.rglob("cabinet"))
        assert held.check().sound
        assert held.take_in(source, {"catalogNumber": "OTC 1"}, keep="copy")[0].what == "there"


def test_what_kept_a_tree_from_being_copied_is_told_once(tmp_path: Path) -> None:
    failed = shutil.Error([(f"a/{n}", f"b/{n}", "[Errno 28] No space left on device") for n in range(300)])
    said = unwritable(tmp_path, failed).sentence()
    assert said.endswith("this cannot be written ([Errno 28] No space left on device); mend that and run again.")
