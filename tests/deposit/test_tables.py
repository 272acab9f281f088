"""Tables with a data dictionary, validated by frictionless and read by pyarrow."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from frictionless import Package, validate
from test_character_scoring import ADULT, JUVENILE, account
from test_regions import structures

from ossicle.account import Account
from ossicle.publish.tables import tables, write_tables


@pytest.fixture(scope="module")
def accounts() -> dict[str, Account]:
    return {"OTC 1": account(*ADULT, structures=structures()), "OTC 2": account(*JUVENILE), "OTC 3": account("", "")}


@pytest.fixture(scope="module")
def written(accounts: dict[str, Account], tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("tables") / "new"
    write_tables(out, accounts, licence="CC0-1.0")
    return out


def test_frictionless_finds_no_fault(written: Path) -> None:
    report = validate(str(written / "datapackage.json"))
    assert report.valid, report.flatten(["rowNumber", "fieldName", "type", "note"])
    assert [task.name for task in report.tasks] == ["dentition", "measurements", "openings"]
    assert Package(str(written / "datapackage.json")).get_resource("dentition").read_rows()[0]["length"] is not None


@pytest.mark.parametrize("change", [("upper", "uper,extra"), (",left,", ",left,,"), ("\r\nOTC 2,", "\r\n,")])
def test_frictionless_finds_what_is_spoilt(written: Path, tmp_path: Path, change: tuple[str, str]) -> None:
    for file in written.iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    text = (tmp_path / "dentition.csv").read_bytes().decode()
    (tmp_path / "dentition.csv").write_bytes(text.replace(*change, 1).encode())
    assert not validate(str(tmp_path / "datapackage.json")).valid


def test_parquet_and_csv_hold_the_same_with_units(written: Path, accounts: dict[str, Account]) -> None:
    for name, table in tables().items():
        with open(written / f"{name}.csv", newline="", encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
        read = pq.read_table(written / f"{name}.parquet")
        assert read.column_names == [f.name for f in table.fields] == list(rows[0])
        for field in table.fields:
            said = read.schema.field(field.name).metadata
            assert said[b"unit"].decode() == field.unit
            values = read.column(field.name).to_pylist()
            assert ["" if v is None else str(v) for v in values] == [row[field.name] for row in rows]
    teeth = pq.read_table(written / "dentition.parquet")
    assert teeth.num_rows == sum(len(a.teeth) for a in accounts.values())
    assert set(teeth.column("specimen").to_pylist()) == {"OTC 1", "OTC 2"}


def test_each_measured_column_has_a_unit_and_most_an_error() -> None:
    for table in tables().values():
        names = {f.name for f in table.fields}
        for f in table.fields:
            assert f.description
            if f.type == "number":
                assert f.unit
                measured = (
                    not f.name.startswith(("centroid", "perimeter", "enamel_volume")) and "confidence" not in f.name
                )
                assert f.name.endswith("_error") or not measured or f"{f.name}_error" in names


def test_the_dictionary_names_its_licence(written: Path) -> None:
    data = json.loads((written / "datapackage.json").read_text(encoding="utf-8"))
    assert data["licenses"] == [{"name": "CC0-1.0"}]
