"""Making a deposit of specimens of a collection, whole or not at all."""

from __future__ import annotations

import json
import os
import secrets
import shutil
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import Any

from ossicle.account import Account, account_to_json
from ossicle.account.html import account_html
from ossicle.anatomy.characters import load_characters
from ossicle.collection import Collection, ReadingInfo, ScanInfo
from ossicle.collection.carrying import others_of
from ossicle.collection.files import plain
from ossicle.compare import from_collection
from ossicle.errors import OssicleError
from ossicle.publish.matrix import Shown, matrix_of, write_matrix
from ossicle.publish.scoring.specimens import score_specimen
from ossicle.publish.tables import write_tables
from ossicle.scans.labels import write_labels_list
from ossicle.scans.paths import file_name

from .archive import Medium, archive, occurrence_id
from .crate import METADATA, Told, crate_json, provenance_json
from .manifest import write_manifest
from .packing import pack
from .rights import Rights
from .specimen_records import SPECIMEN_FORMAT
from .texts import citation_cff, readme

__all__ = ["write_deposit"]

_DIGITAL = "http://rs.tdwg.org/ac/terms/Digital3DResource"
_STILL = "http://purl.org/dc/dcmitype/InteractiveResource"
Progress = Callable[[str, float], None]


def write_deposit(
    held: Collection,
    handles: Sequence[str],
    out: Path,
    rights: Rights,
    *,
    title: str = "",
    scans: bool = True,
    meshes: bool = True,
    added: Sequence[Path] = (),
    made: date | None = None,
    progress: Progress | None = None,
) -> Path:
    """Write a deposit of specimens that have been read.

    Parameters
    ----------
    out
        A new folder, or a file that ends in ``.zip``.
    scans
        Put the scans in; else they are named with their checksums alone.
    meshes
        Make surfaces of the parts.
    added
        Lessons, plates and other files to put in, as they are.
    made
        The day that is told; today where left out.

    Raises
    ------
    OssicleError
        A specimen may not leave the collection or has not been read, its licence is another, or the place cannot be
        written to. Nothing is left behind then.
    """
    if not handles:
        raise OssicleError("no specimen is named", mend="name those to deposit")
    if out.exists():
        raise OssicleError("this is there already", where=out, mend="name a new folder or file with --out")
    for handle in handles:
        _check(held, handle, rights)
    for file in added:
        _check_added(file)
    day = made or date.today()
    work = out.absolute().parent / f".{out.name}.partial-{secrets.token_hex(4)}"
    try:
        out.absolute().parent.mkdir(parents=True, exist_ok=True)
        folder = work / "deposit"
        folder.mkdir(parents=True)
        _fill(held, handles, folder, rights, title, scans, meshes, added, day, progress or _silent)
        if out.suffix.lower() == ".zip":
            with open(work / "deposit.zip", "wb") as archived:
                pack(folder, archived, progress)
                archived.flush()
                os.fsync(archived.fileno())
            os.replace(work / "deposit.zip", out)
        else:
            os.replace(folder, out)
    except OSError as error:
        raise OssicleError(
            f"the deposit could not be written ({error.strerror or error})", where=out, mend="mend that and run again"
        ) from error
    finally:
        shutil.rmtree(work, ignore_errors=True)
    return out


def _silent(stage: str, share: float) -> None:
    """Tell nobody."""


def _check(held: Collection, handle: str, rights: Rights) -> None:
    """Raise `OssicleError` where a specimen, or one that is seen in the same scan, may not leave."""
    held.check_export(handle)
    specimen = held.specimen(handle)
    own = str(specimen.terms.get("license", "")).strip()
    if own and not rights.same_as(own):
        raise OssicleError(
            f"{specimen.catalog_number} is under the licence {own}, the deposit under {rights.licence}",
            where="--license",
            mend="give that licence, or change the catalogue data where you may",
        )
    if not held.readings(handle):
        raise OssicleError(
            f"{handle} has not been read yet", mend="read it with `ossicle read SPECIMEN --in COLLECTION`"
        )
    for scan in held.scans(handle):
        for other in held.shown_by(scan.key):
            held.check_export(other)


def _check_added(file: Path) -> None:
    """Raise `OssicleError` where a file cannot be put in as it is: DICOM, or a picture that says where it was taken."""
    if not file.is_file() or file.is_symlink():
        raise OssicleError("there is no such file", where=file, mend="name a file with --with")
    with open(file, "rb") as opened:
        head = opened.read(132)
    if head[128:132] == b"DICM":
        raise OssicleError("DICOM files name patients and are not put in", where=file, mend="leave it out")
    from PIL import Image, UnidentifiedImageError

    with suppress(UnidentifiedImageError, OSError, ValueError), Image.open(file) as picture:
        if picture.getexif().get_ifd(0x8825):
            raise OssicleError("this picture says where it was taken (GPS)", where=file, mend="remove that first")


def _fill(
    held: Collection,
    handles: Sequence[str],
    folder: Path,
    rights: Rights,
    title: str,
    scans: bool,
    meshes: bool,
    added: Sequence[Path],
    day: date,
    progress: Progress,
) -> None:
    taken: set[str] = set()
    told: list[Told] = []
    accounts: dict[str, Account] = {}
    cells, shown, records, lines = {}, {}, [], []
    known = load_characters()
    for place, handle in enumerate(handles):
        specimen = held.specimen(handle)
        number = specimen.catalog_number

        def tell(stage: str, share: float, place: int = place, number: str = number) -> None:
            progress(f"{number}: {stage}", (place + share) / len(handles))

        name = f"specimens/{file_name(number, plain=True, taken=taken)}"
        one, account, media = _specimen(held, handle, folder, name, scans, meshes, tell)
        terms = {"scientificName": specimen.scientific_name, "sex": specimen.sex, "lifeStage": specimen.life_stage}
        terms = {k: v for k, v in {**terms, **specimen.terms}.items() if v not in ("", None)}
        told.append(one)
        accounts[number] = account
        cells[number] = score_specimen(held, handle, known)
        shown[number] = Shown({f.id: f.statement for f in account.findings}, f"../{name}/account.html")
        records.append((number, terms, account, media))
        lines.append((number, name, account.formula.text or "none in place"))
    whole_title = title or f"Skulls of {', '.join(accounts)}: scans, accounts and evidence"
    progress("tables and matrix", 1.0)
    write_tables(folder / "tables", accounts, licence=rights.licence, title=whole_title)
    write_matrix(folder / "matrix", matrix_of(list(known.values()), cells, title=whole_title), shown)
    for file in added:
        (folder / "added").mkdir(exist_ok=True)
        shutil.copyfile(file, folder / "added" / file.name)
    texts = {
        "README.md": readme(whole_title, rights, day, lines, scans),
        "CITATION.cff": citation_cff(whole_title, rights, day),
        "provenance.jsonld": provenance_json(told),
    }
    for name_of_file, text in texts.items():
        (folder / name_of_file).write_bytes(text.encode("utf-8"))
    (folder / "darwin-core-archive.zip").write_bytes(archive(records, whole_title, rights, day))
    progress("metadata and checksums", 1.0)
    (folder / METADATA).write_bytes(crate_json(folder, whole_title, rights, day, told).encode("utf-8"))
    write_manifest(folder)


def _specimen(
    held: Collection, handle: str, root: Path, name: str, scans: bool, meshes: bool, tell: Progress
) -> tuple[Told, Account, list[Medium]]:
    folder = root / name
    folder.mkdir(parents=True)
    specimen = held.specimen(handle)
    decisions = held.decisions(handle)
    readings = held.readings(handle)
    last = readings[-1]
    kept: list[ReadingInfo] = [*others_of(readings, last.scan_key, decisions), last]
    wanted = {r.scan_key for r in kept}
    seen: list[ScanInfo] = [s for s in held.scans(handle) if s.key in wanted]
    tell("scan", 0.05)
    for s in seen:
        _store(held, s.key, [r.uid for r in kept if r.scan_key == s.key], folder, scans)
    for r in kept:
        shutil.copytree(held.layout.reading(r.uid), folder / "readings" / r.uid)
    tell("account", 0.3)
    replayed = held.replayed(handle)
    account = replayed.account
    (folder / "account.json").write_bytes(account_to_json(account).encode("utf-8"))
    (folder / "account.html").write_bytes(account_html(account, replayed.reading).encode("utf-8"))
    _json(folder / "decisions.json", [d.as_json() for d in decisions])
    terms = {**specimen.terms, "scientificName": specimen.scientific_name}
    terms |= {"sex": specimen.sex, "lifeStage": specimen.life_stage}
    _json(
        folder / "specimen.json",
        {
            "format": SPECIMEN_FORMAT,
            "catalogNumber": specimen.catalog_number,
            "terms": {k: v for k, v in terms.items() if v not in ("", None)},
            "humanRemains": specimen.human_remains,
            "scans": [{**asdict(s), "held": scans} for s in seen],
            "readings": [asdict(r) for r in kept],
            "reading": last.uid,
        },
    )
    media = [
        Medium(f"{name}/account.html", _STILL, "account", "text/html", f"Account of {specimen.catalog_number}", "skull")
    ]
    if scans:
        media += [
            Medium(f"{name}/scans/{s.key}.ome.zarr", _DIGITAL, "scan", "application/vnd.zarr+ome",
                   f"CT scan of {specimen.catalog_number}, voxels of {max(s.spacing_mm_zyx):g} mm", "skull")
            for s in seen
        ]  # fmt: skip
    if meshes:
        tell("surfaces", 0.4)
        made = _meshes(held, handle, folder / "meshes", lambda part, share: tell("surfaces", 0.4 + 0.6 * share))
        if made:
            caption = f"Surfaces of the parts of {specimen.catalog_number}"
            media.append(
                Medium(f"{name}/meshes/parts.glb", _DIGITAL, "surfaces", "model/gltf-binary", caption, "skull")
            )
    identifier = occurrence_id(specimen.terms, specimen.catalog_number)
    told = Told(
        name, specimen.catalog_number, specimen.scientific_name, identifier, seen if scans else [], kept, decisions
    )
    return told, account, media


def _store(held: Collection, key: str, uids: Sequence[str], folder: Path, scans: bool) -> None:
    """Copy a scan with the labels of some of its readings, or these alone."""
    if not scans:
        for uid in uids:
            shutil.copytree(held.layout.labels(key, uid), folder / "parts" / f"{uid}.ome.zarr")
        return
    target = folder / "scans" / f"{key}.ome.zarr"
    shutil.copytree(held.layout.scan(key), target, ignore=lambda at, names: {"labels"} & set(names))
    for uid in uids:
        shutil.copytree(held.layout.labels(key, uid), target / "labels" / uid)
    write_labels_list(target)


def _meshes(held: Collection, handle: str, out: Path, progress: Progress) -> bool:
    from ossicle.publish.meshes import meshes_of
    from ossicle.publish.meshfiles import scene_bytes

    s = from_collection(held, handle)
    present = {n for n, box in enumerate(s.boxes, start=1) if box is not None}
    made = meshes_of(s, [p.part for p in s.account.parts if p.part in present], None, progress)
    if made:
        out.mkdir()
        (out / "parts.glb").write_bytes(scene_bytes(s, made))
    return bool(made)


def _json(path: Path, value: Any) -> None:
    text = json.dumps(plain(value), ensure_ascii=False, indent=1, allow_nan=False)
    path.write_bytes((text + "\n").encode("utf-8"))
