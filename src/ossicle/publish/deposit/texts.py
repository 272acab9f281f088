"""README and CITATION.cff of a deposit."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from ossicle import __version__

from .rights import Rights

__all__ = ["citation_cff", "readme"]


def citation_cff(title: str, rights: Rights, made: date) -> str:
    """Return the citation (Citation File Format 1.2.0)."""
    lines = ["cff-version: 1.2.0", 'message: "If you use this deposit, please cite it as below."', "type: dataset"]
    lines.append(f"title: {_quoted(title)}")
    lines.append("authors:")
    for a in rights.authors:
        lines.append(f"  - family-names: {_quoted(a.family)}")
        if a.given:
            lines.append(f"    given-names: {_quoted(a.given)}")
        if a.orcid:
            lines.append(f"    orcid: {_quoted(a.orcid)}")
    lines.append(f"date-released: {_quoted((rights.embargo or made).isoformat())}")
    if rights.licence.startswith("https://"):
        lines.append(f"license-url: {_quoted(rights.licence)}")
    else:
        lines.append(f"license: {rights.licence}")
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    flat = " ".join(text.split()).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{flat}"'


def readme(title: str, rights: Rights, made: date, specimens: Sequence[tuple[str, str, str]], scans: bool) -> str:
    """Return what stands where, how to check it, and what it may be used for.

    Parameters
    ----------
    specimens
        Catalogue number, folder, and the account's formula or what is known of it.
    """
    who = "; ".join(a.name for a in rights.authors)
    until = f"Under embargo until {rights.embargo.isoformat()}: not to be made public before." if rights.embargo else ""
    rows = "\n".join(f"| {number} | `{folder}/` | {said} |" for number, folder, said in specimens)
    scan_line = (
        "- `scans/*.ome.zarr`: the scan (OME-Zarr 0.5), several resolutions; `labels/` in it hold its parts."
        if scans
        else "- `parts/*.ome.zarr`: the parts of a reading as labels (OME-Zarr 0.5). The scan itself is not held here; "
        "`specimen.json` names it with its checksums."
    )
    return f"""# {title}

{who}. Made {made.isoformat()} with Ossicle {__version__}.
Licence: {rights.licence}. Rights: {rights.holder}. {until}

Not for clinical diagnosis. For human remains follow the policy of the institution that holds them. Localities of
sensitive species are given only as precisely as the collection allows; do not try to make them more precise.

| specimen | folder | teeth |
|---|---|---|
{rows}

## What stands where

- `ro-crate-metadata.json`: all of this for machines (RO-Crate 1.3). `provenance.jsonld`: who and what made it (PROV-O).
- `darwin-core-archive.zip`: the specimens (Darwin Core), their measurements, and the media (Audiovisual Core).
- `tables/`: teeth, measurements and openings as CSV and Parquet; `datapackage.json` says what each column means.
- `matrix/`: characters as NEXUS, CSV, and a page in which each cell opens its evidence.
- `CITATION.cff`: how to cite it.
- `manifest-sha256.txt`: the checksum of every file.

In the folder of a specimen:

- `account.html` (to read), `account.json` (schema ossicle-account/1).
- `specimen.json`: catalogue data, scans, readings. `decisions.json`: what persons decided; each is chained to the one
  before by a digest.
{scan_line}
- `readings/`: what was read, before persons decided.
- `meshes/parts.glb`: surfaces of the parts (glTF 2.0, metres, +Y up).

## How to check it

    sha256sum --check --quiet manifest-sha256.txt
    ossicle deposit --verify .            (and that the account follows from reading and decisions)
    ossicle deposit --verify . --reread   (and that a new reading of the scan gives the same account)

To put it into a collection: `ossicle receive . --into COLLECTION`.
"""
