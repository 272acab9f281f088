"""A collection's folder and its catalogue, made or found: what `Collection.create` and `Collection.open` stand on."""

from __future__ import annotations

import os
import secrets
from pathlib import Path

import sqlalchemy as sa

from ossicle.errors import OssicleError
from ossicle.scans.naming import shown

from .catalogue import Catalogue
from .files import Layout
from .specimens import now
from .tables import CollectionInfo

__all__ = ["catalogue_url", "found_there", "made_anew", "stopped_while_made"]


def catalogue_url(layout: Layout) -> str:
    """Return the address of a collection's catalogue; ``OSSICLE_CATALOGUE`` goes before what the folder says.

    A password is never kept in the folder: give it in ``OSSICLE_CATALOGUE``, ``PGPASSWORD`` or ``~/.pgpass``.

    Raises
    ------
    OssicleError
        The folder says something else than SQLite or PostgreSQL: no file outside the folder is opened as a catalogue.
    """
    said = str(layout.read_marker().get("catalogue", "sqlite"))
    if said == "sqlite":
        return f"sqlite:///{layout.sqlite}"
    if not said.startswith("postgresql:"):
        raise OssicleError(
            "the catalogue is neither the file in this folder nor a PostgreSQL database",
            where=shown(layout.marker),
            mend='write catalogue = "sqlite", or the address of its database',
        )
    return os.environ.get("OSSICLE_CATALOGUE") or said


def made_anew(layout: Layout, catalogue: str | None) -> tuple[Layout, Catalogue, str]:
    """Make a collection's folder and catalogue; return them with the collection's own id. See `Collection.create`."""
    if layout.root.exists() and not layout.root.is_dir():
        raise OssicleError("this is a file, not a folder", where=shown(layout.root), mend="name a new or empty folder")
    if layout.root.exists() and any(layout.root.iterdir()):
        what = "this is a collection already" if layout.marker.is_file() else "this folder holds something else"
        raise OssicleError(what, where=shown(layout.root), mend="name a new or empty folder")
    layout.make()
    uid = secrets.token_hex(16)
    url = catalogue or f"sqlite:///{layout.sqlite}"
    database = Catalogue(url)
    database.prepare()
    with database.writing() as session:
        known = session.scalar(sa.select(CollectionInfo.uid))
        if known is not None:
            raise OssicleError(
                "this database is the catalogue of another collection",
                where=database.shown,
                mend="make an empty one",
            )
        session.add(CollectionInfo(uid=uid, created=now()))
    said = "sqlite" if catalogue is None else _without_password(database)
    layout.write_marker(uid=uid, created=now(), catalogue=said)
    return layout, database, uid


def found_there(layout: Layout) -> tuple[Layout, Catalogue, str]:
    """Open a collection's folder and catalogue; return them with the collection's own id. See `Collection.open`."""
    marker = layout.read_marker()
    layout.make()
    url = catalogue_url(layout)
    if url.startswith("sqlite") and not layout.sqlite.is_file():
        raise OssicleError(
            "the catalogue of this collection is missing", where=shown(layout.sqlite), mend="restore it from a copy"
        )
    catalogue = Catalogue(url)
    catalogue.prepare(keep=layout.root)
    with catalogue.reading() as session:
        known = session.scalar(sa.select(CollectionInfo.uid))
    if known != marker.get("uid"):
        raise OssicleError(
            "the catalogue is that of another collection", where=catalogue.shown, mend="mend collection.toml"
        )
    return layout, catalogue, str(known)


def _without_password(catalogue: Catalogue) -> str:
    return catalogue.url.set(drivername="postgresql", password=None).render_as_string(hide_password=False)


def stopped_while_made(root: Path) -> bool:
    """Whether a folder holds nothing but what `Collection.create` makes before its marker."""
    expected = {"scans", "sources", "readings", "attachments", "work"}
    names = {p.name for p in root.iterdir()}
    return bool(names) and all(
        (n in expected and not any((root / n).iterdir())) or n.startswith(("catalogue.sqlite", ".collection.toml."))
        for n in names
    )
