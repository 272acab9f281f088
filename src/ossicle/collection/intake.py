"""Taking scans into a collection: convert, compare by content, put into place, write into the catalogue.

Each scan goes through by itself, and the entry in the catalogue comes last, in one transaction: stopped at any moment,
the same command goes on where it was, and at most the unfinished scan is converted again.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
import sqlalchemy as sa

from ossicle.account.run import source_name
from ossicle.errors import OssicleError
from ossicle.scans import Scan, load, open_store, parse_spacing
from ossicle.scans.naming import shown
from ossicle.scans.paths import written_elsewhere

from .catalogue import Catalogue
from .files import (
    FileLock,
    Layout,
    digest_tree,
    plain,
    read_json,
    sweep_work,
    sync,
    sync_tree,
    unwritable,
    work_folder,
)
from .scanner import scanner_settings
from .specimens import add, now
from .table import CatalogueRow, first_of
from .tables import ScanRow, SpecimenRow, SpecimenScan
from .terms import specimen_data

__all__ = ["Item", "Taken", "content_digest", "name_of", "plan_many", "take_in"]

Progress = Callable[[str, float], None]
Keep = Literal["reference", "copy"]


@dataclass(frozen=True)
class Item:
    """One scan to take in, and the specimen that it shows: values by term, at least ``catalogNumber``."""

    source: Path
    said: Mapping[str, str]
    spacing: str | None = None
    series: str | None = None
    mirrored: bool = False
    box_zyx: tuple[tuple[int, int], ...] | None = None


@dataclass(frozen=True)
class Taken:
    """What became of one scan: ``taken``, ``linked`` (the scan was there, the specimen is new to it), ``there``."""

    item: Item
    what: Literal["taken", "linked", "there"]
    specimen: str
    scan_key: str
    notes: tuple[str, ...] = field(default=())


def plan_many(folder: Path, rows: Sequence[CatalogueRow], spacing: str | None, mirrored: bool) -> list[Item]:
    """Return the scans of a table's rows below a folder.

    Raises
    ------
    OssicleError
        With every row whose source is not there, or lies outside the folder.
    """
    items, errors = [], []
    root = folder.resolve()
    for row in rows:
        source = written_elsewhere(folder, row.source)
        if not os.path.exists(source):  # False as well for a name that no file can have
            errors.append(f"row {row.line}, column 'source': there is no {shown(row.source)}")
        elif root not in (source.resolve(), *source.resolve().parents):
            errors.append(f"row {row.line}, column 'source': {shown(row.source)} lies outside {shown(folder.name)}")
        if row.spacing:
            try:
                parse_spacing(row.spacing)
            except OssicleError as error:
                errors.append(f"row {row.line}, column 'spacing_mm': {error.what}")
        items.append(Item(source, row.said, row.spacing or spacing, None, mirrored, row.box_zyx))
    if errors:
        raise OssicleError(first_of(errors), where=shown(folder), mend="mend them and run again")
    return items


def content_digest(scan: Scan) -> str:
    """Return the SHA-256 of a scan's shape and grey values, whatever the files, their names, format or integer type.

    Whole numbers are taken as 32 bits, so that the same greys in 8 and 16 bits are the same content.
    """
    digest = hashlib.sha256(json.dumps([list(scan.shape_zyx), scan.slope, scan.intercept]).encode())
    whole = scan.values.dtype.kind in "iu" and scan.values.dtype.itemsize <= 4
    thick = int(getattr(scan.values, "chunks", (64,))[0])
    for z in range(0, scan.shape_zyx[0], thick):
        slab = np.asarray(scan.values[z : z + thick])
        digest.update(np.ascontiguousarray(slab, "<i8" if slab.dtype == np.uint32 else "<i4" if whole else "<f8").data)
    return digest.hexdigest()


def take_in(
    catalogue: Catalogue,
    layout: Layout,
    items: Sequence[Item],
    *,
    keep: Keep = "reference",
    dry_run: bool = False,
    again: bool = False,
    who: str = "",
    threads: int = 2,
    progress: Progress | None = None,
) -> list[Taken]:
    """Take scans in, one after another.

    Parameters
    ----------
    items
        What to take in.
    keep
        ``copy`` keeps copies of the source files in the collection, ``reference`` where they lie.
    dry_run
        Convert and compare, but keep nothing.
    again
        Convert also what is there, and put it in place of a store that is damaged.
    progress
        Called with a text and the share of the whole done; may raise ``Cancelled``.

    Raises
    ------
    OssicleError
        A source or a value is wrong. What was taken in before stays.
    """
    sweep_work(layout)
    done = []
    for n, item in enumerate(items):

        def told(
            stage: str, share: float, n: int = n, name: str = shown(item.said.get("catalogNumber") or item.source.name)
        ) -> None:
            if progress is not None:
                progress(f"{name}: {stage}", (n + min(max(share, 0.0), 1.0)) / len(items))

        done.append(_one(catalogue, layout, item, _How(keep, dry_run, again, who, threads), told))
    return done


@dataclass(frozen=True)
class _How:
    keep: Keep
    dry_run: bool
    again: bool
    who: str
    threads: int


def _one(catalogue: Catalogue, layout: Layout, item: Item, how: _How, told: Progress) -> Taken:
    specimen_data(item.said)  # so that a wrong value is told before long work
    state = _state(item)
    with catalogue.reading() as session:
        known = session.scalars(sa.select(ScanRow).where(ScanRow.source_state == state)).first()
        if known is not None and not how.again and layout.scan(known.key).is_dir():
            number = item.said.get("catalogNumber", "")
            linked = sa.select(SpecimenRow).join(SpecimenScan).where(SpecimenScan.scan_id == known.id)
            if any(row.catalog_number == number for row in session.scalars(linked)):
                told("there already", 1.0)
                return Taken(item, "there", number, known.key)
    with work_folder(layout) as folder:
        scan = load(
            item.source,
            spacing_mm_zyx=None if item.spacing is None else parse_spacing(item.spacing),
            series=item.series,
            mirrored=item.mirrored,
            progress=lambda stage, share: told(stage, 0.8 * share),
            cache=folder,
            threads=how.threads,
        )
        if scan.store is None:
            raise OssicleError("this scan has no store", where=shown(item.source), mend="take in its files instead")
        _check_box(item, scan)
        told("comparing with the scans there", 0.85)
        content = content_digest(scan)
        key = _key_of(scan.store)
        with catalogue.reading() as session:
            same = session.scalars(
                sa.select(ScanRow).where((ScanRow.key == key) | (ScanRow.content_sha256 == content))
            ).first()
        if same is not None and layout.scan(same.key).is_dir():
            _same_calibration(item, scan, same)
            if (
                how.again
                and not how.dry_run
                and digest_tree(layout.scan(same.key), leave_out=("labels",)) != same.store_sha256
            ):
                return _keep(catalogue, layout, item, scan, same.key, content, state, how, folder)
            return _link(catalogue, item, same, how.who, how.dry_run)
        if how.dry_run:
            return Taken(item, "taken", _number(item), key, scan.warnings)
        told("putting it into place", 0.9)
        return _keep(catalogue, layout, item, scan, key, content, state, how, folder)


def _check_box(item: Item, scan: Scan) -> None:
    if item.box_zyx is not None and any(b > n for (_, b), n in zip(item.box_zyx, scan.shape_zyx, strict=True)):
        raise OssicleError(
            f"the box {item.box_zyx} reaches beyond the scan, which has {scan.shape_zyx} voxels (z, y, x)",
            where=shown(item.source),
            mend="mend the box",
        )


def _same_calibration(item: Item, scan: Scan, row: ScanRow) -> None:
    if scan.geometry.as_json() != row.geometry:
        z, y, x = row.geometry["spacing_mm_zyx"]
        a, b, c = scan.geometry.spacing_mm_zyx
        raise OssicleError(
            f"the same voxels are in the collection as {row.name!r}, with another calibration (spacing "
            f"{z:g} x {y:g} x {x:g} mm there, {a:g} x {b:g} x {c:g} mm here, or another orientation)",
            where=shown(item.source),
            mend="give the spacing and orientation that they were taken in with",
        )


def _number(item: Item) -> str:
    number = item.said.get("catalogNumber", "")
    if not number:
        raise OssicleError("the specimen has no catalogue number", where=shown(item.source), mend="give catalogNumber")
    return number


def _specimen(session: Any, item: Item, who: str) -> SpecimenRow:
    number = _number(item)
    row: SpecimenRow | None = session.scalar(sa.select(SpecimenRow).where(SpecimenRow.catalog_number == number))
    return add(session, specimen_data(item.said), who) if row is None else row


def _link(catalogue: Catalogue, item: Item, same: ScanRow, who: str, dry_run: bool) -> Taken:
    note = (f"its voxels are those of {same.name!r}, which is there already",)
    if dry_run:
        with catalogue.reading() as session:
            number = _number(item)
            linked = session.scalar(
                sa.select(SpecimenScan).join(SpecimenRow).where(
                    SpecimenScan.scan_id == same.id, SpecimenRow.catalog_number == number
                )
            )  # fmt: skip
        return Taken(item, "linked" if linked is None else "there", number, same.key, note)
    with catalogue.writing() as session:
        row = _specimen(session, item, who)
        if session.get(SpecimenScan, (row.id, same.id)) is not None:
            return Taken(item, "there", row.catalog_number, same.key, note)
        session.add(SpecimenScan(specimen_id=row.id, scan_id=same.id, box_zyx=plain(item.box_zyx)))
        return Taken(item, "linked", row.catalog_number, same.key, note)


def _keep(
    catalogue: Catalogue,
    layout: Layout,
    item: Item,
    scan: Scan,
    key: str,
    content: str,
    state: str,
    how: _How,
    folder: Path,
) -> Taken:
    """Put a scan into place and enter it; both under a lock, so that a check never takes it for a left-over."""
    with FileLock(layout.placing):
        assert scan.store is not None
        store = scan.store
        try:
            if folder not in store.parents:  # a store that was given is copied, never moved
                store = Path(shutil.copytree(store, folder / "store", ignore=shutil.ignore_patterns("labels")))
            sync_tree(store)
            digest = digest_tree(store, leave_out=("labels",))
            if how.keep == "copy":
                _copy_sources(item.source, folder / "sources", layout.sources(key), layout.root.resolve())
            _into_place(store, layout.scan(key), digest)
        except OSError as error:
            raise unwritable(layout.root, error) from error
        with catalogue.writing() as session:
            row = _specimen(session, item, how.who)
            kept = session.scalar(sa.select(ScanRow).where(ScanRow.key == key))
            if kept is None:
                kept = ScanRow(
                    key=key,
                    content_sha256=content,
                    store_sha256=digest,
                    name=name_of(item.source),
                    shape_zyx=list(scan.shape_zyx),
                    geometry=scan.geometry.as_json(),
                    grey_unit=scan.grey_unit,
                    calibration=_calibration(item, scan),
                    scanner=scanner_settings(item.source),
                    sources=[vars(s) for s in scan.sources],
                    source_kept=how.keep,
                    source_path=str(item.source.resolve()) if how.keep == "reference" else "",
                    source_state=state,
                    warnings=list(scan.warnings),
                    added=now(),
                )
                session.add(kept)
                session.flush()
            kept.store_sha256, kept.source_state = digest, state
            if session.get(SpecimenScan, (row.id, kept.id)) is None:
                session.add(SpecimenScan(specimen_id=row.id, scan_id=kept.id, box_zyx=plain(item.box_zyx)))
            return Taken(item, "taken", row.catalog_number, key, scan.warnings)


def _into_place(store: Path, final: Path, digest: str) -> None:
    """Move a store into place; one left there by a stopped intake stays if it is whole and the same."""
    if final.is_dir():
        try:
            open_store(final)
            if digest_tree(final, leave_out=("labels",)) == digest:
                return
        except OssicleError:
            pass
        if (final / "labels").is_dir():
            (final / "labels").rename(store / "labels")
        shutil.rmtree(final)
    store.rename(final)
    sync(final.parent)


def _key_of(store: Path) -> str:
    attributes = read_json(store / "zarr.json").get("attributes", {})
    return str(attributes.get("ossicle", {}).get("key", store.name.removesuffix(".ome.zarr")))


def _copy_sources(source: Path, partial: Path, final: Path, collection: Path) -> None:
    if final.is_dir():
        return
    if source.is_dir():
        shutil.copytree(source, partial, ignore=_not_copied(source.resolve(), collection))
    else:
        partial.mkdir()
        shutil.copy2(source, partial / source.name)
    sync_tree(partial)
    partial.rename(final)


def _not_copied(root: Path, collection: Path) -> Callable[[str, list[str]], set[str]]:
    """Leave links out that lead out of the folder, or nowhere, what is neither file nor folder, and the collection."""

    def left_out(folder: str, names: list[str]) -> set[str]:
        out = set()
        for name in names:
            path = Path(folder, name)
            target = path.resolve()
            leads_out = path.is_symlink() and (root not in target.parents or target in path.absolute().parents)
            if leads_out or target == collection or not (path.is_file() or path.is_dir()):
                out.add(name)
        return out

    return left_out


def _calibration(item: Item, scan: Scan) -> dict[str, Any]:
    by = "a person" if item.spacing is not None else "the source or its sidecar"
    return {"spacing_by": by, "slope": scan.slope, "intercept": scan.intercept, "mirrored_by_person": item.mirrored}


def name_of(source: Path) -> str:
    """Return how a source is called: its name, with its folder's where that says little."""
    return shown(source_name(source.resolve()))


def _state(item: Item) -> str:
    """Return a digest of what a source looks like from outside (names, sizes, times) and of the options."""
    try:
        files = sorted(p for p in item.source.rglob("*") if p.is_file()) if item.source.is_dir() else [item.source]
        looks = [(str(p.relative_to(item.source.parent)), p.stat().st_size, p.stat().st_mtime_ns) for p in files]
    except OSError as error:
        raise OssicleError(
            f"it cannot be read ({error.strerror})", where=shown(item.source), mend="mend that and run again"
        ) from error
    facts = [str(item.source.resolve()), item.spacing, item.series, item.mirrored, looks]
    return hashlib.sha256(json.dumps(facts).encode("utf-8", "surrogateescape")).hexdigest()
