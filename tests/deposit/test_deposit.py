"""Deposits: made, read by others' readers, tampered with, verified elsewhere, and received. All specimens are drawn."""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from PIL import Image

sys.path.append(str(Path(__file__).resolve().parents[2]))  # `benchmarks` is no part of the installed package

from benchmarks.fuzz_accounts import chained

import ossicle.collection.receiving as receiving
from ossicle.account import account_to_dict
from ossicle.collection import Agree, Collection, PlaceLandmark, Rename, Score, Undo
from ossicle.errors import OssicleError
from ossicle.publish import meshes
from ossicle.publish.deposit import Rights, receive, rights, verify, write_deposit
from ossicle.publish.deposit.manifest import faults_of, write_manifest
from ossicle.publish.matrix import read_nexus

DAY = date(2031, 5, 1)
PLACE = {
    "decimalLatitude": "-33.85678", "decimalLongitude": "151.21530", "locality": "the secret gully",
    "sensitivityCategory": "2", "sensitivityReason": "collected for trade", "sensitivityReviewDate": "2035-01-01",
    "country": "Nowhere", "institutionCode": "OTC",
}  # fmt: skip


def own_rights() -> Rights:
    return rights("CC-BY-4.0", "Ossicle Teaching Cabinet (invented)", "none", ["Reader, Anna, 0000-0000-0000-0001"])


@pytest.fixture(scope="session")
def decided(cabinet_made: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The collection with decisions on OTC 1 and a sensitive locality."""
    place = tmp_path_factory.mktemp("decided") / "cabinet"
    shutil.copytree(cabinet_made, place)
    with Collection.open(place) as held:
        held.describe("OTC 1", PLACE, who="A. Keeper")
        first = held.decide("OTC 1", Rename("upper-left/dP3", "dP4"), who="A. Reader", why="two roots")
        held.decide("OTC 1", Agree("stage/eruption"), who="B. Reader")
        held.decide("OTC 1", PlaceLandmark("basion", (9.0, 9.0, 4.0)), who="A. Reader")
        held.decide("OTC 1", Score("stapes_form", "0", "?"), who="A. Reader", why="two crura")
        held.decide("OTC 1", Undo(first.number), who="A. Reader", why="one root after all")
    return place


@pytest.fixture(scope="session")
def made(decided: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with everything; surfaces of the first parts alone, so that it is made quickly."""
    with Collection.open(decided) as held, pytest.MonkeyPatch.context() as patch:
        patch.setattr(meshes, "meshes_of", lambda s, parts, *more, whole=meshes.meshes_of: whole(s, parts[:4], *more))
        return write_deposit(held, ["OTC 1"], tmp_path_factory.mktemp("made") / "OTC-1", own_rights(), made=DAY)


@pytest.fixture(scope="session")
def zipped(decided: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same without surfaces, as one file."""
    with Collection.open(decided) as held:
        out = tmp_path_factory.mktemp("zipped") / "OTC-1.zip"
        return write_deposit(held, ["OTC 1"], out, own_rights(), made=DAY, meshes=False)


# -- read by others


def test_the_crate_is_read_by_rocrate(made: Path) -> None:
    from rocrate.rocrate import ROCrate

    crate = ROCrate(made)
    assert crate.metadata.id == "ro-crate-metadata.json"
    assert crate.license["name"] == "CC-BY-4.0"
    assert crate.root_dataset["author"].id == "https://orcid.org/0000-0000-0000-0001"
    named = {e.id for e in crate.data_entities}
    assert {"CITATION.cff", "specimens/OTC-1/account.json", "specimens/OTC-1/meshes/parts.glb"} <= named
    for entity in crate.data_entities:
        assert (made / entity.id).exists(), entity.id


def test_the_crate_fits_the_profile_of_ro_crate_1_3(made: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """roc-validator with its own profile; the JSON-LD context is that which rocrate ships, as there is no network."""
    import requests
    from rocrate_validator import models, services
    from rocrate_validator.utils.http import HttpRequester

    def get(_: Any, url: str, **__: Any) -> requests.Response:
        answer = requests.Response()
        answer.status_code = 200 if url == "https://w3id.org/ro/crate/1.3/context" else 404
        answer._content = (files("rocrate") / "data" / "ro-crate.jsonld").read_bytes()
        answer.headers["Content-Type"] = "application/ld+json"
        return answer

    monkeypatch.setattr(HttpRequester, "get", get, raising=False)
    settings = services.ValidationSettings(
        rocrate_uri=str(made), profile_identifier="ro-crate-1.3", requirement_severity=models.Severity.REQUIRED,
        offline=True,
    )  # fmt: skip
    result = services.validate(settings)
    assert result.passed(), [i.message for i in result.get_issues()]


def test_the_specimens_are_read_as_a_darwin_core_archive(made: Path) -> None:
    from dwca.read import DwCAReader

    with DwCAReader(str(made / "darwin-core-archive.zip")) as archive:
        assert archive.core_contains_term("http://rs.tdwg.org/dwc/terms/scientificName")
        (row,) = archive.rows
        said = {k.rpartition("/")[2]: v for k, v in row.data.items()}
        assert said["catalogNumber"] == "OTC 1"
        assert (said["decimalLatitude"], said["decimalLongitude"]) == ("-33.9", "151.2")
        assert "to 0.1 degree" in said["dataGeneralizations"]
        assert said["license"] == "https://creativecommons.org/licenses/by/4.0/"
        kinds = [e.rowtype.rpartition("/")[2] for e in row.extensions]
        assert kinds.count("MeasurementOrFact") > 50
        assert kinds.count("Multimedia") == 3
        for e in row.extensions:
            values = {k.rpartition("/")[2]: v for k, v in e.data.items()}
            if e.rowtype.endswith("MeasurementOrFact"):
                assert float(values["measurementAccuracy"]) >= 0
                assert values["measurementUnit"]
                assert values["measurementMethod"]
            else:
                assert (made / values["accessURI"]).exists()


def test_scan_and_labels_are_read_as_ome_zarr(made: Path) -> None:
    import ome_zarr_models
    import zarr
    from ome_zarr.io import parse_url
    from ome_zarr.reader import Reader

    (store,) = (made / "specimens" / "OTC-1" / "scans").glob("*.ome.zarr")
    scan, _, labels = list(Reader(parse_url(str(store)))())
    assert scan.data[0].shape == labels.data[0].shape == (136, 92, 76)
    assert type(ome_zarr_models.open_ome_zarr(zarr.open_group(str(store), mode="r"))).__name__ == "Image"
    account = json.loads((made / "specimens" / "OTC-1" / "account.json").read_bytes())
    held = set(range(1, 400)) & set(labels.data[0].compute().ravel().tolist())
    assert {t["part"] for t in account["teeth"]} <= held


def test_provenance_leads_from_account_to_source_and_persons(made: Path) -> None:
    rdflib = pytest.importorskip("rdflib")
    graph = rdflib.Graph()
    graph.parse(made / "provenance.jsonld", format="json-ld", publicID="https://example.org/deposit/")
    prov = "PREFIX prov: <http://www.w3.org/ns/prov#> "
    ask = prov + 'SELECT ?e WHERE { ?a prov:wasDerivedFrom+ ?e . FILTER(STRENDS(STR(?a), "account.json")) }'
    found = {str(row[0]) for row in graph.query(ask)}
    assert any("#source-" in e for e in found)
    assert any(".ome.zarr" in e for e in found)
    assert len([e for e in found if "-decision-" in e]) == 5
    who = {str(r[0]) for r in graph.query(prov + "SELECT ?w WHERE { ?d prov:wasAttributedTo ?w . ?w a prov:Person }")}
    assert {w.rpartition("#")[2] for w in who} == {"person-A--Reader", "person-B--Reader"}


def test_tables_matrix_and_citation_are_there(made: Path) -> None:
    from frictionless import validate

    assert validate(str(made / "tables" / "datapackage.json")).valid
    matrix = read_nexus(made / "matrix" / "matrix.nex")
    assert matrix.cells["OTC 1", "stapes_form"].by == ("A. Reader",)
    assert 'href="../specimens/OTC-1/account.html#f-' in (made / "matrix" / "matrix.html").read_text(encoding="utf-8")
    citation = (made / "CITATION.cff").read_text(encoding="utf-8")
    assert 'orcid: "https://orcid.org/0000-0000-0000-0001"' in citation
    assert 'date-released: "2031-05-01"' in citation


# -- whole and the same everywhere


def test_a_deposit_is_sound_and_its_account_follows(made: Path, zipped: Path) -> None:
    for place in (made, zipped):
        found = verify(place)
        assert found.sound, found.faults
        assert found.specimens == ("OTC 1: the account follows from reading and 5 decisions.",)


def test_sha256sum_agrees(made: Path) -> None:
    if shutil.which("sha256sum") is None:
        pytest.skip("sha256sum is not installed")
    done = subprocess.run(["sha256sum", "--check", "--quiet", "manifest-sha256.txt"], cwd=made, check=False)
    assert done.returncode == 0


def test_it_is_verified_in_another_process_without_the_collection(zipped: Path, tmp_path: Path) -> None:
    """A process with an empty home and none of our environment; what it needs must lie in the deposit."""
    shutil.copy(zipped, tmp_path / "got.zip")
    clean = {"PATH": os.environ["PATH"], "HOME": str(tmp_path / "home"), "PYTHONPATH": os.pathsep.join(sys.path)}
    done = subprocess.run(
        [sys.executable, "-m", "ossicle", "deposit", "--verify", "got.zip"],
        cwd=tmp_path, env=clean, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "the account follows from reading and 5 decisions" in done.stdout
    assert "The deposit is sound" in done.stdout


def test_the_same_specimen_gives_the_same_bytes(decided: Path, zipped: Path, tmp_path: Path) -> None:
    with Collection.open(decided) as held:
        again = write_deposit(held, ["OTC 1"], tmp_path / "again.zip", own_rights(), made=DAY, meshes=False)
    assert again.read_bytes() == zipped.read_bytes()


def spoilt(path: Path, at: int) -> None:
    with open(path, "r+b") as file:
        file.seek(at)
        byte = file.read(1)
        file.seek(at)
        file.write(bytes([byte[0] ^ 1]))


def test_one_byte_altered_in_any_file_is_found_and_named(made: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(made, tmp_path / "copy"))
    names = sorted(p.relative_to(copy).as_posix() for p in copy.rglob("*") if p.is_file())
    assert len(names) > 30
    for n, name in enumerate(names):
        path = copy / name
        size = path.stat().st_size
        if size == 0:
            continue
        at = (0, size // 2, size - 1)[n % 3]
        spoilt(path, at)
        faults = faults_of(copy)
        spoilt(path, at)
        assert faults, name
        assert faults[0].startswith(f"{name}: "), (name, at, faults)
    assert faults_of(copy) == []


def test_each_byte_of_the_lists_themselves_is_watched(made: Path, tmp_path: Path) -> None:
    for name in ("manifest-sha256.txt", "tagmanifest-sha256.txt"):
        folder = tmp_path / name
        folder.mkdir()
        (folder / "a").write_text("a")
        (folder / "b b").write_text("b")
        from ossicle.publish.deposit.manifest import write_manifest

        write_manifest(folder)
        for at in range((folder / name).stat().st_size):
            spoilt(folder / name, at)
            faults = faults_of(folder)
            spoilt(folder / name, at)
            assert faults[0].startswith(f"{name}: "), (at, faults)


def test_missing_and_foreign_files_are_named(made: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(made, tmp_path / "copy"))
    (copy / "specimens" / "OTC-1" / "decisions.json").unlink()
    (copy / "extra.txt").write_text("x")
    (copy / "link").symlink_to("README.md")
    assert faults_of(copy) == [
        "extra.txt: does not belong to the deposit.",
        "link: is a link and no file.",
        "specimens/OTC-1/decisions.json: is missing.",
    ]


def small_deposit(folder: Path) -> Path:
    from ossicle.publish.deposit.manifest import write_manifest

    folder.mkdir()
    (folder / "one").write_text("one")
    (folder / "two").write_text("two, and more")
    write_manifest(folder)
    return folder


def told(path: Path) -> str:
    """Return the first fault that is found in a deposit that is not sound."""
    try:
        found = verify(path)
    except OssicleError as error:
        return error.sentence()
    assert not found.sound
    return found.faults[0]


def test_each_byte_of_an_archive_is_watched(tmp_path: Path) -> None:
    """Every second one, to be quick; all of them were tried when this was written."""
    folder = small_deposit(tmp_path / "folder")
    from ossicle.publish.deposit.packing import COMMENT, pack

    out = io.BytesIO()
    pack(folder, out)
    data = out.getvalue()
    assert data.endswith(COMMENT)
    target = tmp_path / "deposit.zip"
    for at in range(0, len(data), 2):
        target.write_bytes(data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :])
        said = told(target)
        assert any(name in said for name in ("one", "two", "manifest", "deposit.zip")), (at, said)


@pytest.mark.parametrize("name", ["../out", "/etc/x", "a/../../b", "c\\d"])
def test_an_archive_that_leads_out_is_refused(name: str, tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "bad.zip", "w") as archive:
        archive.writestr(zipfile.ZipInfo(name), "x")
    with pytest.raises(OssicleError, match=r"does not lie within|damaged|holds no"):
        verify(tmp_path / "bad.zip")
    assert not (tmp_path / "out").exists()


def remade(copy: Path, change: Callable[[Path], None]) -> tuple[str, ...]:
    from ossicle.publish.deposit.manifest import write_manifest

    change(copy)
    write_manifest(copy)
    return verify(copy).faults


def edit(name: str, old: str, new: str) -> Callable[[Path], None]:
    def change(copy: Path) -> None:
        path = copy / "specimens" / "OTC-1" / name
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new, 1), encoding="utf-8")

    return change


def test_who_lists_the_checksums_anew_still_has_to_make_the_account_follow(made: Path, tmp_path: Path) -> None:
    changes = {
        "account": (edit("account.json", '"position": 1', '"position": 2'), "OTC 1: teeth["),
        "decision": (edit("decisions.json", "two roots", "six roots"), "OTC 1: decision 1 is not as it was kept"),
    }
    for name, (change, says) in changes.items():
        faults = remade(Path(shutil.copytree(made, tmp_path / name)), change)
        assert faults
        assert faults[0].startswith(says), faults


def test_a_new_reading_gives_the_same_account(zipped: Path, monkeypatch: pytest.MonkeyPatch, decided: Path) -> None:
    import ossicle.reading

    with Collection.open(decided) as held:
        whole = held.reading("OTC 1").reading
    monkeypatch.setattr(ossicle.reading, "read", lambda *_, **__: whole)
    found = verify(zipped, reread=True)
    assert found.sound, found.faults
    assert "a new reading of the scan gives the same account" in found.specimens[1]
    less = replace(whole, teeth=whole.teeth[1:])
    monkeypatch.setattr(ossicle.reading, "read", lambda *_, **__: less)
    assert not verify(zipped, reread=True).sound


# -- what may leave


def bytes_of(folder: Path) -> Iterator[tuple[str, bytes]]:
    for path in folder.rglob("*"):
        if path.is_file():
            yield path.name, path.read_bytes()
            if path.suffix == ".zip":
                with zipfile.ZipFile(path) as archive:
                    yield from ((n, archive.read(n)) for n in archive.namelist())


def test_the_exact_place_leaves_nowhere(made: Path) -> None:
    for name, data in bytes_of(made):
        for secret in (b"33.85678", b"151.2153", b"secret gully"):
            assert secret not in data, name


def test_human_remains_stay_without_consent(decided: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(decided, tmp_path / "cabinet"))
    with Collection.open(copy) as held:
        held.describe("OTC 1", {"humanRemains": "yes"}, who="A. Keeper")
        with pytest.raises(OssicleError, match="human remains"):
            write_deposit(held, ["OTC 1"], tmp_path / "out", own_rights(), meshes=False)
        held.describe("OTC 1", {"remainsConsent": "family, 2030", "remainsProvenance": "donated"}, who="A. Keeper")
        with pytest.raises(OssicleError, match="off by default"):
            write_deposit(held, ["OTC 1"], tmp_path / "out", own_rights(), meshes=False)
        assert not (tmp_path / "out").exists()
        held.allow_export("OTC 1", who="A. Keeper")
        write_deposit(held, ["OTC 1"], tmp_path / "out", own_rights(), meshes=False)
    assert verify(tmp_path / "out").sound


def test_who_is_seen_in_the_same_scan_is_asked_too(decided: Path, cabinet_made: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(decided, tmp_path / "cabinet"))
    with Collection.open(copy) as held:
        held.take_in(cabinet_made.parent / "scans" / "one", {"catalogNumber": "OTC 9", "humanRemains": "yes"})
        with pytest.raises(OssicleError, match="OTC 9 is of human remains"):
            write_deposit(held, ["OTC 1"], tmp_path / "out", own_rights())


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"licence": ""}, "no licence is given"),
        ({"licence": "free"}, "no licence that is known"),
        ({"holder": " "}, "holds the rights"),
        ({"embargo": ""}, "embargo"),
        ({"embargo": "soon"}, "no date"),
        ({"authors": []}, "no author"),
        ({"authors": ["Reader, Anna, 0000-0002-1825-0098"]}, "no ORCID"),
    ],
)
def test_nothing_of_the_rights_is_taken_for_granted(change: dict[str, Any], says: str) -> None:
    """0000-0002-1825-0097 is the example of ORCID's own documentation; another last digit is a slip."""
    said = {"licence": "CC0-1.0", "holder": "OTC", "embargo": "none", "authors": ["Reader, Anna"], **change}
    with pytest.raises(OssicleError, match=says):
        rights(**said)


@pytest.mark.parametrize(
    ("licence", "written", "same"),
    [
        ("CC-BY-4.0", "http://creativecommons.org/licenses/by/4.0/legalcode", True),
        ("CC0-1.0", "https://creativecommons.org/publicdomain/zero/1.0/", True),
        ("CC-BY-NC-SA-4.0", "cc-by-nc-sa-4.0", True),
        ("ODbL-1.0", "https://spdx.org/licenses/ODbL-1.0", True),
        ("CC-BY-4.0", "http://creativecommons.org/licenses/by-nc/4.0/legalcode", False),
        ("CC0-1.0", "CC-BY-4.0", False),
    ],
)
def test_a_licence_is_known_in_each_of_its_spellings(licence: str, written: str, same: bool) -> None:
    """Addresses as GBIF's guide to data licences writes them (from memory)."""
    assert rights(licence, "OTC", "none", ["Reader, Anna"]).same_as(written) is same


def test_no_patient_and_no_place_of_a_picture_leaves(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from desk_world import drawn
    from dicom_source import write_series
    from sketch import MADE_BY, SHAPE, SPACING

    import ossicle.collection.jobs as jobs
    from ossicle.account.run import scan_facts
    from ossicle.collection import KeptReading
    from ossicle.collection.anchors import inner_points

    reading = drawn()[0]
    write_series(tmp_path / "dicom", SHAPE, SPACING)

    def read(scan: Any, key: str, decisions: Any, **_: Any) -> KeptReading:
        facts = scan_facts(scan)
        return KeptReading(reading, facts, MADE_BY, key, inner_points(reading.labels, facts.spacing_mm_zyx))

    monkeypatch.setattr(jobs, "read_specimen", read)
    with Collection.create(tmp_path / "cabinet") as held:
        held.take_in(tmp_path / "dicom", {"catalogNumber": "OTC 7"})
        assert held.work_on(held.queue("OTC 7").id).state == "done"
        write_deposit(held, ["OTC 7"], tmp_path / "out", own_rights(), meshes=False)
    given = b"".join(p.read_bytes() for p in (tmp_path / "dicom").iterdir())
    for secret in (b"Doe^Jane", b"19700102", b"Clinic of Nowhere", b"PAT-4711"):
        assert secret in given
        for name, data in bytes_of(tmp_path / "out"):
            assert secret not in data, name


def test_an_embargo_is_told_everywhere(decided: Path, tmp_path: Path) -> None:
    said = rights("CC0-1.0", "OTC", "2040-01-02", ["Reader, Anna"])
    with Collection.open(decided) as held:
        write_deposit(held, ["OTC 1"], tmp_path / "out", said, scans=False, meshes=False, made=DAY)
    graph = json.loads((tmp_path / "out" / "ro-crate-metadata.json").read_bytes())["@graph"]
    root = next(e for e in graph if e["@id"] == "./")
    assert root["conditionsOfAccess"] == "Under embargo until 2040-01-02"
    assert "Under embargo until 2040-01-02" in (tmp_path / "out" / "README.md").read_text(encoding="utf-8")
    assert verify(tmp_path / "out").sound  # without the scan, which is named by its checksums
    record = json.loads((tmp_path / "out" / "specimens" / "OTC-1" / "specimen.json").read_bytes())
    assert len(record["scans"][0]["content_sha256"]) == 64
    assert not (tmp_path / "out" / "specimens" / "OTC-1" / "scans").exists()
    with Collection.create(tmp_path / "new") as held, pytest.raises(OssicleError, match="does not hold it"):
        receive(tmp_path / "out", held)


def test_what_is_refused(decided: Path, tmp_path: Path) -> None:
    picture = Image.new("L", (4, 4))
    exif = Image.Exif()
    exif.get_ifd(0x8825)[1] = "S"
    exif[0x8825] = {1: "S", 2: (33.0, 51.0, 24.0)}
    picture.save(tmp_path / "where.jpg", exif=exif)
    (tmp_path / "head.dcm").write_bytes(bytes(128) + b"DICM" + bytes(8))
    picture.save(tmp_path / "plate.png")
    with Collection.open(decided) as held:

        def said(*numbers: str, **more: Any) -> str:
            with pytest.raises(OssicleError) as told:
                write_deposit(held, numbers, tmp_path / "out", more.pop("rights", own_rights()), **more)
            assert not (tmp_path / "out").exists()
            assert not list(tmp_path.glob(".out.partial*"))
            return told.value.sentence()

        assert "no specimen is named" in said()
        assert "has not been read yet" in said("OTC 2")
        assert "GPS" in said("OTC 1", added=[tmp_path / "where.jpg"])
        assert "DICOM" in said("OTC 1", added=[tmp_path / "head.dcm"])
        held.describe("OTC 1", {"license": "CC-BY-4.0"}, who="A. Keeper")
        assert "under the licence CC-BY-4.0" in said("OTC 1", rights=rights("CC0-1.0", "OTC", "none", ["R, A"]))
        held.describe("OTC 1", {"license": ""}, who="A. Keeper")
        write_deposit(held, ["OTC 1"], tmp_path / "out", own_rights(), meshes=False, added=[tmp_path / "plate.png"])
    assert (tmp_path / "out" / "added" / "plate.png").is_file()
    assert verify(tmp_path / "out").sound


# -- received


def test_a_deposit_is_received_as_it_was(made: Path, decided: Path, tmp_path: Path) -> None:
    with Collection.create(tmp_path / "new") as held, Collection.open(decided) as theirs:
        assert receive(made, held, who="C. Keeper") == ["OTC 1"]
        assert account_to_dict(held.account("OTC 1")) == account_to_dict(theirs.account("OTC 1"))
        assert held.decisions("OTC 1") == theirs.decisions("OTC 1")
        assert [r.uid for r in held.readings("OTC 1")] == [r.uid for r in theirs.readings("OTC 1")]
        specimen = held.specimen("OTC 1")
        assert specimen.scientific_name == "Fictus sketchi (invented)"
        assert specimen.terms["decimalLatitude"] == -33.9
        assert "to 0.1 degree" in specimen.terms["occurrenceRemarks"]
        held.decide("OTC 1", Agree("formula/counts"), who="C. Keeper")
        assert held.decisions("OTC 1")[-1].number == 6
        report = held.check()
        assert report.sound, report.faults
        with pytest.raises(OssicleError, match="is in the collection already"):
            receive(made, held)
        # and given on
        write_deposit(held, ["OTC 1"], tmp_path / "on.zip", own_rights(), meshes=False)
    assert verify(tmp_path / "on.zip").sound


def test_an_altered_deposit_is_not_received(made: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(made, tmp_path / "copy"))
    spoilt(copy / "specimens" / "OTC-1" / "decisions.json", 40)
    with Collection.create(tmp_path / "new") as held:
        with pytest.raises(OssicleError, match=r"decisions\.json: is altered"):
            receive(copy, held)
        assert held.specimens().total == 0


@pytest.mark.parametrize("lack", ["scan", "scan of a reading", "reading"])
def test_what_cannot_be_received_whole_leaves_nothing(lack: str, made: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(made, tmp_path / "copy"))
    place = copy / "specimens" / "OTC-1"
    record = json.loads((place / "specimen.json").read_text())
    if lack == "scan":
        record["scans"].append({**record["scans"][0], "key": "f" * 32})
    elif lack == "scan of a reading":
        record["readings"].append({**record["readings"][0], "uid": "e" * 32, "scan_key": "e" * 32, "number": 9})
    else:
        record["readings"].append({**record["readings"][0], "uid": "d" * 32, "number": 9})
    (place / "specimen.json").write_text(json.dumps(record))
    write_manifest(copy)  # as somebody would who makes a deposit of their own
    with Collection.create(tmp_path / "new") as held:
        before = sorted(p.relative_to(held.layout.root) for p in held.layout.root.rglob("*"))
        with pytest.raises(OssicleError, match=r"OTC.1: .*(not among its|are missing|does not tell of)"):
            receive(copy, held)
        assert held.specimens().total == 0
        assert sorted(p.relative_to(held.layout.root) for p in held.layout.root.rglob("*")) == before


def _teeth(record: dict[str, Any]) -> list[dict[str, Any]]:
    return record["reading"]["teeth"]


FORGED: dict[str, tuple[str, Callable[[Any], object]]] = {
    "a key that leads elsewhere": ("specimen.json", lambda r: r["scans"][0].update(key="../../../elsewhere")),
    "seconds in words": ("specimen.json", lambda r: r["readings"][0].update(seconds="three")),
    "a reading twice": ("specimen.json", lambda r: r["readings"].append(r["readings"][0])),
    "a number beyond any": ("specimen.json", lambda r: r["readings"][0].update(number=10**20)),
    "half a character": ("specimen.json", lambda r: r.update(catalogNumber="OTC \ud800")),
    "a number for a name": ("decisions.json", lambda r: r[0]["anchors"][0]["structure"].update(volume_mm3="large")),
    "no such kind": ("decisions.json", lambda r: r[0].update(kind="guess")),
    "a rename without a name": ("decisions.json", lambda r: r[0].update(said={})),
    "a landmark without a place": ("decisions.json", lambda r: r[2].update(anchors=[])),
    "a length in words": ("reading.json", lambda r: _teeth(r)[0].update(length_mm="long")),
    "a tooth of no row": ("reading.json", lambda r: _teeth(r)[0].update(jaw="left")),
    "a predecessor that is none": ("reading.json", lambda r: _teeth(r)[0].update(part=10**20)),
}


@pytest.mark.parametrize("what", FORGED)
def test_forged_records_are_told_in_a_sentence_and_leave_nothing(what: str, made: Path, tmp_path: Path) -> None:
    """Records that were changed with their digests, as one who makes a deposit of their own can."""
    name, change = FORGED[what]
    copy = Path(shutil.copytree(made, tmp_path / "copy"))
    file = next(copy.glob(f"specimens/OTC-1/**/{name}"))
    record = json.loads(file.read_text())
    change(record)
    file.write_bytes(chained(json.dumps(record).encode()) if name == "decisions.json" else json.dumps(record).encode())
    write_manifest(copy)
    with Collection.create(tmp_path / "new") as held:
        with pytest.raises(OssicleError) as told:
            receive(copy, held)
        said = told.value.sentence()
        assert "\n" not in said
        assert "ValueError" not in said  # which tells a curator nothing; others say little without their names
        assert "ossicle check" not in said  # which is for collections
        assert held.specimens().total == 0
    with pytest.raises(OssicleError):
        verify(copy)


def test_readings_that_cannot_be_entered_are_taken_away_again(made: Path, tmp_path: Path) -> None:
    """The catalogue fails after the files were placed: none of them stays, and the same can be received after that."""
    with Collection.create(tmp_path / "new") as held, pytest.MonkeyPatch.context() as patch:
        patch.setattr(receiving, "row_of", lambda *_: (_ for _ in ()).throw(OssicleError("the disk is full")))
        with pytest.raises(OssicleError, match="the disk is full"):
            receive(made, held)
        assert not list((held.layout.root / "readings").iterdir())
        assert held.readings("OTC 1") == []
        assert held.check().sound


def test_the_same_scan_from_other_files_is_told_before_anything_is_kept(
    made: Path, decided: Path, tmp_path: Path
) -> None:
    with Collection.create(tmp_path / "new") as held, Collection.open(decided) as theirs:
        scan = theirs.scan(theirs.scans("OTC 1")[0].key)
        grey = np.asarray(scan.values)
        (tmp_path / "again").mkdir()
        for n, page in enumerate(grey):
            tifffile.imwrite(tmp_path / "again" / f"s{n:03}.tif", page)
        (tmp_path / "again" / "scan.json").write_text(
            json.dumps({"spacing_mm_zyx": list(scan.geometry.spacing_mm_zyx), "mirrored": False})
        )
        held.take_in(tmp_path / "again", {"catalogNumber": "OTC 9"})
        with pytest.raises(OssicleError, match="taken in from other files"):
            receive(made, held)
        assert [s.catalog_number for s in held.specimens().items] == ["OTC 9"]


# -- commands


def test_the_commands(run: Any, decided: Path, tmp_path: Path) -> None:
    out = tmp_path / "OTC-1.zip"
    words = ["--license", "CC-BY-4.0", "--rights-holder", "OTC", "--embargo", "none", "--author", "Reader, Anna"]
    told = run("deposit", "OTC 1", "--in", decided, "--out", out, *words, "--no-meshes", "--date", "2031-05-01")
    assert told.code == 0, told.err
    assert json.loads(run("deposit", "--verify", out, "--json").out)["sound"]
    assert run("receive", out, "--into", tmp_path / "new").out == "OTC 1: received\n"
    assert run("deposit", "OTC 1", "--in", decided, "--out", out, *words).code == 2  # it is there already
    spoilt(out, out.stat().st_size // 2)
    bad = run("deposit", "--verify", out)
    assert bad.code == 2
    assert run("deposit", "OTC 1", "--in", decided, "--out", tmp_path / "x").sentence.startswith(
        "--license: no licence"
    )
    assert run("tables", "OTC 1", "--in", decided, "--out", tmp_path / "tables").code == 0
    with open(tmp_path / "tables" / "dentition.csv", newline="", encoding="utf-8") as file:
        assert next(csv.DictReader(file))["specimen"] == "OTC 1"
