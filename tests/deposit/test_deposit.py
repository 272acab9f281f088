"""Deposits made and read by others' readers; rights and what must not leave. All specimens are drawn."""

from __future__ import annotations

import csv
import json
import shutil
import zipfile
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from deposit_tools import DAY, own_rights, spoilt
from PIL import Image

from ossicle.collection import Collection
from ossicle.errors import OssicleError
from ossicle.publish.deposit import receive, rights, verify, write_deposit
from ossicle.publish.matrix import read_nexus

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
