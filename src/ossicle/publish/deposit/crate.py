"""The deposit's metadata as RO-Crate 1.3 (https://w3id.org/ro/crate/1.3) and its provenance in terms of PROV-O."""

from __future__ import annotations

import json
import mimetypes
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from ossicle import __version__
from ossicle.collection import Decision, ReadingInfo, ScanInfo, words_of
from ossicle.collection.files import digest_file

from .rights import Rights

__all__ = ["METADATA", "Told", "crate_json", "provenance_json"]

METADATA = "ro-crate-metadata.json"
CONTEXT = "https://w3id.org/ro/crate/1.3/context"
SOFTWARE = f"#ossicle-{__version__}"
_FORMATS = {
    ".json": "application/json", ".jsonld": "application/ld+json", ".csv": "text/csv", ".html": "text/html",
    ".md": "text/markdown", ".cff": "application/x-yaml", ".nex": "text/plain", ".glb": "model/gltf-binary",
    ".npz": "application/zip", ".zip": "application/zip", ".parquet": "application/vnd.apache.parquet",
    ".nii": "application/octet-stream",
}  # fmt: skip
_WORDS = {
    "README.md": "What stands where, and how to check it",
    "CITATION.cff": "How to cite this deposit",
    "provenance.jsonld": "Provenance in terms of PROV-O",
    "darwin-core-archive.zip": "The specimens as a Darwin Core Archive",
    "account.json": "Account of the specimen as data (schema ossicle-account/1)",
    "account.html": "Account of the specimen, to read",
    "specimen.json": "Catalogue data, scans and readings of the specimen",
    "decisions.json": "Decisions of persons, each chained to the one before",
    "reading.json": "What was read, before persons decided",
    "arrays.npz": "Pictures, curves and masks of a reading",
    "parts.glb": "Surfaces of the parts",
    "datapackage.json": "Data dictionary of the tables (Frictionless Data Package)",
}


@dataclass(frozen=True)
class Told:
    """What the metadata tell of one specimen: its folder, number, name, scans and readings kept, decisions."""

    folder: str
    number: str
    scientific_name: str
    identifier: str
    scans: Sequence[ScanInfo]
    readings: Sequence[ReadingInfo]
    decisions: Sequence[Decision] = field(default=())


def _date(made: date, rights: Rights) -> str:
    return (rights.embargo or made).isoformat()


def crate_json(folder: Path, title: str, rights: Rights, made: date, told: Sequence[Told]) -> str:
    """Return the metadata of all that lies in a folder.

    Stores (OME-Zarr) are told as datasets, their many pieces by the manifest alone.
    """
    stores = sorted(p for p in folder.rglob("*.ome.zarr") if p.is_dir())
    files = [
        p
        for p in sorted(folder.rglob("*"))
        if p.is_file() and p.name != METADATA and not any(s in p.parents for s in stores)
    ]
    parts = [_file(folder, p) for p in files] + [_store(folder, s) for s in stores]
    authors = [_person(a.name, a.orcid, a.family, a.given) for a in rights.authors]
    deciders = sorted({d.who for t in told for d in t.decisions})
    by_name = {a["name"]: a["@id"] for a in authors}
    persons = [_person(who, "") for who in deciders if who not in by_name]
    actions = [a for t in told for a in _actions(t)]
    access = f"Under embargo until {rights.embargo.isoformat()}" if rights.embargo else "Open"
    numbers = ", ".join(t.number for t in told)
    root: dict[str, Any] = {
        "@id": "./",
        "@type": "Dataset",
        "name": title,
        "description": f"Skulls read from CT scans, with their accounts, decisions and evidence: {numbers}.",
        "datePublished": _date(made, rights),
        "license": {"@id": rights.address},
        "conditionsOfAccess": access,
        "copyrightHolder": {"@id": "#rights-holder"},
        "publisher": {"@id": "#rights-holder"},
        "author": [{"@id": a["@id"]} for a in authors],
        "contributor": [{"@id": p["@id"]} for p in persons],
        "about": [{"@id": t.identifier} for t in told],
        "hasPart": [{"@id": p["@id"]} for p in parts],
        "mentions": [{"@id": a["@id"]} for a in actions],
    }
    graph: list[dict[str, Any]] = [
        {
            "@id": METADATA,
            "@type": "CreativeWork",
            "conformsTo": {"@id": "https://w3id.org/ro/crate/1.3"},
            "about": {"@id": "./"},
        },
        root,
        *parts,
        *authors,
        *persons,
        {
            "@id": rights.address,
            "@type": "CreativeWork",
            "name": rights.licence,
            "url": rights.address,
            "description": f"Licence of this deposit: {rights.licence}",
        },
        {"@id": "#rights-holder", "@type": "Organization", "name": rights.holder},
        {
            "@id": SOFTWARE,
            "@type": "SoftwareApplication",
            "name": "Ossicle",
            "version": __version__,
            "softwareVersion": __version__,
            # The profile asks for an address; the program has no page of its own, and this one says what it is.
            "url": "README.md",
        },
        *(
            {
                "@id": t.identifier,
                "@type": "Thing",
                "name": f"{t.number} {t.scientific_name}".strip(),
                "identifier": t.number,
            }
            for t in told
        ),
        *actions,
    ]
    whole = {"@context": CONTEXT, "@graph": [_single(entity) for entity in graph]}
    return json.dumps(whole, ensure_ascii=False, indent=1) + "\n"


def _single(entity: Mapping[str, Any]) -> dict[str, Any]:
    """Return an entity with lists of one as that one, and without empty lists, as the standard recommends."""
    out = {k: v[0] if isinstance(v, list) and len(v) == 1 else v for k, v in entity.items()}
    return {k: v for k, v in out.items() if v != []}


def _said(name: str) -> str:
    if name.startswith("tables/"):
        return f"Table of {Path(name).stem} as {Path(name).suffix[1:]}; its columns are told in datapackage.json"
    if name.startswith("matrix/"):
        return "Characters: matrix with evidence"
    return "Put in by those who made the deposit" if name.startswith("added/") else "Part of the deposit"


def _file(folder: Path, path: Path) -> dict[str, Any]:
    name = path.relative_to(folder).as_posix()
    kind = _FORMATS.get(path.suffix) or mimetypes.guess_type(path.name)[0] or "application/octet-stream"
    return {
        "@id": name,
        "@type": "File",
        "name": path.name,
        "description": _WORDS.get(path.name) or _said(name),
        "encodingFormat": kind,
        "contentSize": str(path.stat().st_size),
        "sha256": digest_file(path),
    }


def _store(folder: Path, path: Path) -> dict[str, Any]:
    name = path.relative_to(folder).as_posix()
    what = "Parts of a reading as labels" if "/parts/" in name else "The scan, with the parts of its reading as labels"
    return {
        "@id": f"{name}/",
        "@type": "Dataset",
        "name": what,
        "description": "OME-Zarr 0.5; its pieces are listed in manifest-sha256.txt",
        "encodingFormat": "application/vnd.zarr+ome",
    }


def _person(name: str, orcid: str, family: str = "", given: str = "") -> dict[str, Any]:
    out = {"@id": orcid or _agent(name), "@type": "Person", "name": name}
    return out | ({"familyName": family} if family else {}) | ({"givenName": given} if given else {})


def _agent(name: str) -> str:
    return "#person-" + "".join(c if c.isascii() and c.isalnum() else "-" for c in name)


def _actions(t: Told) -> Iterable[dict[str, Any]]:
    stores = {s.key: _store_of(t, s.key) for s in t.scans}
    for r in t.readings:
        yield {
            "@id": f"#reading-{r.uid}",
            "@type": "CreateAction",
            "name": f"Reading {r.number} of {t.number}",
            "startTime": r.at,
            "endTime": r.at,
            "instrument": {"@id": SOFTWARE},
            "object": [{"@id": stores[r.scan_key]}] if r.scan_key in stores else [],
            "result": [{"@id": f"{t.folder}/readings/{r.uid}/reading.json"}],
            "description": f"Made by version {r.code_version}; decisions heeded: {list(r.heeded) or 'none'}",
        }
    yield {
        "@id": f"#account-{t.folder.rpartition('/')[2]}",
        "@type": "CreateAction",
        "name": f"Account of {t.number}: its last reading with {len(t.decisions)} decisions",
        "instrument": {"@id": SOFTWARE},
        "object": [{"@id": f"{t.folder}/readings/{t.readings[-1].uid}/reading.json"},
                   {"@id": f"{t.folder}/decisions.json"}],
        "result": [{"@id": f"{t.folder}/account.json"}, {"@id": f"{t.folder}/account.html"}],
    }  # fmt: skip


def _store_of(t: Told, key: str) -> str:
    return f"{t.folder}/scans/{key}.ome.zarr/"


# -- provenance

_PROV = {
    "prov": "http://www.w3.org/ns/prov#",
    "xsd": "http://www.w3.org/2001/XMLSchema#",
    "rdfs": "http://www.w3.org/2000/01/rdf-schema#",
    "label": "rdfs:label",
    "used": {"@id": "prov:used", "@type": "@id"},
    "wasGeneratedBy": {"@id": "prov:wasGeneratedBy", "@type": "@id"},
    "wasDerivedFrom": {"@id": "prov:wasDerivedFrom", "@type": "@id"},
    "wasAssociatedWith": {"@id": "prov:wasAssociatedWith", "@type": "@id"},
    "wasAttributedTo": {"@id": "prov:wasAttributedTo", "@type": "@id"},
    "endedAtTime": {"@id": "prov:endedAtTime", "@type": "xsd:dateTime"},
}


def provenance_json(told: Sequence[Told]) -> str:
    """Return scan, readings, decisions and account of each specimen as entities, activities and agents of PROV-O."""
    graph: list[Mapping[str, Any]] = [
        {"@id": SOFTWARE, "@type": ["prov:Agent", "prov:SoftwareAgent"], "label": f"Ossicle {__version__}"}
    ]
    for who in sorted({d.who for t in told for d in t.decisions}):
        graph.append({"@id": _agent(who), "@type": ["prov:Agent", "prov:Person"], "label": who})
    for t in told:
        graph += _history(t)
    return json.dumps({"@context": _PROV, "@graph": graph}, ensure_ascii=False, indent=1) + "\n"


def _history(t: Told) -> Iterable[Mapping[str, Any]]:
    stem = t.folder.rpartition("/")[2]
    for s in t.scans:
        sources = [f"#source-{x['sha256']}" for x in s.sources[:1]]
        for x in s.sources[:1]:
            more = f" and {len(s.sources) - 1} more" if len(s.sources) > 1 else ""
            label = f"source file {x['name']} (SHA-256 {x['sha256']}){more}"
            yield {"@id": f"#source-{x['sha256']}", "@type": "prov:Entity", "label": label}
        yield {
            "@id": _store_of(t, s.key),
            "@type": "prov:Entity",
            "label": f"scan {s.name}, greys SHA-256 {s.content_sha256}",
            "wasDerivedFrom": sources,
        }
    for r in t.readings:
        heeded = [f"#{stem}-decision-{n}" for n in r.heeded]
        yield {
            "@id": f"#reading-{r.uid}",
            "@type": "prov:Activity",
            "label": f"reading {r.number}, version {r.code_version}",
            "used": [_store_of(t, r.scan_key), *heeded],
            "wasAssociatedWith": SOFTWARE,
            "endedAtTime": r.at,
        }
        yield {
            "@id": f"{t.folder}/readings/{r.uid}/reading.json",
            "@type": "prov:Entity",
            "label": f"what reading {r.number} says",
            "wasGeneratedBy": f"#reading-{r.uid}",
            "wasDerivedFrom": [_store_of(t, r.scan_key)],
        }
    for d in t.decisions:
        yield {
            "@id": f"#{stem}-deciding-{d.number}",
            "@type": "prov:Activity",
            "label": words_of(d),
            "wasAssociatedWith": _agent(d.who),
            "endedAtTime": d.at,
        }
        yield {
            "@id": f"#{stem}-decision-{d.number}",
            "@type": "prov:Entity",
            "label": f"decision {d.number}: {d.who} {words_of(d)}" + (f" ({d.why})" if d.why else ""),
            "wasGeneratedBy": f"#{stem}-deciding-{d.number}",
            "wasAttributedTo": _agent(d.who),
        }
    yield {
        "@id": f"{t.folder}/account.json",
        "@type": "prov:Entity",
        "label": f"account of {t.number}",
        "wasDerivedFrom": [
            f"{t.folder}/readings/{t.readings[-1].uid}/reading.json",
            *(f"#{stem}-decision-{d.number}" for d in t.decisions),
        ],
        "wasAttributedTo": SOFTWARE,
    }
