"""Tables as CSV (RFC 4180, UTF-8) and Parquet, with a data dictionary: a Frictionless Data Package with Table Schema.

Units stand in the dictionary (``unit`` of each field) and in the Parquet files' column metadata.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from ossicle import __version__
from ossicle.account import Account
from ossicle.errors import OssicleError

from .rows import ROWS

__all__ = ["Field", "Table", "tables", "write_tables"]

PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"


@dataclass(frozen=True)
class Field:
    """A column: name, type of Table Schema, unit ("" for none) and meaning."""

    name: str
    type: str
    unit: str
    description: str


@dataclass(frozen=True)
class Table:
    """A table's dictionary."""

    name: str
    title: str
    description: str
    key: tuple[str, ...]
    fields: tuple[Field, ...]


@cache
def tables() -> Mapping[str, Table]:
    """Return the tables by name."""
    data = tomllib.loads(files("ossicle.publish.tables").joinpath("schema.toml").read_text(encoding="utf-8"))
    return {
        name: Table(name, t["title"], t["description"], tuple(t["key"]), tuple(Field(*f) for f in t["fields"]))
        for name, t in data.items()
    }


def write_tables(out: Path, accounts: Mapping[str, Account], *, licence: str = "", title: str = "") -> list[Path]:
    """Write ``dentition``, ``measurements`` and ``openings`` as CSV and Parquet, and ``datapackage.json``.

    Parameters
    ----------
    out
        A folder, made where it is missing.
    accounts
        By specimen.
    licence
        SPDX identifier, told in the package.

    Raises
    ------
    OssicleError
        The place cannot be written to.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
        resources = []
        written = []
        for name, table in tables().items():
            rows = [row for specimen, account in accounts.items() for row in ROWS[name](specimen, account)]
            text = _csv(table, rows).encode("utf-8")
            (out / f"{name}.csv").write_bytes(text)
            _parquet(out / f"{name}.parquet", table, rows)
            resources.append(_resource(table, text))
            written += [out / f"{name}.csv", out / f"{name}.parquet"]
        package = _package(resources, licence, title)
        (out / "datapackage.json").write_text(
            json.dumps(package, ensure_ascii=False, indent=1) + "\n", encoding="utf-8"
        )
    except OSError as error:
        raise OssicleError(
            f"the tables cannot be written ({error.strerror or error})", where=out, mend="mend that and run again"
        ) from error
    return [*written, out / "datapackage.json"]


def _csv(table: Table, rows: Sequence[Mapping[str, Any]]) -> str:
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow([f.name for f in table.fields])
    writer.writerows([["" if row[f.name] is None else row[f.name] for f in table.fields] for row in rows])
    return out.getvalue()


def _parquet(path: Path, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    kinds = {"string": pa.string(), "integer": pa.int64(), "number": pa.float64()}
    schema = pa.schema(
        [
            pa.field(f.name, kinds[f.type], metadata={"unit": f.unit, "description": f.description})
            for f in table.fields
        ],
        metadata={"title": table.title, "description": table.description, "made_by": f"Ossicle {__version__}"},
    )
    columns = [pa.array([row[f.name] for row in rows], kinds[f.type]) for f in table.fields]
    pq.write_table(pa.Table.from_arrays(columns, schema=schema), path, compression="zstd")


def _resource(table: Table, text: bytes) -> dict[str, Any]:
    return {
        "name": table.name,
        "path": f"{table.name}.csv",
        "type": "table",
        "profile": "tabular-data-resource",
        "title": table.title,
        "description": f"{table.description} The same stands in {table.name}.parquet.",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": len(text),
        "hash": f"sha256:{hashlib.sha256(text).hexdigest()}",
        "schema": {
            "fields": [
                {"name": f.name, "type": f.type, "description": f.description}
                | ({"unit": f.unit} if f.unit else {})
                | ({"constraints": {"required": True}} if f.name in table.key else {})
                for f in table.fields
            ],
            "primaryKey": list(table.key),
            "missingValues": [""],
        },
    }


def _package(resources: Sequence[Mapping[str, Any]], licence: str, title: str) -> dict[str, Any]:
    out: dict[str, Any] = {
        "$schema": PROFILE,
        "name": "ossicle-tables",
        "title": title or "Teeth, measurements and openings of skulls",
        "description": "Read from CT scans of skulls. Not for clinical diagnosis.",
        "resources": list(resources),
    }
    if licence:
        out["licenses"] = [{"name": licence}]
    return out
