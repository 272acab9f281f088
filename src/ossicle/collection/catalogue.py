"""The catalogue: a database behind a collection, SQLite or PostgreSQL, brought to the current schema when opened."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from contextlib import closing, contextmanager
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy import event
from sqlalchemy.exc import IntegrityError, StatementError
from sqlalchemy.orm import Session
from sqlalchemy.orm.exc import StaleDataError

from ossicle.errors import OssicleError
from ossicle.scans.naming import shown

__all__ = ["Catalogue", "Conflict", "current_revision", "upgrade"]

_WAIT_S = 60


class Conflict(OssicleError):
    """Another process changed the same thing in the meantime; nothing was overwritten."""


class Catalogue:
    """A database and how to talk to it.

    Parameters
    ----------
    url
        ``sqlite:///...`` or ``postgresql://...``.

    Raises
    ------
    OssicleError
        The database cannot be reached, or was made by a later Ossicle.
    """

    def __init__(self, url: str) -> None:
        self.url = _with_driver(url)
        self.shown = self.url.render_as_string(hide_password=True)
        self.is_sqlite = self.url.get_backend_name() == "sqlite"
        try:
            if self.is_sqlite:
                self.engine = sa.create_engine(self.url, connect_args={"timeout": _WAIT_S}, json_serializer=_json)
                event.listen(self.engine, "connect", _sqlite_settings)
                event.listen(self.engine, "begin", _sqlite_begin)
            else:
                self.engine = sa.create_engine(self.url, pool_pre_ping=True, json_serializer=_json)
        except ModuleNotFoundError as error:
            raise OssicleError(
                "the library psycopg is missing", where=self.shown, mend="install it: pip install 'ossicle[postgresql]'"
            ) from error

    def close(self) -> None:
        """Close all connections."""
        self.engine.dispose()

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """Give a session that only reads."""
        with self._told(), self.engine.connect() as connection, connection.begin(), Session(connection) as session:
            yield session

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """Give a session that writes, all of it or nothing; one writer at a time on SQLite."""
        with (
            self._told(),
            self.engine.connect().execution_options(writing=True) as connection,
            connection.begin(),
            Session(connection, expire_on_commit=False) as session,
        ):
            yield session
            session.flush()

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except StaleDataError as error:
            raise Conflict(
                "it was changed by somebody else in the meantime, so nothing was written",
                where=self.shown,
                mend="look at it again and decide anew",
            ) from error
        except IntegrityError:
            raise
        except UnicodeError as error:
            raise OssicleError(
                "a text holds half a character, which cannot be kept, so nothing was", mend="write it anew"
            ) from error
        except StatementError as error:
            if isinstance(error.orig, OssicleError):
                raise error.orig from None
            first = str(error.orig).strip().splitlines()[0] if error.orig is not None else "no message"
            raise OssicleError(
                f"the catalogue cannot be used ({first})", where=self.shown, mend="mend that and run again"
            ) from error

    def prepare(self, keep: Path | None = None) -> None:
        """Bring the schema to the current revision; ``keep`` is where a copy of an older SQLite catalogue is kept.

        Raises
        ------
        OssicleError
            The catalogue was made by a later Ossicle.
        """
        with self._told():
            with self.engine.connect() as connection:
                found = current_revision(connection)
            newest = _newest()
            if found == newest:
                return
            if found is not None and found not in _known():
                raise OssicleError(
                    f"its catalogue has the schema {found}, this version knows {newest} at most",
                    where=self.shown,
                    mend="use a later version of Ossicle",
                )
            database = self.url.database
            if self.is_sqlite and found is not None and keep is not None and database:
                _copy_sqlite(Path(database), keep / f"catalogue.before-{newest}.sqlite")
            upgrade(self.engine, "head")


def _json(value: Any) -> str:
    """Return JSON as any reader takes it (RFC 8259): no NaN, and no half characters hidden in escapes."""
    try:
        return json.dumps(value, allow_nan=False, ensure_ascii=False)
    except ValueError as error:
        raise OssicleError(
            "a number is not finite, which cannot be kept, so nothing was", mend="write it anew"
        ) from error


def _with_driver(url: str) -> sa.URL:
    try:
        made = sa.make_url(url)
    except sa.exc.ArgumentError as error:
        raise OssicleError(
            f"{shown(url)} is no address of a database", mend="write postgresql://user@host/name"
        ) from error
    name = made.get_backend_name()
    if name not in ("sqlite", "postgresql"):
        raise OssicleError(
            f"a catalogue cannot lie in {name}", mend="use PostgreSQL, or leave --catalogue out for SQLite"
        )
    return made.set(drivername="postgresql+psycopg") if name == "postgresql" else made


def _sqlite_settings(connection: Any, _record: object) -> None:
    connection.isolation_level = None  # transactions are begun by `_sqlite_begin`
    with closing(connection.cursor()) as cursor:
        cursor.execute("PRAGMA journal_mode=WAL")
        cursor.execute("PRAGMA synchronous=FULL")
        cursor.execute("PRAGMA foreign_keys=ON")


def _sqlite_begin(connection: sa.Connection) -> None:
    writes = connection.get_execution_options().get("writing", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _copy_sqlite(source: Path, target: Path) -> None:
    import sqlite3

    partial = target.with_suffix(".partial")
    partial.unlink(missing_ok=True)
    with closing(sqlite3.connect(source)) as old, closing(sqlite3.connect(partial)) as new:
        old.backup(new)
    shutil.move(partial, target)


def _config(place: Path) -> Any:
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(place).replace("%", "%%"))
    return config


_SAID = re.compile(r"""^(revision|down_revision)\b[^=\n]*= *(None|"[^"]+"|'[^']+')""", re.MULTILINE)


def _known() -> list[str]:
    """Revisions, the newest first, read off the steps' text: Alembic is loaded only where there is a step to do."""
    after: dict[str | None, str] = {}
    for step in (files("ossicle.collection") / "migrations" / "versions").iterdir():
        if step.name.endswith(".py") and not step.name.startswith("_"):
            said = dict(_SAID.findall(step.read_text(encoding="utf-8")))
            after[said["down_revision"].strip("\"'") if said["down_revision"] != "None" else None] = said["revision"][
                1:-1
            ]
    chain: list[str] = []
    at: str | None = None
    while at in after:
        at = after[at]
        chain.insert(0, at)
    return chain


def _newest() -> str:
    return _known()[0]


def current_revision(connection: sa.Connection) -> str | None:
    """Return the schema's revision, None of an empty database."""
    if not sa.inspect(connection).has_table("alembic_version"):
        return None
    found: str | None = connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()
    return found


def upgrade(engine: sa.Engine, revision: str) -> None:
    """Bring a database to a revision, within one transaction; where another process is at it, wait for that."""
    from alembic import command

    with (
        as_file(files("ossicle.collection") / "migrations") as place,
        engine.connect().execution_options(writing=True) as connection,
        connection.begin(),
    ):
        if engine.dialect.name == "postgresql":
            connection.execute(sa.text("SELECT pg_advisory_xact_lock(7041776)"))
        config = _config(place)
        config.attributes["connection"] = connection
        command.upgrade(config, revision)
